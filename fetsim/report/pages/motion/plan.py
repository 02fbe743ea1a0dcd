"""What the page's script is told."""

import base64
from collections.abc import Sequence
from typing import Any

from fetsim.devices.diode import CONDUCTING_A
from fetsim.engine.assembly import Array
from fetsim.measurements.explain.moments import Moment
from fetsim.measurements.explain.procedure import Explanation
from fetsim.report.explain.record import Record
from fetsim.report.explain.rows import Row


def plan(one: Explanation, record: Record, shown: Sequence[Row], moments: Sequence[Moment]) -> dict[str, Any]:
    """All numbers that the script works with."""
    return {
        "frequency_hz": one.burst.frequency_hz,
        "burst_s": one.burst.duration_s,
        "stretches": [vars(stretch) for stretch in record.stretches],
        "visible_ohm": record.visible_ohm,
        "conducting_a": CONDUCTING_A,
        "rows": [
            {"key": row.key, "unit": row.unit, "colour": row.colour, "beside": row.beside, "low": row.low,
             "high": row.high}
            for row in shown
        ],
        "traces": {row.key: _packed(record, row.key) for row in shown},
        "moments": [{"at_s": moment.at_s, "event": moment.event} for moment in moments],
    }  # fmt: skip


def _packed(record: Record, key: str) -> dict[str, str]:
    """Least values of all entries, and the largest of those that are more than one step."""
    steps = record.stretches[0].count
    entries = record.entries[key]
    return {"low": packed(entries.low), "high": packed(entries.high[steps:])}


def packed(values: Array) -> str:
    """Numbers of 32 bits in base64."""
    return base64.b64encode(values.astype("<f4").tobytes()).decode("ascii")
