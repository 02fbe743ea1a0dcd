"""Sentences of a burst: which ones are said is up to the figures, and what they say are those figures."""

from dataclasses import replace
from math import inf

import pytest
from matplotlib.transforms import Bbox

from fetsim.measurements.explain.procedure import measure_explain
from fetsim.measurements.explain.sentences import duration, told
from fetsim.report.explain.picture import draw
from fetsim.schematic.load import load_unit

TRACES = ["source", "tap", "rectifier", "control", "channel", "gain", "output"]


@pytest.fixture(scope="module")
def dunlin():
    return measure_explain(load_unit("dunlin"), quality="draft", burst_s=0.1)


@pytest.fixture(scope="module")
def loud():
    return measure_explain(load_unit("teaching"), quality="draft", level_dbu=10.0, burst_s=0.02)


def said(one, **different):
    """Name of the trace -> sentence, with some figures of some parts replaced: ``gain={"left_db": 3.0}``."""
    figures = one.figures
    for part, changes in different.items():
        figures = replace(figures, **{part: replace(getattr(figures, part), **changes)})
    return {name: row.sentence for name, row in told(replace(one, figures=figures)).items()}


def test_every_trace_has_one_sentence(dunlin, loud):
    for one in (dunlin, loud):
        rows = told(one)
        assert list(rows) == TRACES
        for row in rows.values():
            assert row.sentence.endswith(".") and ". " not in row.sentence
            assert "None" not in row.sentence and "nan" not in row.sentence and "inf" not in row.sentence
    assert told(dunlin)["rectifier"].where == "an1, an2"
    assert told(dunlin)["tap"].title == "Sidechain tap"


def test_sentences_tell_the_figures(dunlin):
    words, figures = said(dunlin), dunlin.figures
    settled = f"{figures.channel.settled_ohm / 1e3:.3g} kohm"
    assert f"after {duration(figures.control.t63_s)}, in the first half-cycle" in words["control"]
    assert f"it conducts after {duration(figures.channel.opens_s)} and settles at {settled}" in words["channel"]
    assert f"Comes to {figures.gain.settled_db:.1f} dB" in words["gain"]
    assert f"63 % is given back in {duration(figures.gain.release_t63_s)}" in words["gain"]
    assert f"25 dB more in gives {figures.output.rise_db:.1f} dB more out" in words["output"]
    assert "two stages" in words["control"] and f"{duration(figures.control.release_slow_tau_s)}" in words["control"]
    assert f"an1 comes above the control voltage after {duration(figures.rectifier[0].passes_s)}" in words["rectifier"]


@pytest.mark.parametrize(
    ("half_cycle", "ordinal"), [(1, "first"), (10, "tenth"), (11, "11th"), (22, "22nd"), (103, "103rd"), (112, "112th")]
)
def test_half_cycles_are_counted_in_words(dunlin, half_cycle, ordinal):
    assert f"in the {ordinal} half-cycle" in said(dunlin, control={"half_cycle": half_cycle})["control"]


@pytest.mark.parametrize(
    ("trace", "different", "wanted", "unwanted"),
    [
        ("control", {"control": {"ripple_db": 0.6, "ripple_v": 0.02, "ripple_hz": 2000.0}},
         "once settled, it ripples by 20 mV at 2000 Hz, worth 0.6 dB of gain", "its ripple is worth"),
        ("control", {"control": {"ripple_db": 0.02}}, "its ripple is worth 0.02 dB", "it ripples by"),
        ("control", {"control": {"ripple_db": None}}, "Reaches 63 %", "ripple"),
        ("control", {"control": {"overshoot_share": 0.3}}, "it goes 30 % too far first", "not settled"),
        ("control", {"control": {"drift_share": 0.1}}, "it has not settled: it still goes 10 %", "too far"),
        ("control", {"control": {"release_slow_tau_s": None}}, "falls back with a time constant of", "stages"),
        ("control", {"control": {"release_tau_s": None, "release_reason": "bent"}}, "no time constant", "falls back"),
        ("control", {"control": {"t63_s": None, "half_cycle": None}}, "Moves from", "63 %"),
        ("gain", {"gain": {"before_db": 2.0}}, "Grows from 2.0 to", "Comes to"),
        ("gain", {"gain": {"swing_db": 1.0}, "control": {"ripple_db": 0.9}}, "nearly all ripple of the control", "own"),
        ("gain", {"gain": {"swing_db": 1.0}, "control": {"ripple_db": 0.1}}, "0.1 dB of it ripple", "nearly"),
        ("gain", {"gain": {"recovered_s": None, "left_db": 3.0}}, "3.0 dB is left when the record ends", "all but"),
        ("channel", {"channel": {"rest_ohm": 2e3, "beyond_pinch_off_v": -0.1}},
         "Conducts before the burst already, 2 kohm, and", "beyond"),
        ("channel", {"channel": {"rest_ohm": 3e5, "shows_at_rest": True}},
         "Conducts before the burst already, 300 kohm with its gate 117 mV beyond pinch-off, and", "at rest"),
        ("channel", {}, "falls by a decade in 59.5 mV, and this tail alone takes 1 dB by the time", "already"),
        ("channel", {"channel": {"settled_ohm": 151.0}}, "as low as the gate can bring it", "times its least"),
        ("channel", {"channel": {"opens_s": None, "settled_ohm": inf}}, "Stays pinched off", "conducts"),
        ("output", {"output": {"clips": True}}, "Is flattened at", "loudest"),
        ("output", {"output": {"clips_at_first": True}}, "The loudest peak (flattened: clipped) is", "Is flattened"),
        ("output", {"output": {"overshoot_db": 0.1}}, "No peak stands out", "loudest"),
        ("output", {"output": {"rise_db": None}}, "comes to", "more in"),
        ("output", {"output": {"thd": None}}, "dB more out.", "harmonics"),
        ("output", {"output": {"thd": 1e-7}}, "less than 0.001 % of harmonics", "1e-05"),
        ("channel", {"control": {"drift_share": 0.1}}, "and ends at", "settles"),
        ("tap", {"control": {"drift_share": 0.1}}, "and ends at", "settles"),
        ("tap", {"tap": {"first_peak_s": 1.0}}, "with the loop at work already", "before the loop"),
        ("tap", {"gain": {"settled_db": 0.0}, "tap": {"rise_db": 25.0}}, "as much as the source", "Peaks"),
        ("tap", {"gain": {"settled_db": 0.0}, "tap": {"rise_db": 20.0}}, "the stages before it give way", "as much"),
    ],
)  # fmt: skip
def test_conditions_choose_the_words(dunlin, trace, different, wanted, unwanted):
    sentence = said(dunlin, **different)[trace]
    assert wanted in sentence and unwanted not in sentence, sentence


def test_nothing_happens_below_the_threshold():
    one = measure_explain(load_unit("teaching"), level_dbu=-30.0, quality="draft", burst_s=0.02)
    words = said(one)
    missing = one.figures.rectifier[0].missing_db
    assert words["rectifier"].startswith("Nothing happens: the highest peak, at an, stays 1.14 V short of the control")
    assert f"would have to be {missing:.1f} dB louder at the least" in words["rectifier"]
    assert words["control"].startswith("Stands still at -5.001 V (it moves by less than 1 mV), 501 mV from where")
    assert words["channel"].startswith("Stays pinched off") and "gain changes by 0.00 dB" in words["gain"]
    assert words["tap"] == "Rises by 25.0 dB, as much as the source: nothing is turned down."


def test_a_fet_that_conducts_at_rest_is_not_asked_to():
    one = measure_explain(load_unit("teaching").changed(V2="-3V"), level_dbu=-10.0, quality="draft", burst_s=0.02)
    words = said(one)
    assert "for the control to move, the burst would have to be" in words["rectifier"]
    assert words["control"] == "Stands still at -3.001 V (it moves by less than 1 mV)."
    assert words["channel"].startswith("Conducts before the burst already, 450 ohm, and settles at 450 ohm, 3 times")


def test_a_control_that_moves_too_little():
    """Half a volt is missing to pinch-off; 2 dB under the threshold the control has moved, the FET has not."""
    one = measure_explain(load_unit("teaching"), level_dbu=-20.0, quality="draft", burst_s=0.1)
    assert one.figures.control.moves and not one.figures.reduces
    short = one.figures.control.pinch_off_v - one.figures.control.settled_v
    assert f", {1e3 * short:.3g} mV short of where the FET begins to conduct" in said(one)["control"]


def test_sidechain_off_and_driven_hard():
    unit = load_unit("dunlin").changed(curve="none")
    one = measure_explain(unit, quality="draft", burst_s=0.05)
    assert one.figures.sidechain_off and not one.figures.reduces and not one.figures.control.moves
    assert one.figures.output.rise_db == pytest.approx(25.0, abs=0.02)  # the tail takes 0.014 dB at the crests
    assert said(one)["rectifier"].endswith("the sidechain is off.")
    hard = measure_explain(unit, quality="draft", burst_s=0.05, level_dbu=24.0)
    words = said(hard)
    assert "driven by the gate and not by the rectifier" in words["control"]
    assert words["tap"].startswith("Is flattened at")
    assert hard.figures.output.thd > 0.4  # the output transformer tilts the tops of the clipped wave: none is flat
    assert words["output"].startswith("Is flattened at") and "of harmonics" in words["output"]


def test_saturation_is_told():
    one = measure_explain(load_unit("dunlin"), level_dbu=30.0, before_dbu=-30.0, quality="draft", burst_s=0.1)
    words, figures = said(one), one.figures
    assert figures.output.clips_at_first and figures.tap.clips_at_first and figures.channel.bottoms_out
    assert max(found.loss_db for found in figures.rectifier) > 6.0
    assert "the sidechain amplifier saturates" in words["rectifier"]
    assert "(flattened: clipped here or before)" in words["tap"]
    assert "as low as the gate can bring it" in words["channel"]


@pytest.mark.parametrize(
    ("seconds", "text"), [(41e-6, "41 us"), (999.4e-6, "999 us"), (0.9996e-3, "1 ms"), (1.05, "1.05 s")]
)
def test_durations(seconds, text):
    assert duration(seconds) == text


def test_picture_has_no_overlapping_words(dunlin):
    figure = draw({"": dunlin}, "One burst")
    figure.canvas.draw()
    sentences = [text.get_window_extent() for text in figure.texts if text.get_text() != "One burst"]
    assert len(sentences) == len(TRACES)
    titles = [panel._left_title for panel in figure.axes]
    boxes = sentences + [title.get_window_extent() for title in titles if title.get_text()]
    frame = Bbox.from_bounds(0, 0, *figure.canvas.get_width_height())
    for k, box in enumerate(boxes):
        assert frame.x0 <= box.x0 and box.x1 <= frame.x1 and frame.y0 <= box.y0
        assert not any(box.overlaps(other) for other in boxes[k + 1 :])
    panels = [panel.get_window_extent() for panel in figure.axes]
    assert not any(panel.overlaps(sentence) for panel in panels for sentence in sentences)
