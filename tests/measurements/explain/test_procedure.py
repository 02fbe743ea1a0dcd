"""A burst round the loop: known traces, circuits done by hand, and the cases in which nothing or too much happens."""

import re
from dataclasses import replace
from math import asin, exp, inf, log1p, log10, pi, sqrt

import numpy as np
import pytest

from fetsim.devices.jfet_channel import JfetChannel
from fetsim.errors import InputError
from fetsim.measurements.explain.figures import LoopFacts
from fetsim.measurements.explain.points import loop_points
from fetsim.measurements.explain.procedure import measure_explain
from fetsim.measurements.explain.reading import loop_figures
from fetsim.measurements.explain.sentences import told
from fetsim.measurements.explain.traces import BurstTraces, Trace
from fetsim.schematic.load import load_unit
from tests.measurements.units import changed_text, without_gain_cell

RATE_HZ, TONE_HZ = 200_000.0, 1000.0
CYCLE = 200  # samples
LEAD, BURST, AFTER = 2, 40, 3000  # cycles
LOAD_OHM = 1.0 / (1.0 / 10e3 + 1.0 / 100e3)  # of the teaching unit's amplifier: output and rectifier bias
AMPLIFIED = 25.0 * LOAD_OHM / (LOAD_OHM + 100.0)
FACTS = LoopFacts(
    sign=1.0, channel=JfetChannel(beta_a_v2=1.0 / (2.0 * 150.0 * 4.5), pinch_off_v=-4.5, tail_slope_v=0.0517),
    divider_ohm=4700.0, control_coupling=1.0, rectifier_gain={"an": 5.0 + 0j},
)  # fmt: skip


@pytest.fixture(scope="module")
def dunlin():
    return measure_explain(load_unit("dunlin"), burst_s=0.1)


@pytest.fixture(scope="module")
def teaching():
    return measure_explain(load_unit("teaching"))


def trace(before, burst, after=lambda t: 0.0 * t, *, lead=LEAD, burst_cycles=BURST):
    """Out of functions of time from the burst's beginning, and from its end (cycle means)."""
    time = np.arange(-lead * CYCLE + 1, burst_cycles * CYCLE + 1) / RATE_HZ
    middle = (np.arange(AFTER) + 0.5) / TONE_HZ
    mean = after(middle)
    return Trace(np.where(time <= 0.0, before(time), burst(time)), mean, mean, mean)


def sine(peak, rest=0.0):
    return lambda t: rest + peak * np.sin(2.0 * pi * TONE_HZ * t)


def known_traces(**different):
    """A control that rises by exp(-t / 2.1 ms) from -4.7 to -4.1 V with 10 mV of ripple at twice the tone."""
    def control(t):
        return -4.1 - 0.6 * np.exp(-t / 2.1e-3) + 0.005 * np.sin(4.0 * pi * TONE_HZ * t)

    def release(t):
        return -4.7 + 0.45 * np.exp(-t / 0.05) + 0.15 * np.exp(-t / 0.5)

    def conductance(t):
        return (1.0 - np.exp(-t / 3e-3)) / 1000.0

    def reduction(t):
        return 12.0 * (1.0 - np.exp(-t / 2.6e-3))

    parts = {
        "source": trace(sine(0.1), sine(1.0)),
        "tap": trace(sine(0.1), lambda t: sine(0.3)(t) * (1.0 + 2.0 * np.exp(-t / 2e-3))),
        "rectifier": {"an": trace(sine(0.5, -7.0), sine(5.0, -7.0))},
        "control": trace(lambda t: -4.7 + 0.0 * t, control, release),
        "gate_source": trace(lambda t: -4.7 + 0.0 * t, control, release),
        "conductance": trace(lambda t: 0.0 * t, conductance),
        "reduction": trace(lambda t: 0.0 * t, reduction, lambda t: 12.0 * np.exp(-t / 0.4)),
        "output": trace(sine(0.4), sine(1.6)),
    }  # fmt: skip
    return BurstTraces(
        rate_hz=RATE_HZ, frequency_hz=TONE_HZ, phase_rad=0.0, lead=LEAD * CYCLE, window=CYCLE, **{**parts, **different}
    )


def test_control_with_a_known_answer():
    one = loop_figures(known_traces(), FACTS).control
    # the end at 40 ms is 19 time constants away; the ripple moves the passing by up to 5 mV over a slope of 105 V/s
    assert one.t63_s == pytest.approx(2.1e-3, abs=5e-3 / 105.0)
    assert one.half_cycle == 5
    assert one.ripple_v == pytest.approx(0.010, rel=1e-3)  # samples stand within 2 degrees of the crests
    assert one.ripple_hz == 2000.0
    # 1 + Z g with Z g = 4700/150 * o w / 4.5, at 0.4 V -+ 5 mV above pinch-off; o = k ln(1 + e^(V/k)), w = do/dV
    k_v = 0.0517
    opened = (k_v * log1p(exp(volt / k_v)) / (1.0 + exp(-volt / k_v)) for volt in (0.405, 0.395))
    high, low = (1.0 + 4700.0 / 150.0 * open_v / 4.5 for open_v in opened)
    assert one.ripple_db == pytest.approx(20.0 * log10(high / low), rel=1e-3)
    assert one.pinch_off_v == pytest.approx(-4.5)
    assert one.drift_share == pytest.approx(0.0, abs=1e-6)
    assert one.overshoot_share == pytest.approx(0.0, abs=1e-3)
    assert one.release_tau_s == pytest.approx(0.05, rel=0.01)
    assert one.release_slow_tau_s == pytest.approx(0.5, rel=0.01)
    assert one.release_slow_share == pytest.approx(0.25, rel=0.01)


def test_gain_with_a_known_answer():
    one = loop_figures(known_traces(), FACTS).gain
    assert one.t63_s == pytest.approx(2.6e-3, rel=1e-4)  # straight lines between samples of 5 us
    assert one.half_cycle == 6
    assert one.release_t63_s == pytest.approx(0.4, rel=1e-4)
    assert one.recovered_s == pytest.approx(0.4 * np.log(24.0), rel=1e-4)  # 12 dB to 0.5 dB
    assert one.released_s == pytest.approx(3.0)


def test_waves_with_a_known_answer():
    one = loop_figures(known_traces(), FACTS)
    assert one.tap.rise_db == pytest.approx(20.0 * log10(3.0), abs=1e-3)
    assert one.tap.peak_before_v == pytest.approx(0.1)
    first = 0.3 * (1.0 + 2.0 * np.exp(-0.25 / 2.0))  # near the first crest; the decay pulls the peak 1 % up
    assert one.tap.first_peak_v == pytest.approx(first, rel=0.01)
    # 1 + 2 exp(-t/2ms) comes under 1 dB, 1.122, at 5.59 ms; told at the end of the cycle
    assert one.tap.overshoot_s == pytest.approx(6e-3)
    assert one.tap.thd < 1e-9 and not one.tap.clips
    assert one.channel.settled_ohm == pytest.approx(1000.0, rel=1e-4) and one.channel.rest_ohm == inf
    # visible at 1 / 470 kohm of a final 1 / 1 kohm
    assert one.channel.opens_s == pytest.approx(-3e-3 * np.log(1.0 - 1.0 / 470.0), abs=5e-6)


def test_rectifier_with_a_known_answer():
    (one,) = loop_figures(known_traces(), FACTS).rectifier
    # passes the control, which has moved by less than 15 mV then: 2.3 V of 5 V
    assert one.passes_s == pytest.approx(asin(2.3 / 5.0) / (2.0 * pi * TONE_HZ), abs=2e-6)
    assert one.missing_db is None
    # away from conduction: 5 V where the gain of 5 makes 5 times the tap's own first trough
    assert one.swing_v == pytest.approx(5.0, rel=1e-3)
    trough = 0.3 * (1.0 + 2.0 * np.exp(-0.75 / 2.0))
    assert one.expected_v == pytest.approx(5.0 * trough, rel=0.01)


def test_a_clipped_wave_is_called_flattened():
    def clipped(t):
        return np.clip(sine(2.0)(t), -1.6, 1.6)

    one = loop_figures(known_traces(output=trace(sine(0.4), clipped)), FACTS).output
    assert one.clips and one.clips_at_first
    # third harmonic of a sine clipped at 0.8 of its peak alone: above 7 %
    assert one.thd > 0.07
    assert not loop_figures(known_traces(), FACTS).output.clips


def test_overshoot_and_drift():
    def hump(t):
        return -4.1 - 0.6 * np.exp(-t / 1e-3) + 0.3 * np.exp(-(((t - 5e-3) / 2e-3) ** 2))

    one = loop_figures(known_traces(control=trace(lambda t: -4.7 + 0.0 * t, hump)), FACTS).control
    assert one.overshoot_share == pytest.approx(0.5, abs=0.01)  # 0.3 of 0.6 V, less what the attack has left then
    slow = trace(lambda t: -4.7 + 0.0 * t, lambda t: -4.7 + 10.0 * t)
    # a straight line moves by a fifth less half a cycle in its last fifth
    assert loop_figures(known_traces(control=slow), FACTS).control.drift_share == pytest.approx(0.2, abs=0.01)


def test_p_channel_is_the_mirror_image():
    there, facts = known_traces(), replace(FACTS, sign=-1.0)

    def mirrored(one):
        return Trace(-one.now, -one.high, -one.mean, -one.low)

    turned = {name: mirrored(getattr(there, name)) for name in ("tap", "control", "gate_source", "output")}
    back = replace(there, rectifier={"an": mirrored(there.rectifier["an"])}, **turned)
    one, other = loop_figures(there, FACTS), loop_figures(back, facts)
    assert other.control.t63_s == pytest.approx(one.control.t63_s)
    assert other.control.pinch_off_v == pytest.approx(-one.control.pinch_off_v)
    assert other.control.ripple_db == pytest.approx(one.control.ripple_db)
    assert other.channel.beyond_pinch_off_v == pytest.approx(one.channel.beyond_pinch_off_v)
    assert other.rectifier[0].passes_s == pytest.approx(one.rectifier[0].passes_s)
    assert other.rectifier[0].above_control_v == pytest.approx(one.rectifier[0].above_control_v)


def test_half_cycles_count_from_the_phase_at_which_the_burst_begins():
    one = known_traces()
    assert loop_figures(one, FACTS).gain.half_cycle == 6  # 2.6 ms
    assert loop_figures(replace(one, phase_rad=0.7 * pi), FACTS).gain.half_cycle == 6  # 5.2 + 0.7
    assert loop_figures(replace(one, phase_rad=0.9 * pi), FACTS).gain.half_cycle == 7  # 5.2 + 0.9


def test_teaching_loop_by_hand(teaching):
    """Amplified, 0 dBu is 27.1 V peak; the rectifier rests at -7 V, the control at -5.0005 V."""
    figures = teaching.figures
    peak_v = AMPLIFIED * sqrt(0.6 * 2.0)
    by_hand_s = asin((7.0 - 5.0005) / peak_v) / (2.0 * pi * 1000.0)
    # 0.2 us: the channel's 18 pF behind 4.75 kohm lag by 0.09 us, steps are 4 us with a straight line between
    assert figures.rectifier[0].passes_s == pytest.approx(by_hand_s, abs=0.2e-6)
    assert figures.control.release_tau_s == pytest.approx(1e6 * 0.15e-6, rel=1e-3)  # R4 C2
    assert figures.control.release_slow_tau_s is None
    assert figures.channel.on_ohm == pytest.approx(4.5 / (2.0 * 15e-3))  # |V_P| / (2 I_DSS)
    assert figures.channel.beyond_pinch_off_v == pytest.approx(0.5005, abs=1e-4)
    # kT/q ln 10 at 26.83 C; 37.67 kohm at pinch-off (formula of the tail) below 4.75 kohm
    assert figures.channel.decade_v == pytest.approx(59.52e-3, abs=1e-5)
    assert figures.channel.at_pinch_off_db == pytest.approx(20.0 * log10(1.0 + 4.75 / 37.67), rel=1e-3)
    assert figures.control.pinch_off_v == pytest.approx(-4.5, abs=1e-6)


def test_dunlin_release_has_the_two_poles_of_its_network(dunlin):
    """C16 discharges through the release path; C1 behind R3 + R4 discharges with it. The quadratic of that network,
    (C16 s + 1/R)(1 + s Rb C1) + s C1 = 0, gives 76 and 524 ms."""
    unit = load_unit("dunlin")
    ohm = {name: part.values["value"] for name, part in unit.parts.items() if part.kind == "resistor"}
    farad = {name: part.values["value"] for name, part in unit.parts.items() if part.kind == "capacitor"}
    release = 0.3 * 6.8e6 + ohm["R65"]
    beside = (ohm["R3"] + ohm["R4"]) * farad["C1"]
    poles = np.roots([farad["C16"] * beside, farad["C16"] + beside / release + farad["C1"], 1.0 / release])
    slow, fast = -1.0 / poles[np.argsort(-1.0 / poles)[::-1]]
    # 5 %: the fit also sees the coupling capacitors of the first 20 ms
    assert dunlin.figures.control.release_tau_s == pytest.approx(fast, rel=0.05)
    assert dunlin.figures.control.release_slow_tau_s == pytest.approx(slow, rel=0.01)


def test_gain_reduction_is_what_the_output_lacks(dunlin):
    """The channel's conductance and the fundamental at the output tell the same story, within 0.02 dB."""
    assert dunlin.figures.output.rise_db == pytest.approx(25.0 - dunlin.figures.gain.change_db, abs=0.02)
    assert dunlin.figures.tap.rise_db == pytest.approx(dunlin.figures.output.rise_db, abs=0.02)


def test_dunlin_is_followed_to_both_rectifiers(dunlin):
    points = dunlin.points
    assert [one.name for one in points.rectifier] == ["an1", "an2"]
    assert (points.tap.plus, points.control.plus, points.output.plus) == ("po", "ctl", "out")
    first, second = dunlin.figures.rectifier
    assert first.passes_s < second.passes_s < 1e-3  # an2 half a cycle later
    assert second.passes_s - first.passes_s == pytest.approx(0.5e-3, rel=0.2)


def test_ripple_of_a_fast_setting_is_worth_what_the_channel_shows():
    one = measure_explain(load_unit("dunlin").changed(attack=0.0, release=0.0), frequency_hz=50.0, quality="draft")
    assert one.figures.control.ripple_db > 1.0
    # worked out from the control alone, against the channel in its circuit: the FET is linearised, 10 % is left
    assert one.figures.control.ripple_db == pytest.approx(one.figures.gain.swing_db, rel=0.1)
    assert one.figures.control.overshoot_share > 0.1


def test_below_the_threshold_the_missing_level_is_told():
    one = measure_explain(load_unit("teaching"), level_dbu=-30.0, quality="draft")
    figures = one.figures
    assert not figures.reduces and not figures.control.moves and not figures.sidechain_off
    swing_v = AMPLIFIED * sqrt(0.6 * 2.0) * 10.0 ** (-30.0 / 20.0)
    assert figures.rectifier[0].missing_db == pytest.approx(20.0 * log10((7.0 - 4.5) / swing_v), abs=0.01)
    assert figures.rectifier[0].above_control_v == pytest.approx(-7.0 + swing_v + 5.0005, abs=1e-3)
    assert figures.channel.opens_s is None and figures.channel.settled_ohm > 1e12
    assert "the highest peak, at " in told(one)["rectifier"].sentence
    pulled = replace(one, figures=replace(figures, control_direction=-1.0))  # a detector that pulls the control down
    assert "the lowest dip, at " in told(pulled)["rectifier"].sentence


def test_phase_and_frequency_are_played(teaching):
    one = measure_explain(load_unit("teaching"), phase_deg=90.0, frequency_hz=997.0, quality="draft", burst_s=0.02)
    assert one.burst.frequency_hz == pytest.approx(997.0, rel=1e-4)
    lead = one.traces.lead
    # the tone stands at its crest when the burst begins
    assert one.traces.source.now[lead - 1] == pytest.approx(sqrt(0.6 * 2.0) * 10.0 ** (-25.0 / 20.0), rel=1e-4)
    cycles = one.traces.burst_s * one.burst.frequency_hz
    assert cycles == pytest.approx(round(cycles))
    assert one.figures.control.t63_s < teaching.figures.control.t63_s  # a crest reaches the rectifier at once


@pytest.mark.parametrize(("name", "rectifier"), [("teaching", ["an"]), ("dunlin", ["an1", "an2"])])
def test_points_that_the_file_names_are_those_that_are_found_without(name, rectifier, tmp_path):
    unit = load_unit(name)
    named = loop_points(unit)
    bare = tmp_path / "bare.toml"
    bare.write_text(re.sub(r"(?m)^(tap_node|rectifier_nodes|preamp) = .*$", "", unit.text), encoding="utf-8")
    found = loop_points(load_unit(bare))
    assert load_unit(bare).gain_cell.tap_node is None and load_unit(bare).gain_cell.rectifier_nodes == ()
    assert named.tap.plus == found.tap.plus == "po"
    assert [one.plus for one in named.rectifier] == [one.plus for one in found.rectifier] == rectifier


def test_a_probe_has_no_say_by_its_name(tmp_path):
    path = changed_text(tmp_path, 'preamp = "po"', 'preamp = "dr"', 'rectifier = "an"', 'rectifier = "rc"')
    points = loop_points(load_unit(path))
    assert points.tap.plus == "po" and [one.plus for one in points.rectifier] == ["an"]


def test_points_can_be_named():
    unit = load_unit("dunlin")
    points = loop_points(unit, tap="divider", rectifier=["rectifier_bus", "an2"])
    assert points.tap.plus == "dr" and [one.plus for one in points.rectifier] == ["bus", "an2"]
    with pytest.raises(InputError, match="did you mean"):
        loop_points(unit, tap="preamq")


def test_a_unit_without_a_gain_cell_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"no \[gain_cell\], so there is no loop to follow"):
        measure_explain(without_gain_cell(tmp_path))


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"before_dbu": 0.0}, "must be louder"),
        ({"level_dbu": 90.0}, "within -100 to 60 dBu"),
        ({"level_dbu": float("nan")}, "must be louder"),
        ({"burst_s": 0.0}, "burst"),
        ({"burst_s": 50.0}, "longer than the 5 s"),
        ({"tail_s": float("inf")}, "tail"),
        ({"phase_deg": float("nan")}, "phase"),
        ({"frequency_hz": 1e6}, "frequency"),
    ],
)
def test_bad_settings_are_refused(settings, said):
    with pytest.raises(InputError, match=said):
        measure_explain(load_unit("teaching"), quality="draft", **settings)


def test_result_is_ready_for_json(teaching):
    import json

    plain = json.loads(json.dumps(teaching.to_dict(), allow_nan=False))
    assert plain["figures"]["channel"]["rest_ohm"] > 1e12 and "traces" not in plain
    assert plain["burst"]["level_dbu"] == 0.0
