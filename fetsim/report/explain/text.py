"""A burst round the loop in plain words, and its traces as rows of a table file."""

from typing import Any

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.measurements.explain.figures import NEAR_DB, VISIBLE
from fetsim.measurements.explain.procedure import Explanation
from fetsim.measurements.explain.traces import Trace
from fetsim.report.explain.sentences import told
from fetsim.report.look.columns import columns, page, paragraph, section

DEFINITIONS = (
    "63 %: first passing of 1 - 1/e of the change from the mean over the last period of the tone before the burst "
    "to the mean over the last period of the burst, of the control in volts and of the gain reduction in dB "
    "(common practice, no source). Half-cycles are those of the source's tone; the burst begins in the first. "
    "Gain reduction is that of the FET's channel in its divider, at every instant; after the burst its mean over "
    "a cycle. Peaks count from the mean before the burst. The channel conducts when its resistance comes under "
    f"{VISIBLE:g} times the impedance that it works against (0.09 dB). The overshoot of a peak ends when all later "
    f"cycles peak within {NEAR_DB:g} dB of the last one. Time constants are those of the exponential, or the two, "
    "that fit the control cycle by cycle after the burst. Harmonics: the second to the tenth over the "
    "fundamental, at the end of the burst. Levels are those of the source without load."
)


def explain_page(one: Explanation) -> str:
    """The loop, trace by trace, each with its sentence."""
    rows = [(row.title, row.where, row.sentence) for row in told(one).values()]
    return page([
        f"One burst round the loop of {one.unit}, quality {one.quality}.",
        section("Round the loop", columns(("trace", "at", "what it does"), rows, rigid=(0, 1))),
        section("Definitions", paragraph(DEFINITIONS)),
    ])  # fmt: skip


def explain_dict(one: Explanation) -> dict[str, Any]:
    """Settings, figures and sentences for JSON."""
    told_rows = {name: {"at": row.where, "sentence": row.sentence} for name, row in told(one).items()}
    return {**one.to_dict(), "traces": told_rows}


def explain_rows(one: Explanation) -> list[dict[str, str | float | None]]:
    """The record before and in the burst at full rate; after it one row a cycle, with the means of what is slow and the
    range of what is not."""
    traces = one.traces
    named = {
        "source_v": traces.source, "tap_v": traces.tap,
        **{f"rectifier_{name}_v": trace for name, trace in traces.rectifier.items()},
        "control_v": traces.control, "channel_conductance_s": traces.conductance,
        "gain_reduction_db": traces.reduction, "output_v": traces.output,
    }  # fmt: skip
    rows = [
        {"time_s": time, **{name: float(trace.now[k]) for name, trace in named.items()}}
        for k, time in enumerate(traces.time_s.tolist())
    ]
    after = {name: _after(name, trace) for name, trace in named.items()}
    middle_s = traces.burst_s + traces.after_s
    return rows + [
        {"time_s": time, **{key: float(values[k]) for one_trace in after.values() for key, values in one_trace.items()}}
        for k, time in enumerate(middle_s.tolist())
    ]


def _after(name: str, trace: Trace) -> dict[str, Array]:
    return {name: trace.mean, f"{name}_lowest": trace.low, f"{name}_highest": np.asarray(trace.high)}
