"""What a burst's record holds besides the loop's own traces, and when its sentences come true."""

import numpy as np
import pytest

from fetsim.measurements.explain.moments import moments
from fetsim.measurements.explain.procedure import measure_explain
from fetsim.measurements.explain.sentences import told
from fetsim.schematic.load import load_unit

SETTINGS = {"quality": "draft", "burst_s": 0.02, "tail_s": 0.4}


@pytest.fixture(scope="module")
def teaching():
    return measure_explain(load_unit("teaching"), moving=True, **SETTINGS)


def test_the_loop_s_own_traces_do_not_change(teaching):
    plain = measure_explain(load_unit("teaching"), **SETTINGS)
    assert not plain.traces.nodes and not plain.traces.currents
    for name in ("source", "tap", "control", "conductance", "output"):
        np.testing.assert_array_equal(getattr(plain.traces, name).now, getattr(teaching.traces, name).now)
    assert plain.to_dict()["figures"] == teaching.to_dict()["figures"]


def test_the_diode_carries_what_the_resistor_behind_it_does(teaching):
    """By Ohm's law over R3 (1 kohm, from the cathode to the control node); the diode's own 2 pF carry the rest.

    Newton's last change of the diode's voltage, dv, leaves the law's current off by (dv / 45 mV)^2 / 2: 2 % for 9 mV.
    """
    traces = teaching.traces
    assert list(traces.nodes) == ["dr", "g", "po", "rc", "ctl"] and list(traces.currents) == ["J1", "D1"]
    through_r3_a = (traces.nodes["rc"].now - traces.nodes["ctl"].now) / 1e3
    steepest = np.max(np.abs(np.diff(traces.rectifier["an"].now - traces.nodes["rc"].now))) * traces.rate_hz
    np.testing.assert_allclose(traces.currents["D1"].now, through_r3_a, rtol=0.04, atol=4e-12 * steepest)
    assert np.max(through_r3_a) > 1e-3
    np.testing.assert_array_equal(traces.nodes["ctl"].mean, traces.control.mean)


def test_every_sentence_has_its_instant(teaching):
    figures, found = teaching.figures, moments(teaching)
    at = {one.event: one.at_s for one in found}
    end_s = teaching.burst.duration_s
    assert at == {
        "The burst begins": 0.0,
        "an passes the control voltage": figures.rectifier[0].passes_s,
        "The control voltage begins to move": figures.control.starts_s,
        "J1 conducts": figures.channel.opens_s,
        "63 % of the control's change": figures.control.t63_s,
        "63 % of the gain reduction": figures.gain.t63_s,
        "Largest swing of the first cycle at the tap": figures.tap.first_peak_s,
        "Largest swing of the first cycle at the output": figures.output.first_peak_s,
        "The burst ends": end_s,
        "63 % of the gain is given back": end_s + figures.gain.release_t63_s,
        "All but 0.5 dB is given back": end_s + figures.gain.recovered_s,
    }
    assert [one.at_s for one in found] == sorted(at.values())
    sentences = [row.sentence for row in told(teaching).values()]
    assert sorted(one.sentence for one in found if one.sentence) == sorted(sentences)


def test_what_never_happens_is_told_at_the_end():
    one = measure_explain(load_unit("teaching"), level_dbu=-30.0, quality="draft", burst_s=0.005, tail_s=0.01)
    late = {found.event for found in moments(one) if found.at_s == one.burst.duration_s}
    assert late == {
        "The rectifier rests", "J1 stays pinched off", "The control voltage at the end", "The gain at the end",
        "The burst ends",
    }  # fmt: skip
