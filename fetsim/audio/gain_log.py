"""The log: what the unit did over time, at a chosen rate, without missing a peak.

Every row covers one interval of internal steps: peaks are the largest of all of them, levels their rms.
"""

import csv
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np

from fetsim.audio.levels import DBU_REFERENCE_V, decibels
from fetsim.engine.assembly import Array


@dataclass(frozen=True)
class GainLog:
    """Columns of the log, all of shape (rows,); a unit without a gain cell logs zero gain reduction."""

    time_s: Array
    """Middle of the interval."""
    input_rms_dbu: Array
    input_peak_dbu: Array
    """Peak voltage, as the dBu of a sine of that peak."""
    output_rms_dbu: Array
    output_peak_dbu: Array
    gain_reduction_mean_db: Array
    gain_reduction_max_db: Array
    control_mean_v: Array
    control_max_v: Array
    gate_source_mean_v: Array
    channel_resistance_min_ohm: Array
    """Smallest channel resistance (largest conductance); infinite while the channel is off."""

    def columns(self) -> dict[str, Array]:
        """Name -> values, in the order of the file."""
        return {f.name: getattr(self, f.name) for f in fields(self)}


def write_csv(log: GainLog, path: Path) -> None:
    """Write the log as comma-separated values with one header row."""
    columns = log.columns()
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(columns)
        for row in zip(*columns.values(), strict=True):
            writer.writerow([f"{value:.6g}" if k else f"{value:.6f}" for k, value in enumerate(row)])


class LogCollector:
    """Gathers whole intervals out of blocks of any length."""

    def __init__(self, rate_hz: float, log_rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._interval = max(1, round(rate_hz / log_rate_hz))
        self._waiting = np.empty((0, 6))
        self._rows: list[Array] = []
        self._steps = 0

    def push(
        self,
        input_v: Array,
        output_v: Array,
        reduction_db: Array,
        conductance_s: Array,
        control_v: Array,
        gate_source_v: Array,
        *,
        last: bool = False,
    ) -> None:
        """Add internal steps; ``last`` also closes the unfinished interval."""
        new = np.column_stack([
            np.broadcast_to(a, len(output_v))
            for a in (input_v, output_v, reduction_db, conductance_s, control_v, gate_source_v)
        ])  # fmt: skip
        waiting = np.concatenate([self._waiting, new])
        whole = len(waiting) // self._interval * self._interval
        if whole:
            self._rows.append(self._reduce(waiting[:whole].reshape(-1, self._interval, 6)))
        self._waiting = waiting[whole:].copy()
        if last and len(self._waiting):
            self._rows.append(self._reduce(self._waiting[None]))
            self._waiting = np.empty((0, 6))

    def result(self) -> GainLog:
        """All rows so far."""
        table = np.concatenate(self._rows) if self._rows else np.empty((0, 11))
        return GainLog(*(np.ascontiguousarray(column) for column in table.T))

    def _reduce(self, chunks: Array) -> Array:
        count, interval, _ = chunks.shape
        starts = self._steps + np.arange(count) * interval
        self._steps += count * interval
        mean, largest = chunks.mean(axis=1), chunks.max(axis=1)
        rms = np.sqrt((chunks[:, :, :2] ** 2).mean(axis=1)) / DBU_REFERENCE_V
        peak = np.abs(chunks[:, :, :2]).max(axis=1) / (DBU_REFERENCE_V * np.sqrt(2.0))
        with np.errstate(divide="ignore"):
            resistance = 1.0 / largest[:, 3]
        return np.column_stack([
            (starts + 0.5 * interval) / self._rate_hz, decibels(rms[:, 0]), decibels(peak[:, 0]),
            decibels(rms[:, 1]), decibels(peak[:, 1]), mean[:, 2], largest[:, 2], mean[:, 4], largest[:, 4],
            mean[:, 5], resistance,
        ])  # fmt: skip
