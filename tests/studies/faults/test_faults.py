"""Faults of small units, simulated: what each shows, which fits, and what is refused."""

from dataclasses import replace
from pathlib import Path

import pytest

from fetsim import InputError, aged, faults, load_unit
from fetsim.studies.builds.asked import figures_named
from fetsim.studies.faults.record import FaultsFound
from fetsim.studies.faults.symptoms import NOTHING, symptom

FIGURES = ("gain", "reduction@-9", "release")


@pytest.fixture(scope="module")
def found() -> FaultsFound:
    return faults(
        "teaching", parts=["J1", "D1", "C2", "A1", "R4", "R3"], figures=FIGURES, builds=4, workers=1,
        reported=["reduction@-9=0dB+-0.3", "volts@ctl=-5V"],
    )  # fmt: skip


def test_volts_that_were_read_are_those_under_the_meter(found: FaultsFound) -> None:
    """10 Mohm at a node that 1 Mohm holds at -5 V; at a leak of 1 Mohm, half of that. What was not read has no meter
    at it."""
    assert found.sound.values["volts@ctl"] == pytest.approx(-5.0 * 10.0 / 11.0, rel=1e-3)
    assert found.sound.node_v["ctl"] == pytest.approx(-5.0, rel=1e-3)
    leaky = next(row for row in found.rows if row.name == "C2=leaky:1M")
    assert leaky.values["volts@ctl"] == pytest.approx(-2.5 * 10.0 / 10.5, rel=1e-3)
    assert "with the meter at its node" in " ".join(found.account().lead)
    without = found.spread["volts@rc"]  # the same volts, which nobody read
    assert found.spread["volts@ctl"] == pytest.approx(without * 10.0 / 11.0, rel=0.01)


def test_one_group_and_one_fault_are_told_as_one(found: FaultsFound) -> None:
    groups = (0, *(1 for _ in found.groups[1:]))
    lead = replace(found, groups=groups).account().lead[0]
    assert "1 group that can be told apart, and 1 fault that cannot be told from the sound unit." in lead


def test_the_plain_word_says_what_is_wrong(found: FaultsFound) -> None:
    words = {row.name: row.word for row in found.rows}
    assert words["D1=open"] == "no gain reduction, everything else right"
    assert words["A1=dead"] == "no sound, everything else right"
    assert words["J1=short:ds"].startswith("no sound")
    assert words["R3=noisy:20dB"].startswith("nothing")
    assert words["R4=open"].startswith("release over")  # nothing else discharges the timing capacitor
    assert "idle volts" in words["C2=leaky:1M"]


@pytest.mark.parametrize(
    ("release_s", "threshold_dbu", "told"),
    [
        (0.35, -10.0, NOTHING),
        (0.25, -10.0, "release: -29 % (within what tolerances do)"),
        (0.25, -5.0, "threshold too high, release: -29 % (within what tolerances do)"),
        (0.70, -10.0, "release too slow, everything else right"),
    ],
)
def test_what_tolerances_hide_is_told_with_its_size(release_s: float, threshold_dbu: float, told: str) -> None:
    figures = figures_named(["threshold", "release"], load_unit("teaching"))
    sound, spread = {"threshold": -10.0, "release": 0.35}, {"threshold": 1.0, "release": 0.04}
    now = {"threshold": threshold_dbu, "release": release_s}
    assert symptom(figures, sound, now, spread, volts=[], reasons={}) == told


def test_the_current_of_a_negative_rail_is_low_where_less_flows() -> None:
    figures = figures_named(["current@V2"], load_unit("dunlin"))
    now = {"current@V2": -0.001}
    told = symptom(figures, {"current@V2": -0.01}, now, {"current@V2": 1e-4}, volts=[], reasons={})
    assert told == "current of V2 low"


def test_good_units_have_their_trims_set(found: FaultsFound) -> None:
    """So the FET's bias, which scatters two to one, leaves the gain to the resistors of 1 %."""
    assert 0.0 < found.spread["gain"] < 0.3


def test_a_leak_pulls_the_volts_to_where_its_divider_has_them(found: FaultsFound) -> None:
    """-5 V through 1 Mohm and 100 ohm against 1 Mohm to ground."""
    row = next(row for row in found.rows if row.name == "C2=leaky:1M")
    assert row.node_v["ctl"] == pytest.approx(-5.0 * 1e6 / 2.0001e6, abs=1e-3)


def test_what_fits_stands_first_and_what_readings_cannot_tell_stands_together(found: FaultsFound) -> None:
    first = [one.name for one in found.faults[:4]]
    assert "D1=open" in first
    assert sum(found.shares) == pytest.approx(1.0)
    assert found.sound_miss is not None
    assert found.sound_miss > 3.0
    assert "A probe in a powered unit" in found.account().cautions[0]
    group = dict(zip([one.name for one in found.faults], found.groups, strict=True))
    assert group["D1=open"] == group["J1=open:drain"] == group["R3=open"]
    assert group["D1=open"] != group["C2=leaky:1M"]
    assert "explain what was read" in " ".join(found.account().lead)


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ({"parts": ["C99"]}, "no part named 'C99'"),
        ({"parts": ["IN"]}, "there is none of these parts"),
        ({"reported": ["threshold"]}, "is not NAME=VALUE"),
        ({"reported": ["volts@ctrl=3V"]}, "no node or probe 'ctrl'; did you mean ctl or"),
        ({"reported": ["volts@ctl=3ohm"]}, "volts@ctl"),
        ({"reported": ["volts@ctl=-5000V"]}, "no node of the unit has more than 7 V; is it in the right unit?"),
        ({"reported": ["gain=3", "gain=4"]}, "given twice"),
        ({"reported": ["volts@ctl=-5V", "volts@control=-4V"]}, "volts@control is given twice, first as volts@ctl"),
        ({"told_by": ["threshold"], "figures": ["gain"]}, "name it there too"),
        ({"figures": ["current@R1"]}, "choices: V1, V2"),
        ({"aged": 1.5}, "outside 0"),
    ],
)
def test_what_cannot_be_asked_is_told_in_one_line(asked: dict[str, object], told: str) -> None:
    with pytest.raises(InputError, match=r".") as caught:
        faults("teaching", **asked)  # type: ignore[arg-type]
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_file_of_rates_is_checked_line_by_line(tmp_path: Path) -> None:
    path = tmp_path / "rates.toml"
    path.write_text("[resistor]\nopn = 1\nshort = -1\n[tubes]\neach = 3\n")
    with pytest.raises(InputError, match="did you mean open") as caught:
        faults("teaching", rates=path)
    assert len(str(caught.value).splitlines()) == 3


def test_age_dries_what_is_electrolytic_and_warms_what_conducts() -> None:
    unit = load_unit("greenshank")
    old = aged(unit, 1.0)
    assert old["C7"] == "dried:80%"
    assert "C5" not in old  # 1 uF of 10 %
    assert old["U1.temperature_c"] == pytest.approx(unit.temperature_c + 20.0)
    assert aged(unit, 0.0) == {}
