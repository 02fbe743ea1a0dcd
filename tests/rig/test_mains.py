"""A unit fed from the mains: what it begins with, its renders, its segments and lanes, and what can be wrong."""

from pathlib import Path

import numpy as np
import pytest

import fetsim
from fetsim.cli.main import main
from fetsim.engine.crew import side_by_side
from fetsim.errors import UnitError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.hold import hold
from fetsim.measurements.bench.steady import period_of
from fetsim.rig.mains import whole_frequency_hz
from fetsim.rig.rig import Rig
from tests.audio.test_segments import SegmentPlayer, played

LOOP = Path(__file__).with_name("mains_loop.toml")
RATE_HZ = 48000


@pytest.fixture(scope="module")
def loop():
    return fetsim.load_unit(LOOP)


@pytest.mark.parametrize(("rate_hz", "hertz"), [(48000, "50Hz"), (44100, "60Hz")])
def test_a_silent_render_is_periodic_from_its_first_sample(loop, rate_hz, hertz):
    """To within what the search left, 1e-5 V, and what sound filters make of it."""
    unit = loop.changed({"V90.frequency": hertz})
    steps = round(rate_hz / float(hertz[:2]))
    rendering = fetsim.render(np.zeros(4 * steps), rate_hz, unit=unit, quality="draft", probes=["vn", "an"])
    for name, ripple_v in (("vn", 0.2), ("an", 1e-3)):
        periods = rendering.probes[name].reshape(4, steps)
        assert np.ptp(periods[0]) > ripple_v
        inner = periods[:, steps // 10 : -steps // 10]  # the filters that convert rates begin and end with a jump
        assert np.abs(inner - inner[0]).max() < 1e-4


def test_a_stretch_begins_at_its_own_phase(loop):
    """Whatever step it begins with, it is where a march from the start has come to."""
    rig = Rig(loop, "draft")
    whole, step = rig.simulation(["vn", "x", "ctl"]), 2 * rig.mains_steps + 1234
    along = whole.advance(np.zeros(step + 100))
    stretch = rig.simulation(["vn", "x", "ctl"], first_step=step).advance(np.zeros(100))
    assert np.abs(stretch - along[step:]).max() < 1e-4
    assert np.ptp(along[:, 1]) > 10.0  # a wrong phase would be seen


@pytest.mark.slow
def test_segments_of_a_file_agree_with_one_piece(loop):
    sound = 0.3 * np.sin(2 * np.pi * 300 * np.arange(12 * RATE_HZ) / RATE_HZ)
    whole = played(sound, loop, probes=("vn",))
    cut = played(sound, loop, count=2, make=SegmentPlayer, probes=("vn",))
    assert whole[3] == () and len(cut[3]) == 1
    assert np.abs(whole[1] - cut[1]).max() < 1e-5
    assert np.abs(whole[0] - cut[0]).max() < 1e-5


def test_lanes_and_one_alone_are_alike(loop):
    """Four reservoirs side by side, and each by itself."""

    def output(farad):
        run = Bench(loop.changed(C90=farad), "draft").run(["vn"])
        return run.play(0.2 * np.sin(2 * np.pi * 440 * np.arange(4000) / 144e3)).nodes["vn"]

    values = ("220u", "330u", "470u", "680u")
    together = side_by_side({one: lambda one=one: output(one) for one in values}, cores=1)
    assert all(np.abs(together[one] - output(one)).max() < 1e-8 for one in values)
    ripples = [np.ptp(together[one]) for one in values]
    assert ripples == sorted(ripples, reverse=True)


def test_a_cold_start_has_its_rails_to_charge(loop):
    rendering = fetsim.render(np.zeros(4800), RATE_HZ, unit=loop, quality="draft", probes=["vn"], cold=True)
    assert abs(rendering.probes["vn"][0]) < 0.1
    rig = Rig(loop)
    assert rendering.probes["vn"][-960:].mean() == pytest.approx(rig.bias[rig.system.index["vn"]], abs=0.1)


def test_held_units_have_mains_too(loop):
    """Small signals at 6 dB of gain reduction, and a march from there that stays."""
    held = hold(Bench(loop, "draft"), 6.0)
    assert Bench(loop).rig.idle_gain_db() - held.rig.idle_gain_db() == pytest.approx(6.0, abs=1e-4)
    found = held.run(["ctl", "vn"]).play(np.zeros(3000))
    assert np.abs(found.nodes["ctl"] - held.control_v).max() < 1e-6 and np.ptp(found.nodes["vn"]) > 0.2


def test_tones_hold_whole_mains_periods(loop):
    bench = Bench(loop, "draft")
    for frequency, played_hz in ((1000.0, 1000.0), (61.7, 550.0 / 9.0), (20.0, 20.0), (997.0, 995.0), (5.0, 5.0)):
        period = period_of(frequency, bench)
        assert period.steps % bench.rig.mains_steps == 0
        assert period.frequency_hz == pytest.approx(played_hz)
    assert period_of(1000.0, bench).cycle == 144


def test_odd_mains_are_moved_to_whole_steps():
    assert whole_frequency_hz(50.0, 288e3) == 50.0 and whole_frequency_hz(60.0, 264600.0) == 60.0
    assert whole_frequency_hz(49.5, 288e3) == pytest.approx(49.5, rel=1e-4)


def test_what_mains_mean_for_figures_is_told(loop):
    told = " ".join(fetsim.idle_point(loop).provenance.told)
    assert "Mains of 50 Hz are on" in told and "moves by up to" in told


def test_power_from_the_mains_is_all_accounted_for():
    """The Dunlin's supply: what the mains deliver is heat in its parts and in the transformer's core."""
    point = fetsim.idle_point(fetsim.load_unit("dunlin-mains"))
    assert point.supply_power_w > 2.0
    assert abs(point.power_residual_w) < 1e-5 * point.supply_power_w
    rectifiers_w = sum(point.part(f"D9{n}").dissipation_w for n in range(1, 5))
    assert 0.05 < rectifiers_w < 0.2 and point.part("D91").state == "blocks and conducts"
    assert any("mains voltage" in text for text in point.account().cautions)


WRONG = {
    "mains of no hertz": ('frequency = "50Hz"', 'frequency = "0Hz"', "V90: frequency: 0 Hz is outside 10 Hz to 1 kHz"),
    "negative volts": ('voltage = "5.7V"', 'voltage = "-5.7V"', "V90: voltage: -5.7 V is outside 100 mV to 500 V"),
    "a rail nowhere": ('vn = "-7V"', 'vx = "-7V"', "rails: no node named 'vx'"),
    "a rail of no volts": ('vn = "-7V"', 'vn = "0V"', "rails: vn: is meant to stand at 0 V"),
}


@pytest.mark.parametrize("case", WRONG)
def test_mistakes_in_the_file_are_told_in_a_line(case, tmp_path):
    old, new, complaint = WRONG[case]
    text = LOOP.read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "box.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(UnitError) as caught:
        fetsim.load_unit(path)
    assert complaint in str(caught.value) and len(str(caught.value).splitlines()) == 1


AT_WORK = {
    "wrong way round": ('anode = "vn", cathode = "x"', 'anode = "x", cathode = "vn"', "a rectifier is the wrong way"),
    "a short": ('value = "1k", nodes = ["vn", "0"]', 'value = "R1", nodes = ["vn", "0"]', "look for a short"),
    "two frequencies": (
        "D90 =", 'V91 = { kind = "mains", voltage = "6V", frequency = "60Hz", resistance = "4", nodes = ["x", "0"] }\n'
        "D90 =", "V91.frequency: 60 Hz beside 50 Hz of V90",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", AT_WORK)
def test_a_supply_that_does_not_work_is_told_in_a_line(case, tmp_path, capsys):
    old, new, complaint = AT_WORK[case]
    text = LOOP.read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "box.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(SystemExit) as ended:
        main(["idle", "--unit", str(path)])
    said = capsys.readouterr()
    assert ended.value.code == 2 and said.out == ""
    assert complaint in said.err and len([line for line in said.err.splitlines() if "compiling" not in line]) == 1


def test_a_rectifier_is_warmed_by_its_pulses():
    """100 K/W times the mean of its watts, which those at the mean of its volts, where it blocks, would not give."""
    unit = fetsim.load_unit("dunlin-mains").changed({"D91.thermal_resistance": "100K/W"})
    rise_k = Rig(unit).heat.rises_k["D91"]
    assert rise_k == pytest.approx(100.0 * fetsim.idle_point(unit).part("D91").dissipation_w, rel=0.05)
    assert 1.0 < rise_k < 6.0
