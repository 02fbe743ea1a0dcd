"""A unit made ready to run: worked out once, one policy for renders and measurements, and what is wrong at rest."""

import json

import numpy as np
import pytest

import fetsim
from fetsim.errors import ConvergenceError
from fetsim.measurements.bench.bench import Bench
from fetsim.rig import rig as rig_module
from fetsim.rig.rig import Rig
from fetsim.schematic.load import load_unit
from tests.measurements.units import with_an_oscillator, without_gain_cell
from tests.reference.stored import DATA

FIGURES = json.loads((DATA / "dunlin_figures.json").read_text())
DUNLIN = load_unit("dunlin")
TEACHING = load_unit("teaching")
NPN = """
[devices.any-npn]
kind = "bjt"
about = "small npn"
source = "invented"
reference_temperature_c = 26.83
polarity = "npn"
saturation_current = "20fA"
current_gain = 300.0
reverse_current_gain = 4.0
early_voltage = "70V"
base_emitter_capacitance = "10p"
base_collector_capacitance = "4p"

[stages.pair]
about = "two stages, each driving the other"
[stages.pair.parts]
V9 = { kind = "supply", voltage = "12V", resistance = "1", node = "v12" }
RC1 = { kind = "resistor", value = "1k", nodes = ["v12", "c1"] }
RC2 = { kind = "resistor", value = "1k", nodes = ["v12", "c2"] }
QA = { kind = "bjt", device = "any-npn", nodes = { collector = "c1", base = "b1", emitter = "0" } }
QB = { kind = "bjt", device = "any-npn", nodes = { collector = "c2", base = "b2", emitter = "0" } }
"""
ASTABLE = """
CA = { kind = "capacitor", value = "10n", nodes = ["c1", "b2"] }
CB = { kind = "capacitor", value = "10n", nodes = ["c2", "b1"] }
RB1 = { kind = "resistor", value = "47k", nodes = ["v12", "b1"] }
RB2 = { kind = "resistor", value = "47k", nodes = ["v12", "b2"] }
"""
LATCH = """
RA = { kind = "resistor", value = "47k", nodes = ["c1", "b2"] }
RB = { kind = "resistor", value = "47k", nodes = ["c2", "b1"] }
"""


def beside_the_loop(folder, more):
    """The teaching loop with two transistors beside it."""
    path = folder / "pair.toml"
    path.write_text(TEACHING.text + NPN + more, encoding="utf-8")
    return load_unit(path)


@pytest.fixture
def calls(monkeypatch):
    """How often a unit is wired, assembled and biased."""
    counts = dict.fromkeys(("build_circuit", "assemble", "find_bias", "prepare"), 0)

    def counted(name, function):
        def count(*args, **kwargs):
            counts[name] += 1
            return function(*args, **kwargs)

        return count

    for name in counts:
        monkeypatch.setattr(rig_module, name, counted(name, getattr(rig_module, name)))
    return counts


@pytest.mark.parametrize("channels", [1, 5])
def test_a_render_of_many_channels_is_set_up_once(calls, channels):
    done = fetsim.render(np.zeros((100, channels)), 48e3, unit=TEACHING, quality="draft", probes=["ctl"])
    assert len(done.logs) == channels
    assert calls == {"build_circuit": 1, "assemble": 1, "find_bias": 1, "prepare": 1}


def test_channels_do_not_disturb_each_other():
    """Each plays as it would alone, to the last bit."""
    t = np.arange(4800) / 48e3
    loud, quiet = 0.8 * np.sin(2 * np.pi * 200 * t), 0.1 * np.sin(2 * np.pi * 3000 * t)
    both = fetsim.render(np.column_stack((loud, quiet)), 48e3, unit=TEACHING, quality="draft").output
    for k, alone in enumerate((loud, quiet)):
        assert np.array_equal(fetsim.render(alone, 48e3, unit=TEACHING, quality="draft").output, both[:, k])


def test_a_bench_runs_are_set_up_once(calls):
    bench = Bench(TEACHING, "draft")
    for _ in range(3):
        bench.run(["ctl"]).play(np.zeros(10))
    assert calls == {"build_circuit": 1, "assemble": 1, "find_bias": 1, "prepare": 1}


def test_render_and_bench_agree_on_the_method():
    """Both look at the FET fully on: the method is the rig's."""
    for unit in (DUNLIN, TEACHING):
        rig = Rig(unit, "draft")
        assert fetsim.render(np.zeros(10), 48e3, unit=unit, quality="draft").method == rig.method
        assert Bench(unit, "draft").run().simulation.method.name == rig.method


def test_a_neighbours_bias_point_leads_to_the_same():
    near = Rig(DUNLIN)
    other = DUNLIN.changed(R11="2k2", C16="330n")
    alone, led = Rig(other), Rig(other, near=near)
    assert np.abs(alone.bias - near.bias).max() > 1e-3
    assert led.bias == pytest.approx(alone.bias, abs=1e-9)
    elsewhere = Rig(other, near=Rig(TEACHING))  # another circuit is no neighbour
    assert np.array_equal(elsewhere.bias, alone.bias)


class TestAtRest:
    @pytest.mark.parametrize("name", ["dunlin", "teaching"])
    def test_shipped_units_give_no_warning(self, name):
        """The Dunlin's tail takes what its hand-written equations say; how the cell reads it is worth 1 % of that."""
        loss_db = {"dunlin": FIGURES["idle_loss_db"], "teaching": 0.0}[name]
        rig = Rig(load_unit(name))
        assert rig.warnings == () and rig.growing == ()
        assert rig.rest.loss_db == pytest.approx(loss_db, rel=0.02, abs=1e-6) and rig.rest.above_pinch_off_v < 0.0

    def test_how_far_beyond_pinch_off(self):
        """The teaching loop's bias is -5.0 V, its pinch-off voltage -4.5 V: half a volt, and the 0.5 mV that the
        rectifier's 0.5 nA of leakage drops in 1 Mohm."""
        rest = Rig(TEACHING).rest
        assert rest.above_pinch_off_v == pytest.approx(-0.5, abs=1e-3)
        assert rest.travel_v == 4.5

    def test_a_conducting_fet_is_told(self):
        """Bias -4 V, half a volt above pinch-off: g = 2 beta o = 2 * 15 mA / 4.5^2 * 0.5 V = 0.741 mS against 4.75 kohm
        (source and series resistor; the amplifier takes nothing) is 20 lg (1 + 3.52) = 13.10 dB (Shichman-Hodges)."""
        unit = TEACHING.changed(V2="-4V")
        rig = Rig(unit)
        expected = 20 * np.log10(1 + 4750.0 * 2 * 15e-3 / 4.5**2 * 0.5)
        assert rig.rest.loss_db == pytest.approx(expected, abs=0.02)
        assert rig.rest.conducts
        (warning,) = rig.warnings
        assert warning.startswith(f"J1 conducts at rest: it takes {rig.rest.loss_db:.2f} dB")
        assert fetsim.render(np.zeros(10), 48e3, unit=unit, quality="draft").warnings == (warning,)

    def test_one_that_conducts_by_its_tail_alone_is_beyond_pinch_off(self):
        """At 80 C the tail of the Dunlin's FET, its gate 11 mV short of where the channel opens, takes 0.75 dB."""
        rig = Rig(DUNLIN.changed({"J1.temperature_c": 80}))
        assert rig.rest.conducts and -0.05 < rig.rest.above_pinch_off_v < 0.0
        assert rig.warnings[0].split("; ")[0].endswith(f"its gate {-rig.rest.above_pinch_off_v:.3g} V beyond pinch-off")

    def test_reduction_against_the_fet_taken_out(self):
        cell = Rig(TEACHING.changed(V2="-4V")).gain_cell
        idle = np.array([cell.idle_conductance_s])
        assert cell.reduction_db(idle) == pytest.approx(0.0, abs=1e-9)
        assert cell.reduction_db(idle, "open") == pytest.approx(13.1, abs=0.05)
        assert cell.reduction_db(np.zeros(1), "open") == pytest.approx(0.0, abs=1e-12)

    def test_a_small_trim_error_is_told_on_the_dunlin(self):
        rest = Rig(DUNLIN.changed(idle_trim=0.2)).rest
        assert rest.loss_db == pytest.approx(12.4, abs=0.1)  # fall of the rendered output, by another observer
        assert rest.above_pinch_off_v > 0.0

    def test_far_beyond_pinch_off_is_told(self):
        assert Rig(TEACHING.changed(V2="-6.6V")).warnings == ()
        (warning,) = Rig(TEACHING.changed(V2="-6.9V")).warnings
        assert warning.startswith("J1 rests 2.4 V beyond pinch-off")

    def test_a_unit_without_a_gain_cell_has_no_rest_of_it(self, tmp_path):
        rig = Rig(without_gain_cell(tmp_path))
        assert rig.rest is None and rig.gain_cell is None and rig.warnings == ()


class TestWithoutRails:
    @pytest.mark.parametrize("rails", [("0", "0"), ("-15V", "15V"), ("1V", "-1V")])
    def test_amplifiers_without_supply_are_told_with_everything(self, rails):
        """And the power that the law makes of it is told, so that what goes in and what turns to heat agree."""
        unit = load_unit("greenshank").changed(V1=rails[0], V2=rails[1])
        (warning,) = [text for text in Rig(unit, "draft").warnings if "supply" in text]
        assert warning.startswith("U1, U2, U3, U4: without supply or with the rails the wrong way round")
        assert abs(fetsim.idle_point(unit).power_residual_w) < 1e-9

    def test_one_rail_is_enough_for_none_to_be_told(self):
        unit = load_unit("greenshank").changed(V2="0")
        assert not [text for text in Rig(unit, "draft").warnings if "supply" in text]


class TestUnstable:
    @pytest.mark.parametrize("more", [ASTABLE, LATCH], ids=["astable", "latch"])
    def test_is_told_with_the_part(self, tmp_path, more):
        """A multivibrator, and a latch balanced in the middle: each transistor's share of the growth is the same, so
        either may be named."""
        rig = Rig(beside_the_loop(tmp_path, more), "draft")
        (warning,) = rig.warnings
        assert warning.startswith("unstable at rest: a disturbance grows with a time constant of ")
        assert "around QA; it oscillates" in warning or "around QB; it oscillates" in warning

    def test_a_latch_that_is_held_is_not(self, tmp_path):
        """The same two stages with a fortieth of the loop gain, below one, rest in the middle."""
        text = LATCH.replace("47k", "4M7") + 'RE1 = { kind = "resistor", value = "10k", nodes = ["b1", "0"] }\n'
        text += 'RE2 = { kind = "resistor", value = "10k", nodes = ["b2", "0"] }\n'
        assert Rig(beside_the_loop(tmp_path, text)).warnings == ()

    @pytest.mark.parametrize("played", ["render", "bench"])
    def test_a_run_that_fails_is_put_down_to_it(self, tmp_path, monkeypatch, played):
        """With no Newton iteration at all no step has a solution. What makes the unit swing is said first, and no finer
        quality is advised."""
        monkeypatch.setattr("fetsim.engine.prepared.MAX_ITERATIONS", 0)
        unit = load_unit(with_an_oscillator(tmp_path)).changed(extra="S1")
        (cause,) = Rig(unit, "draft").warnings
        drive = np.zeros(10)
        with pytest.raises(ConvergenceError) as raised:
            if played == "render":
                fetsim.render(drive, 48e3, unit=unit, quality="draft")
            else:
                Bench(unit, "draft").run().play(drive)
        text = str(raised.value)
        assert text.startswith(f"{cause}; no convergence at ") and "finer quality" not in text

    def test_a_run_that_fails_without_it_is_not(self, monkeypatch):
        monkeypatch.setattr("fetsim.engine.prepared.MAX_ITERATIONS", 0)
        with pytest.raises(ConvergenceError, match=r"^no convergence at .*; try a finer quality"):
            Bench(TEACHING, "draft").run().play(np.zeros(10))
