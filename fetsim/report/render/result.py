"""The figures of a render, as a dictionary and as a table."""

from collections.abc import Iterable
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np

from fetsim.audio.told import Told
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.formats import LEVEL, fixed
from fetsim.measurements.results.table import Column, Table
from fetsim.measurements.to_plain import plain

BULK = frozenset({"output", "probes", "logs", "unit", "changes"})
"""Fields with samples and rows, or what stands in the provenance."""
CHANNELS = (
    Column(key="channel", heading="channel", show=fixed(0)),
    Column(key="most_gain_reduction_db", heading="most reduction", unit="dB", show=fixed(1)),
    Column(key="most_gain_reduction_at_s", heading="at", unit="s", show=fixed(2)),
    Column(key="mean_gain_reduction_db", heading="mean reduction", unit="dB", show=fixed(1)),
    *(
        Column(key=f"{where}_{what}_dbu", heading=f"{where} {what}", unit="dBu", show=LEVEL)
        for where in ("input", "output")
        for what in ("rms", "peak")
    ),
)


def render_dict(rendering: Told) -> dict[str, Any]:
    """Settings and figures of a render of arrays or of a file."""
    told = {one.name: _names(getattr(rendering, one.name)) for one in fields(rendering) if one.name not in BULK}
    account = Account(title="", tables=(channels_table(rendering),), definitions=())
    return dict(plain({**told, "tables": account.to_dict()["tables"]}))


def channels_table(rendering: Told) -> Table:
    """A row for each channel."""
    rows = []
    for number, log in enumerate(rendering.logs, start=1):
        most = int(np.argmax(log.gain_reduction_max_db))
        rows.append((
            number, float(log.gain_reduction_max_db[most]), float(log.time_s[most]),
            float(np.mean(log.gain_reduction_mean_db)), _mean_dbu(log.input_rms_dbu), float(np.max(log.input_peak_dbu)),
            _mean_dbu(log.output_rms_dbu), float(np.max(log.output_peak_dbu)),
        ))  # fmt: skip
    return Table(key="channels", title="Levels and gain reduction", columns=CHANNELS, rows=rows)


def _mean_dbu(rms_dbu: Iterable[float]) -> float:
    """Of rows of equal length, as power."""
    return float(10.0 * np.log10(np.mean(10.0 ** (np.asarray(rms_dbu) / 10.0))))


def _names(value: Any) -> Any:
    if isinstance(value, Path):
        return str(value)
    listed = isinstance(value, tuple) and any(isinstance(one, Path) for one in value)
    return [str(one) for one in value] if listed else value
