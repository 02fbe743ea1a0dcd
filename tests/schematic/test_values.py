"""Values and tolerances: letter codes of IEC 60062:2016 (examples from secondary sources and from memory)."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fetsim.errors import InputError
from fetsim.schematic.values import (
    LETTER_TOLERANCES,
    QUANTITIES,
    Tolerance,
    format_value,
    parse_tolerance,
    parse_value,
)

READ = [
    # IEC 60062 resistors
    ("R47", "ohm", 0.47),
    ("4R7", "ohm", 4.7),
    ("470R", "ohm", 470.0),
    ("4K7", "ohm", 4700.0),
    ("4k7", "ohm", 4700.0),
    ("47K3", "ohm", 47300.0),
    ("4M7", "ohm", 4.7e6),
    ("4G7", "ohm", 4.7e9),
    ("1T0", "ohm", 1e12),
    # IEC 60062 capacitors; m is milli
    ("p33", "farad", 0.33e-12),
    ("3p3", "farad", 3.3e-12),
    ("4n7", "farad", 4.7e-9),
    ("2u2", "farad", 2.2e-6),
    ("2µ2", "farad", 2.2e-6),
    ("2\u03bc2", "farad", 2.2e-6),
    ("4m7", "farad", 4.7e-3),
    # plain writing
    ("4.7k", "ohm", 4700.0),
    ("0.15u", "farad", 0.15e-6),
    ("1000u", "farad", 1e-3),
    (".5", "ohm", 0.5),
    ("1e3", "ohm", 1000.0),
    (1500, "ohm", 1500.0),
    (2.5, "plain", 2.5),
    # with units
    ("12mA", "ampere", 0.012),
    ("5fA", "ampere", 5e-15),
    ("-4.5V", "volt", -4.5),
    ("-4V5", "volt", -4.5),
    ("5V6", "volt", 5.6),
    ("2mH", "henry", 2e-3),
    ("10 kohm", "ohm", 1e4),
    ("10 Mohm", "ohm", 1e7),
    ("47 Ω", "ohm", 47.0),
    ("47\u2126", "ohm", 47.0),
    ("4k7 Ω", "ohm", 4700.0),
    ("47\u00a0Ω", "ohm", 47.0),
    ("220nF", "farad", 220e-9),
    ("0.25W", "watt", 0.25),
    ("60mVs", "weber", 0.06),
    ("0.06 Wb", "weber", 0.06),
    ("0.006/V", "per_volt", 0.006),
    ("0.006 1/V", "per_volt", 0.006),
    ("1.2mV/K", "volt_per_kelvin", 1.2e-3),
    ("5%", "plain", 0.05),
]


@pytest.mark.parametrize(("text", "quantity", "expected"), READ)
def test_values_are_read_exactly(text, quantity, expected):
    assert parse_value(text, quantity) == expected


REFUSED = [
    ("4q7", "ohm", "'4q7' is not an amount in ohm; write it as 4k7"),
    ("4k7k", "ohm", "not an amount in ohm"),
    ("4.7k7", "ohm", "not an amount in ohm"),
    ("4R7k", "ohm", "not an amount in ohm"),
    ("4 7k", "ohm", "not an amount in ohm"),
    ("1,5k", "ohm", "comma"),
    ("", "ohm", "not an amount in ohm"),
    ("k", "ohm", "not an amount in ohm"),
    ("--5", "volt", "not an amount in volt"),
    ("٤k", "ohm", "not an amount in ohm"),  # an Arabic-Indic digit, which float() would take
    ("1_000", "ohm", "not an amount in ohm"),  # as float() would
    ("nan", "ohm", "not an amount in ohm"),
    ("inf", "ohm", "not an amount in ohm"),
    ("220nF", "ohm", "is in farad; an amount in ohm is wanted"),
    ("10 kohm", "farad", "is in ohm"),
    ("12mA", "volt", "is in ampere"),
    ("12V", "plain", "is in volt; a plain number is wanted"),
    ("1k", "plain", "not a plain number"),
    ("1M", "farad", "M (mega) is taken with ohm and hertz only"),
    ("5%", "ohm", "not an amount in ohm"),
    ("1e999", "ohm", "not a finite number"),
    ("1e9999", "ohm", "not an amount in ohm"),
    ("9" * 100_000, "ohm", "not an amount in ohm"),
    (float("nan"), "ohm", "not a finite number"),
    (float("-inf"), "ohm", "not a finite number"),
    (10**400, "ohm", "more than 308 digits"),
    (True, "ohm", "True is not an amount"),
    (None, "ohm", "a NoneType is not an amount"),
    (["4k7"], "ohm", "a list is not an amount"),
]


@pytest.mark.parametrize(("raw", "quantity", "complaint"), REFUSED)
def test_what_is_no_value_is_refused_in_one_short_sentence(raw, quantity, complaint):
    with pytest.raises(InputError) as caught:
        parse_value(raw, quantity)
    text = str(caught.value)
    assert complaint in text
    assert "\n" not in text
    assert len(text) < 160


SPAN = st.floats(1e-14, 1e11) | st.floats(-1e11, -1e-14)


@settings(deadline=None)
@given(SPAN, st.sampled_from(sorted(QUANTITIES)))
def test_what_is_written_is_read_back(number, quantity):
    # six figures are written, so the value comes back within half a unit of the sixth: 5e-6
    assert parse_value(format_value(number, quantity), quantity) == pytest.approx(number, rel=5.1e-6)


@settings(deadline=None)
@given(st.integers(100, 999), st.sampled_from(["", "k", "M", "m", "G"]))
def test_letter_code_and_plain_writing_agree(figures, prefix):
    code = f"{figures // 100}{prefix or 'R'}{figures % 100:02d}"
    plain = f"{figures / 100}{prefix}"
    assert parse_value(code, "ohm") == parse_value(plain, "ohm")


@settings(deadline=None)
@given(st.text(max_size=30))
def test_any_text_is_a_value_or_an_input_error(text):
    for quantity in QUANTITIES:
        try:
            assert isinstance(parse_value(text, quantity), float)
        except InputError as error:
            assert "\n" not in str(error)
    try:
        parse_tolerance(text)
    except InputError as error:
        assert "\n" not in str(error)


WRITTEN = [
    (4700.0, "ohm", "4.7 kohm"),
    (0.47, "ohm", "470 mohm"),
    (1e6, "ohm", "1 Mohm"),
    (1.5e-7, "farad", "150 nF"),
    (1e-3, "farad", "1 mF"),
    (999.9999, "ohm", "1 kohm"),
    (-4.5, "volt", "-4.5 V"),
    (5e-15, "ampere", "5 fA"),
    (0.006, "per_volt", "0.006 /V"),
    (0.3, "plain", "0.3"),
    (0.0, "volt", "0 V"),
    (float("inf"), "volt", "infinite"),
]


@pytest.mark.parametrize(("number", "quantity", "text"), WRITTEN)
def test_values_are_written_plainly(number, quantity, text):
    assert format_value(number, quantity) == text


TOLERANCES = [
    ("1%", -0.01, 0.01),
    ("0.1 %", -0.001, 0.001),
    ("+-5%", -0.05, 0.05),
    ("±5 %", -0.05, 0.05),
    ("-20/+80%", -0.2, 0.8),
    ("+80/-20 %", -0.2, 0.8),
    ("-20%/+80%", -0.2, 0.8),
    ("0%", 0.0, 0.0),
    # letters of IEC 60062, from memory
    ("B", -0.001, 0.001),
    ("F", -0.01, 0.01),
    ("G", -0.02, 0.02),
    ("J", -0.05, 0.05),
    ("K", -0.1, 0.1),
    ("M", -0.2, 0.2),
    ("Q", -0.1, 0.3),
    ("T", -0.1, 0.5),
    ("S", -0.2, 0.5),
    ("Z", -0.2, 0.8),
]


@pytest.mark.parametrize(("text", "low", "high"), TOLERANCES)
def test_tolerances(text, low, high):
    tolerance = parse_tolerance(text)
    assert (tolerance.low, tolerance.high) == pytest.approx((low, high), rel=1e-12)
    assert parse_tolerance(str(tolerance)) == tolerance


@pytest.mark.parametrize(
    "raw", ["5", 5, 0.05, "X", "-5%", "150%", "-20/-10%", "+10/+20%", "-120/+20%", "", None, True]
)
def test_what_is_no_tolerance_is_refused(raw):
    with pytest.raises(InputError):
        parse_tolerance(raw)


def test_every_tolerance_letter_spans_the_value():
    for letter in LETTER_TOLERANCES:
        tolerance = parse_tolerance(letter)
        assert isinstance(tolerance, Tolerance)
        assert tolerance.low < 0.0 < tolerance.high
