"""Distortion against frequency: Rayleigh's third harmonic of a core, and what is told."""

import json

import numpy as np
import pytest

import fetsim
from fetsim.audio.levels import dbu_to_rms_v
from fetsim.errors import ConvergenceError, InputError
from fetsim.measurements.distortion.procedure import measure_distortion
from fetsim.measurements.sweep import procedure
from fetsim.measurements.sweep.procedure import measure_sweep
from fetsim.schematic.cores import core
from fetsim.schematic.load import load_unit
from tests.measurements.units import PLAIN_IRON
from tests.reference.stored import DATA

QUICK = {"quality": "draft"}
DUNLIN = load_unit("dunlin")
SOURCE_OHM = 600.0
CHOKE = """
name = "Choke behind a resistor"
source = "invented"

[stages.all]
about = "all"
[stages.all.parts]
IN = { kind = "input", nodes = ["a", "0"], source_resistance = "600" }
L1 = { kind = "inductor", value = "20H", resistance = "1m", initial_inductance = "10H", nominal_voltage = "60V", nominal_frequency = "60Hz", saturation_flux = "5Vs", nodes = ["a", "0"] }
OUT = { kind = "output", nodes = ["a", "0"], load = "10M" }
"""  # noqa: E501


@pytest.fixture(scope="module")
def choke(tmp_path_factory):
    path = tmp_path_factory.mktemp("choke") / "choke.toml"
    path.write_text(CHOKE, encoding="utf-8")
    return load_unit(str(path))


@pytest.fixture(scope="module")
def at_input():
    """Behind the Dunlin's input transformer, in front of the gain cell's divider."""
    return measure_sweep(
        DUNLIN, levels_dbu=(-20.0, 0.0), frequencies_hz=(20.0, 60.0, 300.0), at="t1s", **QUICK
    )


def test_third_harmonic_of_rayleighs_law(choke):
    """At low level the current of a core has 4 a phi_m^2/(15 pi) of third harmonic, a Rayleigh's constant of its law
    T/(2 y_c); behind a source resistance R the voltage V [peak] so has h3/h1 = 4 a R V/(15 pi w^2). That holds while
    R is small against w L (here 0.03 to 0.16 of it at the third harmonic, taken into account). Twelve cells ripple
    around the law by -2.4 to +0.9 dB, by -0.8 in the mean of levels."""
    iron = core("inductor", choke.parts["L1"].values)
    a = (1.0 / iron.initial_h - 1.0 / iron.largest_h) / (2.0 * iron.reach_vs)
    ratio = []
    for frequency_hz, levels_dbu in ((60.0, range(-9, 5, 2)), (120.0, range(-3, 11, 2))):
        for tone in measure_sweep(choke, levels_dbu=[*map(float, levels_dbu)], frequencies_hz=[frequency_hz]).tones:
            w = 2.0 * np.pi * tone.frequency_hz
            volt = np.sqrt(2.0) * dbu_to_rms_v(tone.fundamental_dbu)
            assert 0.015 < volt / w / iron.reach_vs < 0.11
            shunted = 1.0 / abs(1.0 + SOURCE_OHM / (3j * w * iron.initial_h))
            ratio.append(tone.harmonic[1] / (4.0 * a * SOURCE_OHM * volt / (15.0 * np.pi * w**2) * shunted))
            assert tone.harmonic[0] < 0.1 * tone.harmonic[1]  # no direct current, no second harmonic
    decibels = 20.0 * np.log10(ratio)
    assert np.mean(decibels) == pytest.approx(-0.8, abs=0.3)
    assert -3.0 < np.min(decibels) and np.max(decibels) < 1.5


def test_twelve_decibels_an_octave(choke):
    """Half the frequency at half the level is the same loop, whose current counts twice as much in it: R V/w^2
    doubles. What R takes of the fundamental differs by 0.1 %, of which the cells make 0.5 at most."""
    unit = choke.changed({"IN.source_resistance": "200"})
    high = measure_sweep(unit, levels_dbu=[10.0], frequencies_hz=[120.0]).tones[0]
    low = measure_sweep(unit, levels_dbu=[10.0 - 20.0 * np.log10(2.0)], frequencies_hz=[60.0]).tones[0]
    assert low.harmonic[1] / high.harmonic[1] == pytest.approx(2.0, rel=0.01)


@pytest.mark.parametrize("wanted", json.loads((DATA / "dunlin_iron.json").read_text()), ids=lambda w: f"{w['f_hz']:g}")
def test_the_dunlin_at_low_frequencies_against_its_hand_written_equations(wanted):
    """Whose cores are play operators: 256 steps a period, in a steady state found by shooting. The second harmonic
    stands apart: it hangs on what direct flux is left of the way there."""
    for node, point in (("t1s", "t1s"), ("out", "output")):
        (tone,) = measure_sweep(
            DUNLIN, levels_dbu=[wanted["level_dbu"]], frequencies_hz=[wanted["f_hz"]], at=point
        ).tones
        fundamental, *others = wanted["peak_v"][node]
        assert tone.fundamental_dbu == pytest.approx(20.0 * np.log10(fundamental / np.sqrt(1.2)), abs=0.01)
        assert tone.thd_f == pytest.approx(np.linalg.norm(others) / fundamental, rel=0.02)
        assert tone.harmonic[1] == pytest.approx(others[1] / fundamental, rel=0.02)


def test_iron_is_third_harmonic_and_falls_with_frequency(at_input):
    """Common practice, no source."""
    share = {(one.level_dbu, round(one.frequency_hz)): one for one in at_input.tones}
    for level in (-20.0, 0.0):
        low, middle, high = (share[level, f] for f in (20, 60, 300))
        assert low.thd_f > 3.0 * middle.thd_f > 9.0 * high.thd_f
        assert low.harmonic[1] > 0.8 * low.thd_f > 20.0 * low.harmonic[0]


def test_a_core_without_hysteresis_has_no_such_distortion():
    plain = measure_sweep(PLAIN_IRON, levels_dbu=(-20.0,), frequencies_hz=(20.0,), at="t1s", **QUICK)
    assert plain.tones[0].thd_f < 1e-4


def test_the_reading_of_one_tone_is_that_of_distortion():
    """Whatever else is asked for: each begins at rest."""
    found = measure_sweep(DUNLIN, levels_dbu=(10.0, -10.0), frequencies_hz=(1000.0, 100.0), **QUICK)
    assert [(one.level_dbu, one.frequency_hz) for one in found.tones] == [
        (-10.0, 100.0), (-10.0, 1000.0), (10.0, 100.0), (10.0, 1000.0)
    ]  # fmt: skip
    alone = measure_distortion(DUNLIN, levels_dbu=[10.0], two_tones=False, with_noise=False, **QUICK).tones[0]
    assert found.tones[-1].thd_f == pytest.approx(alone.thd_f, rel=1e-3)
    assert found.tones[-1].gain_reduction_db == pytest.approx(alone.gain_reduction_db, abs=1e-3)


def test_at_a_gain_reduction():
    found = measure_sweep(DUNLIN, reductions_db=[10.0], frequencies_hz=[1000.0], **QUICK)
    assert found.tones[0].gain_reduction_db == pytest.approx(10.0, abs=0.01)


def test_what_is_told(at_input):
    account = at_input.account()
    assert "read at t1s" in account.title and "-20.0 dBu, 20 Hz" in account.lead[0]
    assert [table.key for table in account.tables] == ["tones", "readings"]
    assert {"h2", "h10"} <= set(account.records()[0])


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ({"levels_dbu": [0.0], "reductions_db": [3.0]}, "give one of the two"),
        ({"levels_dbu": ()}, "levels: give at least one, in dBu"),
        ({"reductions_db": ()}, "reductions: give at least one, in dB"),
        ({"reductions_db": [float("nan")]}, "reductions: nan dB is none"),
        ({"frequencies_hz": ()}, "frequencies: give at least one"),
        ({"levels_dbu": (float("nan"),)}, "level: nan dBu is none"),
        ({"levels_dbu": (float("-inf"),)}, "levels: silence has no distortion"),
        ({"frequencies_hz": (0.0,)}, "frequency: 0 Hz cannot be played"),
        ({"at": "nowhere"}, "no node or probe 'nowhere'"),
    ],
)
def test_what_cannot_be_asked(asked, told):
    with pytest.raises(InputError, match=told):
        measure_sweep(load_unit("teaching"), **asked)


def test_a_tone_without_a_steady_state_takes_no_other_with_it(monkeypatch):
    """It stands in the table with its reason; only where there is no tone at all is there no measurement."""
    real = procedure.sine_distortion

    def reading(run, level_dbu, frequency_hz, point):
        if frequency_hz in lost:
            raise ConvergenceError("no steady state: the loop hunts").at(f"at {level_dbu:g} dBu, {frequency_hz:g} Hz")
        return real(run, level_dbu, frequency_hz, point)

    monkeypatch.setattr(procedure, "sine_distortion", reading)
    lost, asked = (60.0,), {"levels_dbu": [-10.0], "frequencies_hz": [60.0, 1000.0], **QUICK}
    found = measure_sweep(load_unit("teaching"), **asked)
    assert [tone.frequency_hz for tone in found.tones] == [pytest.approx(1000.0)]
    (one,) = found.unsteady
    assert (one.level_dbu, one.frequency_hz) == (-10.0, 60.0) and "the loop hunts" in one.why
    assert "the loop hunts" in fetsim.account_text(found.account()) and len(found.account().records()) == 2
    lost = (60.0, 1000.0)
    with pytest.raises(ConvergenceError, match="hunts"):
        measure_sweep(load_unit("teaching"), **asked)
