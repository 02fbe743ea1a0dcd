"""A unit's own meter: its coil loads the circuit, its pointer and its scale are those of its part."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import fetsim
from fetsim.errors import UnitError
from fetsim.measurements.needle.meter import meter_of
from fetsim.report.needle.picture import draw_meters
from fetsim.schematic.load import load_unit

METERED = Path(__file__).parents[1] / "metered.toml"
RATE_HZ = 1000.0


@pytest.fixture(scope="module")
def unit():
    return load_unit(METERED)


@pytest.fixture(scope="module")
def found(unit):
    return fetsim.measure_needle(unit, level_dbu=-5.0, burst_s=1.0, tail_s=1.0, quality="draft")


def test_its_coil_loads_the_circuit(unit):
    """100 ohm of the amplifier, 900 ohm and the coil's 600 share what the control voltage leaves of -3.4 V."""
    volts = fetsim.idle_point(unit).node_voltages_v
    current = (volts["vz"] - volts["ctl"]) / (100.0 + 900.0 + 600.0)
    assert volts["mm"] == pytest.approx(600.0 * current, rel=1e-9)
    assert current == pytest.approx(1e-3, rel=0.01)
    doubled = fetsim.idle_point(unit.changed({"M1.resistance": "1200"})).node_voltages_v
    assert doubled["mm"] == pytest.approx(1200.0 / 2200.0 * (doubled["vz"] - doubled["ctl"]), rel=1e-9)


def test_ballistics_are_those_of_its_part(unit):
    """99 % of a step after its 200 ms, 4 % over."""
    meter = meter_of(unit)
    step = np.where(np.arange(3000) >= 500, 0.5, 1.0)
    pointer = meter.deflection(step, RATE_HZ)
    fallen = (1.0 - pointer) / 0.5
    assert np.argmax(fallen >= 0.99) / RATE_HZ == pytest.approx(0.5 + 0.2, abs=2.0 / RATE_HZ)
    assert np.max(fallen) == pytest.approx(1.04, abs=1e-3)


def test_the_scale_runs_straight_between_its_marks(unit):
    meter = meter_of(unit)
    decibels, shares = np.array(meter.marks).T
    assert meter.reading_db(shares) == pytest.approx(decibels)
    middle = 0.5 * (shares[4] + shares[5])
    assert meter.reading_db(np.array([middle, 2.0, -2.0])) == pytest.approx([8.5, 0.0, 15.0])
    assert [meter.place(db) for db in (7.0, 40.0)] == pytest.approx([0.577, 0.279])


def test_it_reads_what_it_was_engraved_for(found):
    """Settled in a burst it agrees with the gain reduction to what the ripple of the control voltage moves."""
    k = np.searchsorted(found.time_s, 1.19)
    assert 10.0 < found.gain_reduction_db[k] < 14.0
    assert found.needle_db[k] == pytest.approx(found.gain_reduction_db[k], abs=0.3)
    assert found.needle_db[0] == 0.0 and found.deflection[0] == pytest.approx(1.0, abs=0.01)


def test_its_words_rows_and_picture(found):
    account = found.account()
    assert account.lead[0].startswith("The needle of M1 comes to ") and "of full scale" in account.lead[0]
    assert "the scale ends" not in account.lead[0]
    short = replace(found, meter=replace(found.meter, marks=((0.0, 1.0), (1.0, 0.69))))
    assert "; the scale ends at 1 dB; " in short.account().lead[0]
    rows = account.records()
    assert rows[0].keys() == {"version", "time_s", "gain_reduction_db", "needle_db", "deflection"}
    assert rows[0]["deflection"] == pytest.approx(100.0 * found.deflection[0])
    labels = [text.get_text() for text in draw_meters({"": found}, "").axes[0].texts]
    assert {"0", "5", "10", "15"} <= set(labels) and "20" not in labels


def test_a_meter_without_marks_is_a_load_and_no_more(tmp_path, unit):
    text = METERED.read_text(encoding="utf-8")
    begin, end = text.index(", marks ="), text.index(', about = "scale')
    (tmp_path / "plain.toml").write_text(text[:begin] + text[end:], encoding="utf-8")
    plain = load_unit(tmp_path / "plain.toml")
    assert meter_of(plain) is None
    assert fetsim.idle_point(plain).node_voltages_v == fetsim.idle_point(unit).node_voltages_v


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('marks = [["0dB", "100%"]', 'marks = [["2dB", "100%"]', "M1: marks: must rise in dB from mark to mark"),
        ('["1dB", "69%"]', '["1dB", "59%"]', "M1: marks: must rise in dB from mark to mark, and rise or fall"),
        ('["1dB", "69%"]', '["1dB"]', "M1: marks: must be 2 to 40 pairs of gain reduction and share, as"),
        ('["1dB", "69%"]', '["1V", "69%"]', "M1: marks: '1V' is in volt"),
        ('"600"', '"0"', "M1: resistance: 0 ohm is outside"),
        ('"200ms"', '"2ms"', "M1: rise_time: 2 ms is outside 10 ms to 10 s"),
        ('full_scale_current = "1mA", ', "", "M1: full_scale_current: is missing"),
    ],
)
def test_mistakes_are_told_with_their_place(tmp_path, old, new, told):
    text = METERED.read_text(encoding="utf-8")
    assert old in text
    (tmp_path / "box.toml").write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(UnitError) as error:
        load_unit(tmp_path / "box.toml")
    assert str(error.value).startswith(f"box.toml: {told}"), str(error.value)
