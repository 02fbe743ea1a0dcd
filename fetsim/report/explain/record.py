"""A burst as page and film show it: few enough numbers to be handed on, and no peak lost.

An entry is a short time with what came in it; a step's sample belongs to the time that ends with it. The burst's
beginning is kept step by step. From there to its end each entry holds the least and the largest of so many steps, and
after it, of so many cycles; nothing is smoothed or skipped.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

from fetsim.engine.assembly import Array
from fetsim.measurements.explain.figures import VISIBLE
from fetsim.measurements.explain.procedure import Explanation
from fetsim.measurements.explain.sentences import duration
from fetsim.measurements.explain.traces import Trace
from fetsim.report.explain.loop import CHANNEL, CONTROL, CURRENT, GAIN, NODE, OUTPUT, RECTIFIER, SOURCE, TAP
from fetsim.report.explain.picture import beginning

BURST_ENTRIES, AFTER_ENTRIES = 4000, 1200  # at the most
LARGEST_OHM = 1e12  # a channel that carries nothing


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """Entries of one length, ``count`` of them from ``start_s`` on."""

    start_s: float
    """From the burst's beginning."""
    entry_s: float
    count: int
    samples: int
    """Steps in an entry; cycles after the burst."""


@dataclass(frozen=True, kw_only=True)
class Entries:
    """Least and largest value of a trace in each entry of all stretches [shape=(n,)]."""

    low: Array
    high: Array


@dataclass(frozen=True, kw_only=True)
class Record:
    """All traces of a burst, entry by entry."""

    stretches: tuple[Stretch, ...]
    entries: Mapping[str, Entries]
    """Name of the trace, as in a drawn loop -> its entries: volts, ohms of the channel, decibels, amperes without
    their sign."""
    visible_ohm: float
    """What the gain cell's FET has to come under to be called conducting."""

    @property
    def count(self) -> int:
        return sum(one.count for one in self.stretches)

    def index(self, at_s: float) -> int:
        """The entry that an instant lies in, or the nearest one."""
        first = 0
        for number, one in enumerate(self.stretches):
            place = ceil((at_s - one.start_s) / one.entry_s - 1e-6) - 1
            if place < one.count or number == len(self.stretches) - 1:
                return first + min(max(place, 0), one.count - 1)
            first += one.count
        raise AssertionError("a record has stretches")

    def at(self, key: str, at_s: float) -> tuple[float, float]:
        """Least and largest value in the entry of an instant."""
        found, index = self.entries[key], self.index(at_s)
        return float(found.low[index]), float(found.high[index])

    @property
    def resolution(self) -> str:
        """Which entry is how long, in words."""
        steps, *more = self.stretches
        begin, end = duration(-steps.start_s), duration(steps.start_s + steps.count * steps.entry_s)
        step = duration(steps.entry_s)
        told = [f"From {begin} before the burst to {end} after it began every step of {step} is kept."]
        later = (("From there to the burst's end", "step"), ("After it", "cycle"))
        for one, (where, what) in zip(more, later, strict=True):
            if one.count:
                some = f"{one.samples} {what}s" if one.samples > 1 else f"one {what}"
                told.append(f"{where} each entry of {duration(one.entry_s)} has the least and largest value of {some}.")
        return " ".join(told)


def recorded(one: Explanation) -> Record:
    """The record of a burst measured with ``moving=True``."""
    traces = one.traces
    start = beginning(traces, one.figures.control.t63_s)
    rest = traces.source.now.size - start.stop
    steps = max(1, ceil(rest / BURST_ENTRIES))
    cycles = traces.source.low.size
    together = max(1, ceil(cycles / AFTER_ENTRIES))
    step_s, time_s = 1.0 / traces.rate_hz, traces.time_s
    stretches = (
        Stretch(start_s=float(time_s[start.start]) - step_s, entry_s=step_s, count=start.stop - start.start, samples=1),
        Stretch(start_s=float(time_s[start.stop - 1]), entry_s=steps * step_s, count=ceil(rest / steps),
                samples=steps),
        Stretch(start_s=traces.burst_s, entry_s=together / traces.frequency_hz, count=ceil(cycles / together),
                samples=together),
    )  # fmt: skip

    def entries(trace: Trace) -> Entries:
        after, within = _starts(cycles, together), _starts(rest, steps)
        return Entries(
            low=_joined(trace.now, start, np.minimum, within, trace.low, after),
            high=_joined(trace.now, start, np.maximum, within, trace.high, after),
        )

    found = {key: entries(trace) for key, trace in _volts(one).items()}
    conductance = entries(traces.conductance)
    found[CHANNEL] = Entries(low=_ohm(conductance.high), high=_ohm(conductance.low))
    found |= {f"{CURRENT}{name}": _unsigned(entries(trace)) for name, trace in traces.currents.items()}
    return Record(stretches=stretches, entries=found, visible_ohm=VISIBLE * one.divider_ohm)


def _volts(one: Explanation) -> dict[str, Trace]:
    """All traces that are kept as they are."""
    traces = one.traces
    return {
        SOURCE: traces.source, TAP: traces.tap, CONTROL: traces.control, GAIN: traces.reduction, OUTPUT: traces.output,
        **{f"{RECTIFIER}{name}": trace for name, trace in traces.rectifier.items()},
        **{f"{NODE}{name}": trace for name, trace in traces.nodes.items()},
    }  # fmt: skip


def _starts(count: int, together: int) -> NDArray[np.intp]:
    return np.arange(0, count, together)


def _joined(
    now: Array, start: slice, extreme: np.ufunc, within: NDArray[np.intp], cycles: Array, after: NDArray[np.intp]
) -> Array:
    burst = extreme.reduceat(now[start.stop :], within) if within.size else now[:0]
    return np.concatenate((now[start], burst, extreme.reduceat(cycles, after)))


def _ohm(conductance_s: Array) -> Array:
    return np.asarray(1.0 / np.maximum(conductance_s, 1.0 / LARGEST_OHM))


def _unsigned(one: Entries) -> Entries:
    low, high = np.abs(one.low), np.abs(one.high)
    through_zero = (one.low < 0.0) & (one.high > 0.0)
    return Entries(low=np.where(through_zero, 0.0, np.minimum(low, high)), high=np.maximum(low, high))
