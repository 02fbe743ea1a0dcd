"""Common-mode rejection against the closed forms of the difference amplifier.

Four resistors of tolerance t round an ideal amplifier of differential gain A: CMRR = (1 + A) / (4 t) in the worst case
(every text on instrumentation amplifiers, as R. Pallas-Areny and J. G. Webster, IEEE Trans. Instrum. Meas. 40 (1991)
669; from memory), to first order in t. With r ohm more in one leg, whose impedance against ground is Z, CMRR = Z / r
(the bridge of source and input impedances; B. Whitlock, J. Audio Eng. Soc. 43 (1995) 454, from memory).
"""

import numpy as np
import pytest

import fetsim
from fetsim.errors import InputError
from fetsim.schematic.load import load_unit

SOURCE_OHM = 50.0


def amplifier(tmp_path, *, gain=2.0, tolerance="1%"):
    """A difference amplifier of 10 kohm a leg, near to ideal, its source's resistance included."""
    ohm = 10e3
    path = tmp_path / "difference.toml"
    path.write_text(
        f"""
name = "difference"
[stages.all.parts]
IN = {{ kind = "input", nodes = ["h", "c"], source_resistance = "{SOURCE_OHM}", balanced = true }}
R1 = {{ kind = "resistor", value = "{ohm - SOURCE_OHM / 2}", nodes = ["h", "p"], tolerance = "{tolerance}" }}
R2 = {{ kind = "resistor", value = "{gain * ohm}", nodes = ["p", "0"], tolerance = "{tolerance}" }}
R3 = {{ kind = "resistor", value = "{ohm - SOURCE_OHM / 2}", nodes = ["c", "m"], tolerance = "{tolerance}" }}
R4 = {{ kind = "resistor", value = "{gain * ohm}", nodes = ["m", "out"], tolerance = "{tolerance}" }}
A1 = {{ kind = "amplifier", gain = 1e9, output_resistance = "1m", nodes = {{ out = "out", plus = "p", minus = "m" }} }}
OUT = {{ kind = "output", nodes = ["out", "0"], load = "10k" }}
""",
        encoding="utf-8",
    )
    return load_unit(path)


def at_1khz(curve, trace):
    return curve.at(1000.0, trace)


@pytest.mark.parametrize("gain", [0.5, 1.0, 10.0])
@pytest.mark.parametrize("percent", [0.1, 1.0])
def test_worst_case_of_four_resistors(tmp_path, gain, percent):
    unit = amplifier(tmp_path, gain=gain, tolerance=f"{percent}%")
    (curve,) = fetsim.measure_rejection(unit, imbalances_ohm=[0.0]).curves
    wanted_db = 20.0 * np.log10((1.0 + gain) / (4.0 * percent / 100.0))
    # the tolerance is of the leg's own resistor, 0.25 % less than the leg: 0.01 dB; the formula leaves out t squared
    assert at_1khz(curve, curve.worst_db) == pytest.approx(wanted_db, abs=0.02 + 20.0 * np.log10(1.0 + percent / 100.0))
    assert at_1khz(curve, curve.rejection_db) > 120.0
    assert {part.designator for part in curve.parts} == {"R1", "R2", "R3", "R4"}
    for part in curve.parts:  # each a quarter of the whole
        assert at_1khz(curve, part.rejection_db) == pytest.approx(wanted_db + 20.0 * np.log10(4.0), abs=0.12)


def test_the_worst_corner_rejects_as_told(tmp_path):
    """The unit really built at one of its worst corners, against what first order says of it."""
    unit = amplifier(tmp_path)
    (told,) = fetsim.measure_rejection(unit, imbalances_ohm=[0.0]).curves
    ohms = {name: unit.parts[name].values["value"] for name in ("R1", "R2", "R3", "R4")}
    ends = zip(ohms.items(), (0.99, 1.01, 1.01, 0.99), strict=True)
    corner = unit.changed({name: ohm * share for (name, ohm), share in ends})
    (built,) = fetsim.measure_rejection(corner, imbalances_ohm=[0.0]).curves
    assert at_1khz(built, built.rejection_db) == pytest.approx(at_1khz(told, told.worst_db), abs=0.1)


@pytest.mark.parametrize("ohm", [1.0, 10.0, 100.0])
def test_imbalance_of_the_source_against_the_leg_s_impedance(tmp_path, ohm):
    gain = 2.0
    (curve,) = fetsim.measure_rejection(amplifier(tmp_path, gain=gain), imbalances_ohm=[ohm]).curves
    leg_ohm = 10e3 * (1.0 + gain)  # the other end of the inverting leg stands at the same share of the common voltage
    assert at_1khz(curve, curve.rejection_db) == pytest.approx(20.0 * np.log10(leg_ohm / ohm), abs=0.1)


def test_coupling_capacitors_spoil_it_at_low_frequencies(tmp_path):
    """One capacitor of 22 uF smaller by 20 %: a quarter more reactance in a leg of 36 kohm."""
    unit = fetsim.load_unit("greenshank")
    (curve,) = fetsim.measure_rejection(unit, imbalances_ohm=[0.0], low_hz=5.0).curves
    (c1,) = [part for part in curve.parts if part.designator == "C1"]
    reactance = 1.0 / (2.0 * np.pi * 20.0 * 22e-6)
    wanted_db = 20.0 * np.log10(36e3 / (reactance * (1.0 / 0.8 - 1.0)))
    assert curve.at(20.0, c1.rejection_db) == pytest.approx(wanted_db, abs=0.1)


def test_the_second_bird_is_as_good_as_its_resistors():
    (curve,) = fetsim.measure_rejection(fetsim.load_unit("greenshank"), imbalances_ohm=[10.0]).curves
    assert at_1khz(curve, curve.rejection_db) == pytest.approx(20.0 * np.log10(36e3 / 10.0), abs=0.05)
    assert at_1khz(curve, curve.worst_db) == pytest.approx(20.0 * np.log10(1.5 / 0.04), abs=0.15)


def test_without_tolerances_there_is_no_worst_case(tmp_path):
    unit = amplifier(tmp_path)
    text = unit.text.replace(', tolerance = "1%"', "")
    (tmp_path / "exact.toml").write_text(text, encoding="utf-8")
    found = fetsim.measure_rejection(load_unit(tmp_path / "exact.toml"))
    assert [curve.worst_db for curve in found.curves] == [None, None]
    assert all(row[2] == "as drawn" for row in found.tables()[0].rows)


@pytest.mark.parametrize(
    ("unit", "options", "told"),
    [
        ("teaching", {}, "its input IN is not balanced"),
        ("dunlin", {}, "nothing of what both legs of IN have in common arrives at output"),
        ("dunlin-pair", {}, "nothing of what both legs of left_IN have in common arrives at output"),
        ("greenshank", {"imbalances_ohm": []}, "imbalances: give at least one"),
        ("greenshank", {"imbalances_ohm": [-1.0]}, "imbalances: is -1"),
        ("greenshank", {"low_hz": 100.0, "high_hz": 10.0}, "does not rise"),
        ("greenshank", {"point": "nowhere"}, "nowhere"),
    ],
)
def test_what_cannot_be_measured_is_told(unit, options, told):
    with pytest.raises(InputError, match=told):
        fetsim.measure_rejection(fetsim.load_unit(unit), **options)
