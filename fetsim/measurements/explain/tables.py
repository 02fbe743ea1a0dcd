"""A burst round the loop in words, as a table and definitions; its traces as rows of a CSV file."""

from collections.abc import Mapping
from functools import partial

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.measurements.distortion.harmonics import HIGHEST_HARMONIC
from fetsim.measurements.explain.figures import NEAR_DB, VISIBLE
from fetsim.measurements.explain.procedure import Explanation
from fetsim.measurements.explain.sentences import told
from fetsim.measurements.explain.traces import Trace
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import LAW, LEVELS, OWN, PRACTICE, Definition
from fetsim.measurements.results.table import Cell, Column, Table

LOOP = (
    Column(key="version", heading="version"),
    Column(key="trace", heading="trace"),
    Column(key="at", heading="at"),
    Column(key="sentence", heading="what it does", folds=True),
)


def account(measured: Mapping[str, Explanation]) -> Account:
    """Label of the version -> explanation."""
    made = next(iter(measured.values())).provenance
    rows: list[tuple[Cell, ...]] = [
        (label, row.title, row.where, row.sentence) for label, one in measured.items() for row in told(one).values()
    ]
    return Account(
        title=f"One burst round the loop of {made.unit}, quality {made.quality}.",
        tables=(Table(key="loop", title="Round the loop", columns=LOOP, rows=rows, heads=2),),
        definitions=(LEVELS, *DEFINITIONS),
        readings=partial(_readings, measured),
    )


def _readings(measured: Mapping[str, Explanation]) -> list[dict[str, str | float | int | None]]:
    """The record before and in the burst at full rate; after it a row a cycle, with means and ranges."""
    named = len(measured) > 1
    return [
        {**({"version": label} if named else {}), **row} for label, one in measured.items() for row in _rows(one)
    ]


def _rows(one: Explanation) -> list[dict[str, float]]:
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
    after = {key: values for name, trace in named.items() for key, values in _after(name, trace).items()}
    middle_s = traces.burst_s + traces.after_s
    return rows + [
        {"time_s": time, **{key: float(values[k]) for key, values in after.items()}}
        for k, time in enumerate(middle_s.tolist())
    ]


def _after(name: str, trace: Trace) -> dict[str, Array]:
    return {name: trace.mean, f"{name}_lowest": trace.low, f"{name}_highest": np.asarray(trace.high)}


DEFINITIONS = (
    Definition(
        term="63 %",
        meaning="first passing of 1 - 1/e of the change from the mean over the last period of the tone before the "
        "burst to the mean over the last period of the burst: of the control in volts, of the gain reduction in dB",
        status=PRACTICE,
    ),
    Definition(term="half-cycle", meaning="of the source's tone; the burst begins in the first", status=OWN),
    Definition(
        term="gain reduction",
        meaning="of the FET's channel in its divider, at every instant; after the burst its mean over a cycle",
        status=OWN,
    ),
    Definition(
        term="ripple's worth",
        meaning="gain that the control's ripple would make by the law of the FET",
        status=LAW,
    ),
    Definition(
        term="conducts",
        meaning=f"the channel's resistance comes under {VISIBLE:g} times the impedance that it works against, which "
        f"takes {20.0 * np.log10(1.0 + 1.0 / VISIBLE):.2f} dB",
        status=OWN,
    ),
    Definition(
        term="peaks",
        meaning="count from the mean before the burst; the overshoot of a peak ends when all later cycles peak within "
        f"{NEAR_DB:g} dB of the last one",
        status=OWN,
    ),
    Definition(
        term="time constants",
        meaning="of the one exponential or the two that fit the control, cycle by cycle, after the burst",
        status=OWN,
    ),
    Definition(
        term="harmonics",
        meaning=f"the second to number {HIGHEST_HARMONIC} over the fundamental, at the end of the burst",
        status=PRACTICE,
    ),
)
