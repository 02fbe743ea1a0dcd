"""Traces of what is probed, as an oscilloscope shows them: a stretch that begins where the first trace passes a level.

The traces are those of the circuit's own steps, not of the file's rate. A picture is drawn small: smallest and largest
value of each of its columns, so that no peak is lost.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fetsim.engine.assembly import Array

COLUMNS = 400
PICTURES_HZ = 12.0
UNTRIGGERED_S = 0.4
"""After so long without a trigger the latest stretch is shown, and said to be none."""
BEFORE = 0.1
"""Share of a picture that lies before the trigger."""
LONGEST_S = 1.0


@dataclass(frozen=True, kw_only=True)
class Setting:
    """How the traces are shown."""

    span_s: float = 0.01
    rising: bool = True
    level: float | None = None
    """None: the middle of what the first trace has done lately."""


@dataclass(frozen=True, kw_only=True)
class Picture:
    """One stretch of all traces."""

    triggered: bool
    smallest: Array
    """[V or A; shape=(probes, columns)]."""
    largest: Array


class Scope:
    """Gathers steps until there is a picture to show."""

    def __init__(self, rate_hz: float, setting: Setting) -> None:
        self.setting = setting
        self._rate_hz = rate_hz
        self._length = max(int(setting.span_s * rate_hz), 2)
        self._kept: Array | None = None
        self._wait = 0
        self._waited = 0

    def push(self, traces: Array) -> Picture | None:
        """The next steps [shape=(steps, probes)]; a picture where one is due."""
        if self._kept is None or self._kept.shape[1] != traces.shape[1]:
            self._kept = traces[:0]
        kept = np.concatenate((self._kept, traces))
        due = self._wait <= 0
        self._wait -= len(traces)
        start, triggered = (self._start(kept[:, 0]), True) if due and kept.shape[1] else (None, False)
        if due and start is None:
            self._waited += len(traces)
            if self._waited > UNTRIGGERED_S * self._rate_hz and len(kept) >= self._length:
                start, triggered = len(kept) - self._length, False
        self._kept = kept[-2 * self._length - len(traces) :].copy()
        if start is None:
            return None
        self._wait, self._waited = round(self._rate_hz / PICTURES_HZ), 0
        return _drawn(kept[start : start + self._length], triggered)

    def forget(self, steps: int) -> None:
        """The latest steps were taken back."""
        if self._kept is not None:
            self._kept = self._kept[: max(len(self._kept) - steps, 0)]

    def _start(self, first: Array) -> int | None:
        """Where the latest whole stretch begins that has the trigger in its place."""
        before = int(BEFORE * self._length)
        last = len(first) - self._length + before
        if last <= before:
            return None
        level = 0.5 * float(first.min() + first.max()) if self.setting.level is None else self.setting.level
        above: NDArray[np.bool_] = first >= level if self.setting.rising else first <= level
        passes = np.flatnonzero(above[1:] & ~above[:-1]) + 1
        passes = passes[(passes >= before) & (passes <= last)]
        return int(passes[-1]) - before if passes.size else None


def _drawn(stretch: Array, triggered: bool) -> Picture:
    starts = np.unique(np.linspace(0, len(stretch) - 1, min(COLUMNS, len(stretch))).astype(int))
    return Picture(
        triggered=triggered, smallest=np.minimum.reduceat(stretch, starts).T,
        largest=np.maximum.reduceat(stretch, starts).T,
    )  # fmt: skip
