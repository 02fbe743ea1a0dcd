"""What a gain-reduction meter shows: its needle over time, for a burst through a unit or for the log of a render.

A unit with a meter of its own is read there (``meter``): the circuit drives the coil, and the scale is the meter's.
Without one, and for a log, the needle has the ballistics of the standard volume indicator (see ``ballistics``), 99 % of
a step in 300 ms, 1.25 % overshoot, and is driven by the gain reduction in dB, on a scale even in dB. What happens
within a few milliseconds, it does not show.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
from numpy.typing import ArrayLike

from fetsim.audio.levels import dbu_to_rms_v
from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.files.reading import read_text
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.given import of_unit
from fetsim.measurements.needle.meter import Meter, meter_of
from fetsim.measurements.results.result import Measured, Result
from fetsim.measurements.traces.ballistics import needle_reading
from fetsim.measurements.traces.checks import not_negative, positive, samples
from fetsim.rig.gain_cell import Reference, reference_named
from fetsim.rig.provenance import Program, program, provenance
from fetsim.rig.request import check_level, check_tone
from fetsim.schematic.unit import Unit

READINGS_HZ = 1000.0  # of a burst's trace: means over a millisecond
PIECE_S = 0.25  # played at a time
LONGEST_S = 600.0
LARGEST_DB = 1000.0
COLUMNS = ("channel", "time_s", "gain_reduction_mean_db")  # of the log, those that are read
LEAST_ROWS = 8
LARGEST_LOG = 500_000_000  # bytes; six hours of one channel at 200 rows a second are 430 MB
UNEVEN = 0.01  # share of an interval by which a log's times may depart from even ones


@dataclass(frozen=True, kw_only=True)
class NeedleTrace(Measured):
    """Gain reduction and what the needle makes of it [dB; shape=(n,) each]."""

    ROOM: ClassVar[str] = "needle"

    provenance: Program
    about: str
    """What drove it, in words."""
    when_s: float | None = None
    """Instant that was asked for: its readings are told, and the meter is drawn as it stands then."""
    rate_hz: float
    time_s: Array
    gain_reduction_db: Array
    needle_db: Array
    meter: Meter | None = None
    """The unit's own; None for the standard needle on an even scale."""
    deflection: Array | None = None
    """Of the unit's own meter, as a share of full scale [shape=(n,)]."""

    @property
    def deepest_s(self) -> float:
        """When the needle reads most."""
        return float(self.time_s[int(np.argmax(self.needle_db))])

    def reading_db(self, time_s: float) -> tuple[float, float]:
        """Needle and gain reduction at an instant. Raises InputError outside the trace."""
        if not self.time_s[0] <= time_s <= self.time_s[-1]:
            raise InputError(
                f"time: {time_s:g} s is outside the trace, {self.time_s[0]:.3f} to {self.time_s[-1]:.3f} s"
            )
        needle, reduction = (
            float(np.interp(time_s, self.time_s, trace)) for trace in (self.needle_db, self.gain_reduction_db)
        )
        return needle, reduction

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, texts and lists for JSON, with the deepest reading."""
        return {
            **super().to_dict(),
            "deepest_s": self.deepest_s,
            "deepest_needle_db": float(np.max(self.needle_db)),
            "largest_gain_reduction_db": float(np.max(self.gain_reduction_db)),
        }


@dataclass(frozen=True, kw_only=True)
class NeedleMeasurement(NeedleTrace, Result):
    """The needle of a unit."""


def needle_trace(
    reduction_db: ArrayLike, *, rate_hz: float, start_s: float = 0.0, about: str = "", when_s: float | None = None
) -> NeedleTrace:
    """The needle for gain reduction at an even rate [dB; shape=(n,)], of a render's log or of anything else.

    ``start_s`` is the instant of the first value. Raises InputError for values that are not finite and for an instant
    ``when_s`` that is outside the trace.
    """
    values = samples(reduction_db, "reduction_db")
    if np.max(np.abs(values)) > LARGEST_DB:
        raise InputError(f"reduction_db: holds {np.max(np.abs(values)):g} dB; no gain reduction is that large")
    found = NeedleTrace(
        provenance=program(),
        about=about,
        when_s=when_s,
        rate_hz=rate_hz,
        time_s=start_s + np.arange(values.size) / rate_hz,
        gain_reduction_db=values,
        needle_db=needle_reading(values, rate_hz=rate_hz),
    )
    if when_s is not None:
        found.reading_db(when_s)  # raises for an instant outside
    return found


@of_unit
def measure_needle(
    unit: Unit,
    *,
    level_dbu: float = 10.0,
    frequency_hz: float = 1000.0,
    before_s: float = 0.2,
    burst_s: float = 1.0,
    tail_s: float = 2.0,
    when_s: float | None = None,
    against: Reference = "idle",
    quality: str = "standard",
) -> NeedleMeasurement:
    """The needle of a unit that hears silence, a tone burst of ``level_dbu`` at the source, and silence again: of its
    own meter, the first with marks in dB, or else the standard one.

    ``when_s``: instant at which the readings are told as well. ``against``: what gain reduction is counted from, the
    unit at rest (as a meter is zeroed) or (``"open"``) the FET taken out.

    Raises InputError for a unit without a gain cell, a duration that is none, an instant outside.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> found = fetsim.measure_needle(unit, burst_s=0.1, tail_s=0.1, quality="draft")
    >>> float(found.gain_reduction_db.max()) > 20.0
    True
    """
    bench = Bench(unit, quality, against=reference_named(against))
    bench.gain_cell  # noqa: B018  raises for a unit without one
    rate_hz = bench.rate_hz
    spans = not_negative(before_s, "before_s"), positive(burst_s, "burst_s"), not_negative(tail_s, "tail_s")
    check_tone(frequency_hz, rate_hz / 8.0)
    check_level(level_dbu)
    if sum(spans) > LONGEST_S:
        raise InputError(f"burst: {sum(spans):g} s in all are more than {LONGEST_S:g} s; play less")
    start, stop, end = (round(until * rate_hz) for until in np.cumsum(spans))
    peak_v = dbu_to_rms_v(level_dbu) * np.sqrt(2.0)
    interval = round(rate_hz / READINGS_HZ)
    meter, means, drives = meter_of(unit), [], []
    run = bench.run(() if meter is None else meter.recorded)
    piece = interval * round(PIECE_S * READINGS_HZ)
    for first in range(0, end - interval + 1, piece):
        steps = np.arange(first, min(first + piece, end - end % interval))
        sounding = (steps >= start) & (steps < stop)
        emf_v = np.where(sounding, peak_v * np.sin(2.0 * np.pi * frequency_hz / rate_hz * (steps - start + 1)), 0.0)
        played = run.play(emf_v)
        means.append(played.reduction_db.reshape(-1, interval).mean(axis=1))
        if meter is not None:
            drives.append(meter.drive(played.nodes).reshape(-1, interval).mean(axis=1))
    about = f"{burst_s:g} s burst of {level_dbu:+g} dBu, {frequency_hz:g} Hz, through {unit.name}"
    trace = needle_trace(
        np.concatenate(means), rate_hz=rate_hz / interval, start_s=0.5 * interval / rate_hz, about=about, when_s=when_s
    )
    read = {}
    if meter is not None:
        deflection = meter.deflection(np.concatenate(drives), trace.rate_hz)
        read = {"meter": meter, "deflection": deflection, "needle_db": meter.reading_db(deflection)}
    return NeedleMeasurement(**{**vars(trace), **read, "provenance": provenance(bench.rig)})


def needle_of_log(path: Path, *, channel: int = 1, when_s: float | None = None) -> NeedleTrace:
    """The needle for the log that a render has written as CSV, its readings also at ``when_s``.

    Raises InputError for a file that is no such log.

    >>> import fetsim
    >>> from pathlib import Path
    >>> rows = "".join(f"1,{k / 200},4.0\\n" for k in range(100))
    >>> _ = Path("log.csv").write_text("channel,time_s,gain_reduction_mean_db\\n" + rows)
    >>> fetsim.needle_of_log(Path("log.csv")).reading_db(0.25)
    (4.0, 4.0)
    """
    table = _read_log(path)
    channels = sorted({int(number) for number in table[:, 0]})
    if channel not in channels:
        raise InputError(f"{path}: has no channel {channel}; choose from {', '.join(map(str, channels))}")
    time_s, reduction_db = table[table[:, 0] == channel][:, 1:].T
    if len(time_s) < LEAST_ROWS:
        raise InputError(f"{path}: has {len(time_s)} rows for channel {channel}; at least {LEAST_ROWS} are needed")
    interval_s = float(np.median(np.diff(time_s)))
    if interval_s <= 0.0:
        raise InputError(f"{path}: its times do not rise; is it a log as it was written?")
    uneven = np.abs(np.diff(time_s) - interval_s) > UNEVEN * interval_s
    if uneven[-1]:  # the last row may cover less than an interval
        time_s, reduction_db, uneven = time_s[:-1], reduction_db[:-1], uneven[:-1]
    if np.any(uneven):
        at = float(time_s[int(np.argmax(uneven))])
        raise InputError(f"{path}: its times are not evenly spaced after {at:g} s; is it a log as it was written?")
    about = f"{path.name}, channel {channel}" if len(channels) > 1 else path.name
    return needle_trace(reduction_db, rate_hz=1.0 / interval_s, start_s=float(time_s[0]), about=about, when_s=when_s)


def _read_log(path: Path) -> Array:
    """Channel, time and mean gain reduction [shape=(rows, 3)]."""
    rows = csv.reader(read_text(path, largest_bytes=LARGEST_LOG, what="log that can be read here").splitlines())
    try:
        heading = next(rows, [])
        missing = [name for name in COLUMNS if name not in heading]
        if missing:
            raise InputError(f"{path}: has no column {missing[0]}; give a log that fetsim render --log has written")
        places = [heading.index(name) for name in COLUMNS]
        table = []
        for number, row in enumerate(rows, start=2):
            try:
                table.append([float(row[place]) for place in places])
            except (ValueError, IndexError):
                raise InputError(f"{path}: line {number} is not a row of numbers; is the file whole?") from None
    except csv.Error:
        raise InputError(f"{path}: cannot be read (it is not text)") from None
    found = np.array(table).reshape(-1, len(COLUMNS))
    if not np.all(np.isfinite(found)):
        raise InputError(f"{path}: holds a number that is not finite; give a log as it was written")
    return found
