"""One burst at a few instants, each a drawing of the loop with its values: for paper, and where no script runs."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import floor, log, log10

import numpy as np

from fetsim.devices.diode import CONDUCTING_A
from fetsim.measurements.explain.moments import Moment
from fetsim.measurements.explain.procedure import Explanation
from fetsim.measurements.explain.sentences import duration
from fetsim.report.explain.record import Record
from fetsim.report.explain.rows import Row
from fetsim.schematic.values import format_value

STILLS = 6
QUANTITIES = {"V": "volt", "ohm": "ohm", "A": "ampere"}
SCALES = {"f": 1e-15, "p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6, "G": 1e9, "T": 1e12}
DIGITS, RANGE_DIGITS = 4, 3
NOTHING = 1e-9  # volts, amperes: less is told as nothing


@dataclass(frozen=True, kw_only=True)
class Still:
    """What stands in the drawing at one instant."""

    number: int
    at_s: float
    title: str
    texts: Mapping[str, str]
    """Trace -> its value in words."""
    lit: frozenset[str]
    """Devices that conduct."""
    bar: float
    """Share of the resistance's bar that is filled."""


def stills(
    one: Explanation, record: Record, shown: Sequence[Row], devices: Sequence[Row], moments: Sequence[Moment]
) -> tuple[Still, ...]:
    """Before the burst, and at five of its moments at the most."""
    events: dict[float, str] = {-0.25 / one.burst.frequency_hz: "Before the burst"}
    for moment in moments:
        if moment.at_s > 0.0:
            events.setdefault(moment.at_s, moment.event)
    chosen = np.unique(np.linspace(0, len(events) - 1, min(STILLS, len(events))).round().astype(int))
    instants = sorted(events)
    return tuple(
        still(record, shown, devices, instants[place], events[instants[place]], number)
        for number, place in enumerate(chosen.tolist(), 1)
    )


def still(
    record: Record, shown: Sequence[Row], devices: Sequence[Row], at_s: float, event: str, number: int = 0
) -> Still:
    """The drawing's contents at an instant."""
    currents = {row.key: record.at(row.key, at_s) for row in devices}
    bar = next(row for row in shown if row.unit == "ohm")
    return Still(
        number=number,
        at_s=at_s,
        title=f"{number}. {instant(at_s)}: {event}",
        texts={row.key: value_text(row, *record.at(row.key, at_s)) for row in shown},
        lit=frozenset(key for key, (_, high) in currents.items() if high > CONDUCTING_A),
        bar=filled_share(bar, record.at(bar.key, at_s)[0]),
    )


def filled_share(row: Row, ohm: float) -> float:
    """How much of a bar a resistance fills, its scale being logarithmic."""
    share = log(max(ohm, 1e-3) / row.low) / log(row.high / row.low)
    return min(max(share, 0.0), 1.0)


def instant(at_s: float) -> str:
    """As ``41 us``, counted from the burst's beginning; before it with a minus."""
    return f"\N{MINUS SIGN}{duration(-at_s)}" if at_s < 0.0 else duration(at_s)


def value_text(row: Row, low: float, high: float) -> str:
    """A value, or the range that an entry holds, short enough for a box."""
    if row.unit == "dB":
        texts = [f"{number + 0.0:.2f}" for number in (low, high)]
        texts = ["0.00" if text == "-0.00" else text for text in texts]
        return _minus(f"{_range(*texts)} dB")
    if row.unit == "ohm" and low > row.high:
        return f"over {format_value(row.high, 'ohm', 3)}"
    high = min(high, row.high) if row.unit == "ohm" else high
    largest = max(abs(low), abs(high))
    if largest < NOTHING:
        return f"0 {row.unit}"
    digits = DIGITS if low == high else RANGE_DIGITS
    unit = format_value(largest, QUANTITIES[row.unit], digits).split()[1]
    scale = SCALES[unit.removesuffix(row.unit)]
    decimals = max(0, digits - 1 - floor(log10(largest / scale) + 1e-12))
    return _minus(f"{_range(*(_trimmed(number / scale, decimals) for number in (low, high)))} {unit}")


def _range(first: str, last: str) -> str:
    return first if first == last else f"{first}\N{HORIZONTAL ELLIPSIS}{last}"


def _trimmed(number: float, decimals: int) -> str:
    """Without zeros at the end, and without the sign of a zero."""
    text = f"{number:.{decimals}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text


def _minus(text: str) -> str:
    return text.replace("-", "\N{MINUS SIGN}")
