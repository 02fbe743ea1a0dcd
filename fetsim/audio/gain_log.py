"""The log: what the unit did over time, at a chosen rate, without missing a peak.

Every row covers one interval of internal steps: peaks are the largest of all of them, levels their rms.
"""

import csv
from collections.abc import Sequence
from dataclasses import dataclass, fields
from math import isfinite
from pathlib import Path

import numpy as np

from fetsim.audio.levels import DBU_REFERENCE_V, decibels
from fetsim.engine.assembly import Array
from fetsim.files.npz import ArchiveWriter

GROWTH = 8
"""A full table is copied to one so many times as large. What is not yet written to takes no memory, so this keeps
the moments rare in which both are there."""
PART = 11
"""Numbers of a part of an interval: sums of squared input, squared output, reduction, control, gate to source; the
largest squared input, squared output, reduction, most active control (times its sign), conductance; its steps."""
REDUCTION_SUM, CONTROL_SUM, GATE_SUM, PEAKS, REDUCTION_PEAK, CONDUCTANCE_PEAK, STEPS = 2, 3, 4, 5, 7, 9, 10
"""Where some of them stand."""


@dataclass(frozen=True)
class GainLog:
    """Columns of the log, all of shape (rows,); a unit without a gain cell logs zero gain reduction."""

    time_s: Array
    """Middle of the interval."""
    input_rms_dbu: Array
    input_peak_dbu: Array
    """Highest voltage over sqrt(0.6) V, so that a sine's is 3.01 dB above its rms level."""
    output_rms_dbu: Array
    output_peak_dbu: Array
    gain_reduction_mean_db: Array
    gain_reduction_max_db: Array
    control_mean_v: Array
    control_extreme_v: Array
    """The value furthest on its way to more gain reduction: the highest where a rising control opens the FET, as it
    does with an n-channel one whose gate follows it, else the lowest."""
    gate_source_mean_v: Array
    channel_resistance_min_ohm: Array
    """Smallest channel resistance (largest conductance); infinite while the channel is off."""

    def columns(self) -> dict[str, Array]:
        """Name -> values, in the order of the file."""
        return {f.name: getattr(self, f.name) for f in fields(self)}


@dataclass(frozen=True, kw_only=True)
class Splice:
    """One segment taking over from another."""

    cut_s: float
    """Where the later segment began."""
    at_s: float
    """Where it took over; between the two both were played."""
    residual_db: float
    """Largest difference over the last chunk before: of output and probes re their rms there or within the second
    after it, where that is less, or of gain reduction as a share of the gain. -200 where it is less."""


def write_csv(
    logs: Sequence[GainLog], path: Path, splices: Sequence[Splice] = (), noise_seed: int | None = None
) -> None:
    """Write the logs of all channels as comma-separated values with one header row.

    What is not finite, the resistance of a channel that is off, is an empty cell.
    The first column is the channel, from 1; the rows of all channels at one time stand together. Behind the others
    there is a column where segments were spliced, filled in the rows nearest to a splice: its residual [dB]; and one
    with the seed where the unit's parts were noisy.
    """
    times = logs[0].time_s
    told = {int(np.argmin(np.abs(times - one.at_s))): f"{one.residual_db:.1f}" for one in splices}
    seeds, seed = ([], []) if noise_seed is None else (["noise_seed"], [noise_seed])
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["channel", *logs[0].columns(), *(["splice_residual_db"] if splices else []), *seeds])
        for number, rows in enumerate(zip(*(zip(*log.columns().values(), strict=True) for log in logs), strict=True)):
            spliced = [told.get(number, "")] if splices else []
            for channel, (time_s, *values) in enumerate(rows, start=1):
                cells = (f"{x:.6g}" if isfinite(x) else "" for x in values)
                writer.writerow([channel, f"{time_s:.6f}", *cells, *spliced, *seed])


def write_npz(
    logs: Sequence[GainLog], path: Path, splices: Sequence[Splice] = (), noise_seed: int | None = None
) -> None:
    """Write the logs as NumPy arrays named like the columns [shape=(channels, rows); ``time_s``: (rows,)].

    What is not finite, the resistance of a channel that is off, is NaN in the file. Where segments were spliced there
    are ``splice_cut_s``, ``splice_at_s`` and ``splice_residual_db`` too [shape=(splices,)]; where the unit's parts were
    noisy, ``noise_seed``.
    """
    with ArchiveWriter(path) as archive:
        archive.add_whole("time_s", logs[0].time_s)
        for name in list(logs[0].columns())[1:]:
            rows = np.stack([log.columns()[name] for log in logs])
            archive.add_whole(name, np.where(np.isfinite(rows), rows, np.nan))
        for name in [one.name for one in fields(Splice)] if splices else []:
            archive.add_whole(f"splice_{name}", np.array([getattr(one, name) for one in splices]))
        if noise_seed is not None:
            archive.add_whole("noise_seed", np.array(noise_seed))


def interval_steps(rate_hz: float, log_rate_hz: float) -> int:
    """Internal steps of one row."""
    return max(1, round(rate_hz / log_rate_hz))


class LogCollector:
    """Gathers parts of intervals, however they are cut, into the rows of a log."""

    def __init__(self, rate_hz: float, log_rate_hz: float, control_sign: float = 1.0) -> None:
        """``control_sign``: +1 where a rising control voltage means more gain reduction, else -1."""
        self._rate_hz = rate_hz
        self._control_sign = control_sign
        self._interval = interval_steps(rate_hz, log_rate_hz)
        self._table = np.empty((256, len(fields(GainLog))))  # growing: the columns of the log are views of it
        self._rows = 0
        self._open_steps = 0
        self._open_sums, self._open_peaks = np.zeros(5), np.full(5, -np.inf)

    def add(self, parts: Array, *, last: bool = False) -> None:
        """The next parts [shape=(n, 11)], each of one interval. ``last`` also closes the unfinished one."""
        if len(parts):
            sums, peaks, lengths = parts.T[:5].copy(), parts.T[5:10].copy(), parts.T[10].copy()
            sums[:, 0] += self._open_sums
            peaks[:, 0] = np.maximum(peaks[:, 0], self._open_peaks)
            lengths[0] += self._open_steps
            whole = len(lengths) if lengths[-1] == self._interval else len(lengths) - 1
            self._write(sums[:, :whole], peaks[:, :whole], lengths[:whole])
            if whole < len(lengths):
                self._open_steps = int(lengths[-1])
                self._open_sums, self._open_peaks = sums[:, -1], peaks[:, -1]
            else:
                self._close()
        if last and self._open_steps:
            self._write(self._open_sums[:, None], self._open_peaks[:, None], np.array([self._open_steps]))
            self._close()

    def result(self) -> GainLog:
        """All rows so far."""
        return GainLog(*self._table[: self._rows].T)

    def _close(self) -> None:
        self._open_steps = 0
        self._open_sums, self._open_peaks = np.zeros(5), np.full(5, -np.inf)

    def _write(self, sums: Array, peaks: Array, lengths: Array) -> None:
        count = len(lengths)
        if self._rows + count > len(self._table):
            larger = np.empty((GROWTH * (self._rows + count), self._table.shape[1]))
            larger[: self._rows] = self._table[: self._rows]
            self._table = larger
        mean = sums / lengths
        rms = np.sqrt(np.minimum(mean[:2], peaks[:2])) / DBU_REFERENCE_V  # rounding could lift the mean of a constant
        peak = np.sqrt(peaks[:2]) / DBU_REFERENCE_V
        with np.errstate(divide="ignore"):
            resistance = 1.0 / peaks[4]
        starts = np.arange(self._rows, self._rows + count) * self._interval
        self._table[self._rows : self._rows + count].T[:] = (
            (starts + 0.5 * lengths) / self._rate_hz, decibels(rms[0]), decibels(peak[0]), decibels(rms[1]),
            decibels(peak[1]), mean[2], peaks[2], mean[3], self._control_sign * peaks[3], mean[4], resistance,
        )  # fmt: skip
        self._rows += count
