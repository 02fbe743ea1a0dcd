"""Clipping and the level plan: Fourier series of clipped sines, the Dunlin's figures, order of the stages."""

import json

import numpy as np
import pytest
from scipy.constants import k

from fetsim.errors import InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.clipping import ClipLimits, added, clip_level, largest_level
from fetsim.measurements.levels.procedure import measure_levels, stage_outputs
from fetsim.rig.points import find_point
from fetsim.schematic.load import load_unit
from tests.measurements.units import changed_text
from tests.reference.stored import DATA

FIGURES = json.loads((DATA / "dunlin_figures.json").read_text())
LIMITS = ClipLimits()


@pytest.fixture(scope="module")
def dunlin():
    return load_unit("dunlin")


@pytest.fixture(scope="module")
def plan(dunlin):
    return measure_levels(dunlin, quality="draft")


def phasors(signal, orders=10):
    """Harmonics of one period."""
    return (2.0 / len(signal) * np.fft.rfft(signal))[1 : orders + 1] * 1j


def clipped_sine(over_db, size=4096):
    return np.clip(10.0 ** (over_db / 20.0) * np.sin(2.0 * np.pi * np.arange(size) / size), -1.0, 1.0)


@pytest.mark.parametrize(("over_db", "h3_percent"), [(1.0, 3.684), (3.0, 12.923), (6.0, 22.584)])
def test_hard_clipping(over_db, h3_percent):
    """Third harmonic of a hard-clipped sine, Fourier series; the fundamental's fall is the describing function."""
    leaves = phasors(clipped_sine(over_db), 3)[None, :]
    amplitude = 10.0 ** (over_db / 20.0)
    arrives = np.array([[amplitude, 0.0, 0.0]], dtype=complex)
    thd, fall_db = added(leaves, arrives, np.ones((1, 3)))
    assert 100.0 * thd[0] == pytest.approx(h3_percent, abs=0.002)
    x = 1.0 / amplitude
    passed = 2.0 / np.pi * (np.arcsin(x) + x * np.sqrt(1.0 - x**2))
    assert fall_db[0] == pytest.approx(-20.0 * np.log10(passed), abs=1e-4)


def test_what_arrives_distorted_is_not_added():
    """A stage that passes a clipped wave with a gain of its own for each harmonic adds nothing."""
    arrives = phasors(clipped_sine(6.0))[None, :]
    gain = 5.0 * np.exp(1j * np.linspace(0.0, 2.0, 10))[None, :]
    thd, fall_db = added(gain * arrives, arrives, gain)
    assert thd[0] < 1e-12 and abs(fall_db[0]) < 1e-12


def test_first_limit_counts_and_is_interpolated():
    source = np.array([0.0, 1.0, 2.0])
    peak = np.sqrt(1.2) * 10.0 ** (np.array([10.0, 11.0, 11.5]) / 20.0)  # 10, 11, 11.5 dBu
    thd = np.array([0.001, 0.001, 0.1])  # passes 1 % half way (in dB) through the last step
    by_thd = clip_level(source, peak, thd, np.zeros(3), limits=LIMITS)
    assert (by_thd.level_dbu, by_thd.stage_dbu, by_thd.by) == (pytest.approx(1.5), pytest.approx(11.25), "distortion")
    by_fall = clip_level(source, peak, thd, np.array([0.0, 1.0, 2.0]), limits=LIMITS)
    assert (by_fall.level_dbu, by_fall.by) == (pytest.approx(1.0), "compression")
    clean = clip_level(source, peak, thd, np.zeros(3), limits=ClipLimits(thd=0.2))
    assert (clean.level_dbu, clean.clips) == (2.0, False)
    at_once = clip_level(source, peak, thd + 0.5, np.zeros(3), limits=LIMITS)
    assert (at_once.level_dbu, at_once.stage_dbu) == (0.0, pytest.approx(10.0))


def test_limits_are_above_zero():
    for wrong in ({"thd": 0.0}, {"compression_db": -1.0}):
        with pytest.raises(InputError, match="above zero"):
            ClipLimits(**wrong)


def test_largest_output_of_the_dunlin(dunlin):
    """+21 dBu has 0.12 % (independent solver), so 1 % lies above that; the rail of 28 V allows no 23 dBu."""
    bench = Bench(dunlin, "draft")
    output = find_point(dunlin, "output")
    assert 21.0 < largest_level(bench, output).stage_dbu < 23.0
    assert largest_level(bench, output, ClipLimits(thd=0.0012)).stage_dbu == pytest.approx(20.7, abs=0.4)


def test_plan_of_the_dunlin(plan):
    assert [(one.stage, one.point) for one in plan.stages] == [
        ("input", "t1s"), ("divider", "dr"), ("preamp", "po"), ("line", "lo"), ("output", "output"),
    ]  # fmt: skip
    settled = FIGURES["curves"]["S2"]
    reduction_db = settled["idle_gain_db"] - settled["output_dbu"][FIGURES["levels_dbu"].index(0)]
    assert plan.gain_reduction_db == pytest.approx(reduction_db, abs=0.06)  # of 0 dBu, less the rest of C1's charging
    gains = sum(one.gain_db for one in plan.stages)
    assert gains == pytest.approx(plan.stages[-1].nominal_dbu - plan.level_dbu, abs=1e-9)
    for one in plan.stages:
        assert one.headroom_db == pytest.approx(one.clip.stage_dbu - one.nominal_dbu)
        assert one.noise_dbu < one.nominal_dbu
        assert one.dynamic_range_db == pytest.approx(one.headroom_db + one.nominal_dbu - one.noise_dbu)
    (table,) = [one for one in plan.tables() if one.key == "levels"]
    told = {column.key: column for column in table.columns}
    assert "20 Hz to 20 kHz" in told["noise_dbu"].meaning and told["dynamic_range_db"].unit == "dB"


def test_line_stage_of_the_dunlin_clips_first(plan):
    """Its follower's negative swing ends with the sink's current into the load; the preamp has 7 dB more."""
    first = plan.stage(plan.clips_first)
    assert (first.stage, first.clip.by) == ("line", "distortion")
    preamp, output = plan.stages[2], plan.stages[4]
    assert preamp.clip.level_dbu == pytest.approx(8.5, abs=0.3)
    # class A: Q3's 4.9 mA into R10, R11, P2 and R32 (0.92 kohm) are 4.5 V peak, +12.3 dBu
    assert preamp.clip.stage_dbu == pytest.approx(12.5, abs=0.5)
    assert not output.clip.clips  # the transformer adds nothing at 1 kHz


def test_plan_without_gain_reduction(dunlin):
    """-40 dBu is under the threshold: the nodes' small-signal gains, those of the hand-written equations."""
    quiet = {one.point: one.nominal_dbu for one in measure_levels(dunlin, level_dbu=-40.0, quality="draft").stages}
    table = json.loads((DATA / "dunlin_response.json").read_text())
    at = table["f_hz"].index(1000.0)
    for point, node in (("dr", "dr"), ("po", "po"), ("output", "out")):
        assert quiet[point] == pytest.approx(-40.0 + 20.0 * np.log10(abs(complex(*table[node][at]))), abs=0.002)


def test_noise_floor_of_a_source_behind_its_resistance():
    """At rest, the first point of the path: 4 k T of the source's resistance beside all that loads it (Nyquist 1928),
    over 19.98 kHz."""
    unit = load_unit("teaching")
    bench = Bench(unit, "draft")
    point = find_point(unit, "input")
    plan = measure_levels(unit, points=("input",), level_dbu=-50.0, quality="draft")
    linear = bench.rig.linear
    there = point.weights(linear.index)
    ohm = (there @ linear.solve(1000.0, there)).real
    volt = np.sqrt(4.0 * k * (273.15 + unit.temperature_c) * ohm * (20e3 - 20.0))
    assert plan.stages[0].noise_dbu == pytest.approx(20.0 * np.log10(volt / np.sqrt(0.6)), abs=0.02)


def test_named_points_and_plain_tables():
    plan = measure_levels(load_unit("teaching"), points=("input", "dr", "preamp"), level_dbu=-30.0)
    assert [one.stage for one in plan.stages] == ["input", "dr", "preamp"]
    assert plan.stages[2].gain_db == pytest.approx(20.0 * np.log10(25.0 * 10e3 / 10.1e3), abs=0.01)
    assert plan.stages[2].clip.by == "none"  # an ideal amplifier
    table = json.loads(json.dumps(plan.to_dict(), allow_nan=False))
    assert table["clips_first"] == "dr"
    assert table["stages"][1]["clip"]["by"] in ("distortion", "compression")


def test_stages_that_cannot_be_told(tmp_path):
    teaching = load_unit("teaching")
    assert [point.name for _, point in stage_outputs(teaching)] == ["dr", "output"]
    # the amplifier hears the source: divider and amplifier then share two nodes
    both = load_unit(changed_text(tmp_path, 'plus = "dr"', 'plus = "dr", minus = "inp"'))
    with pytest.raises(InputError, match=r"output of stage divider cannot be told \(2 nodes lead on to amplifier\)"):
        measure_levels(both)
    stage = "[stages.divider]"
    told = load_unit(
        changed_text(tmp_path, 'plus = "dr"', 'plus = "dr", minus = "inp"', stage, f'{stage}\noutput_node = "dr"')
    )
    assert [point.name for _, point in stage_outputs(told)] == ["dr", "output"]


def test_stages_listed_against_the_signal(tmp_path):
    text = load_unit("teaching").text
    first, second = text.index("[stages.divider]"), text.index("[stages.amplifier]")
    third = text.index("[stages.rectifier]")
    path = tmp_path / "unit.toml"
    path.write_text(text[:first] + text[second:third] + text[first:second] + text[third:], encoding="utf-8")
    with pytest.raises(InputError, match="lists stage amplifier with the output before stage divider with the input"):
        stage_outputs(load_unit(path))


def test_point_without_signal(dunlin):
    """The control node, held, has none."""
    with pytest.raises(InputError, match="nothing of the input arrives at ctl; choose another point"):
        measure_levels(dunlin, points=("dr", "ctl"), quality="draft")


def test_levels_out_of_reach(dunlin):
    for level in (np.nan, 61.0):
        with pytest.raises(InputError, match="must lie within"):
            measure_levels(dunlin, level_dbu=level)
