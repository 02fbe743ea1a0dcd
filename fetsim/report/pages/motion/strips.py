"""The traces of a burst's beginning as still drawings with the instants marked: what is printed of what moves."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.report.explain.record import Record
from fetsim.report.explain.rows import Row

WIDTH, HEIGHT = 600.0, 40.0
COLUMNS = 300


@dataclass(frozen=True, kw_only=True)
class Strip:
    """One trace: the outline of its least and largest values, and of what is drawn with it."""

    row: Row
    outline: str
    beside: str
    marks: tuple[tuple[int, float], ...]
    """Number of a still and its x, of those that lie in the beginning."""


def strips(record: Record, shown: Sequence[Row], instants_s: Sequence[float]) -> tuple[Strip, ...]:
    """A strip for each row."""
    steps = record.stretches[0]
    length_s = steps.count * steps.entry_s
    marks = tuple(
        (number, WIDTH * (at_s - steps.start_s) / length_s)
        for number, at_s in enumerate(instants_s, 1)
        if at_s < steps.start_s + length_s
    )
    return tuple(
        Strip(
            row=row,
            outline=_outline(record.entries[row.key].low[: steps.count], row),
            beside=_outline(record.entries[row.beside].low[: steps.count], row) if row.beside else "",
            marks=marks,
        )
        for row in shown
    )


def _outline(values: Array, row: Row) -> str:
    """Points of a polyline that goes through the least and the largest value of every column."""
    starts = np.unique(np.linspace(0, values.size, COLUMNS, endpoint=False).astype(np.intp))
    low, high = (extreme.reduceat(values, starts) for extreme in (np.minimum, np.maximum))
    x = WIDTH * starts / values.size
    return " ".join(
        f"{place:.1f},{height:.1f}"
        for place, pair in zip(np.repeat(x, 2), np.column_stack((low, high)).ravel(), strict=True)
        for height in (_y(pair, row),)
    )


def _y(value: float, row: Row) -> float:
    if row.unit == "ohm":
        share = np.log(min(max(value, row.low), row.high) / row.low) / np.log(row.high / row.low)
    else:
        share = (value - row.low) / (row.high - row.low)
    return float(HEIGHT * (1.0 - share))
