"""What page and film show of a burst, row by row."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from fetsim.devices.diode import CONDUCTING_A
from fetsim.measurements.explain.procedure import Explanation
from fetsim.measurements.explain.sentences import told
from fetsim.report.explain.loop import (
    CHANNEL,
    CONTROL,
    GAIN,
    NODE,
    OUTPUT,
    RECTIFIER,
    SOURCE,
    TAP,
    Box,
    Loop,
)
from fetsim.report.explain.record import Record

COLOURS = {SOURCE: "amber", TAP: "blue", CONTROL: "wine", CHANNEL: "teal", GAIN: "wine", OUTPUT: "blue"}
LEAST_SPAN_DB = 1.0


@dataclass(frozen=True, kw_only=True)
class Row:
    """One trace."""

    key: str
    title: str
    where: str
    unit: str
    """V, ohm, dB or A."""
    colour: str = "muted"
    beside: str = ""
    """Trace that is drawn with it, dashed."""
    low: float = 0.0
    """Ends of its scale."""
    high: float = 1.0


def rows(one: Explanation, loop: Loop, record: Record) -> tuple[Row, ...]:
    """Every voltage on the way in and round the sidechain, then what the FET makes of it, then what comes out."""
    titles = {name: row.title for name, row in told(one).items()}
    there, back, on = _in_order(loop)

    def volts(boxes: Sequence[Box]) -> Iterator[Row]:
        for box in boxes:
            for where, key in box.points:
                rectifies = key.startswith(RECTIFIER)
                held = key == CONTROL and loop.holder
                low, high = _scale(record, key, *([CONTROL] if rectifies else []))
                yield Row(
                    key=key,
                    title=f"Behind {box.title}" if key.startswith(NODE) else titles["rectifier" if rectifies else key],
                    where=f"{loop.holder}, {where}" if held else where if key != SOURCE else "input",
                    unit="V",
                    colour="blue" if rectifies else COLOURS.get(key, "muted"),
                    beside=CONTROL if rectifies else "",
                    low=low,
                    high=high,
                )

    channel, gain, fet = one.figures.channel, record.entries[GAIN], one.points.cell.fet
    most_db = max(LEAST_SPAN_DB, float(np.max(gain.high)))
    cell = (
        Row(key=CHANNEL, title=titles[CHANNEL], where=fet, unit="ohm", colour=COLOURS[CHANNEL],
            low=0.7 * min(channel.on_ohm, channel.least_ohm), high=record.visible_ohm),
        Row(key=GAIN, title=titles[GAIN], where=fet, unit="dB", colour=COLOURS[GAIN],
            low=min(0.0, float(np.min(gain.low))), high=1.05 * most_db),
    )  # fmt: skip
    return (*volts(there), *volts(back), *cell, *volts(on))


def devices(loop: Loop) -> tuple[Row, ...]:
    """Every diode and transistor but the gain cell's FET."""
    return tuple(
        Row(key=key, title=name, where=box.title, unit="A", high=CONDUCTING_A)
        for boxes in _in_order(loop)
        for box in boxes
        for name, key in box.devices
    )


def _in_order(loop: Loop) -> tuple[Sequence[Box], Sequence[Box], Sequence[Box]]:
    """Boxes of the signal's way to where the sidechain is fed, of the sidechain and what lies beside it, and of the
    signal's way from there on."""
    way = [box for box in loop.boxes if box.column == 0]
    back = sorted((box for box in loop.boxes if box.column == 1), key=lambda box: -box.row)
    feeds = {arrow.start for arrow in loop.arrows if any(box.stage == arrow.end for box in back)}
    last = max((number for number, box in enumerate(way) if box.stage in feeds), default=len(way) - 1)
    return way[: last + 1], back, way[last + 1 :]


def _scale(record: Record, *keys: str) -> tuple[float, float]:
    """Ends of a scale that holds these traces, with a little room."""
    found = [record.entries[key] for key in keys]
    low, high = min(float(np.min(one.low)) for one in found), max(float(np.max(one.high)) for one in found)
    room = max(0.05 * (high - low), 1e-6)
    return low - room, high + room
