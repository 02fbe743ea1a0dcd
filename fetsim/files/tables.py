"""Tables as CSV files."""

import csv
from collections.abc import Mapping, Sequence
from math import isfinite
from pathlib import Path

from fetsim.safe_text import table_cell

Row = Mapping[str, str | float | int | None]
"""Heading -> cell of one line of a CSV file."""


def write_csv(rows: Sequence[Row], path: Path) -> None:
    """Rows under all the headings that any of them has; what is not there or not finite is an empty cell."""
    headings = list(dict.fromkeys(name for row in rows for name in row))
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.DictWriter(file, headings, restval="")
        table.writeheader()
        table.writerows({name: _cell(value) for name, value in row.items()} for row in rows)


def _cell(value: str | float | int | None) -> str:
    if value is None or (isinstance(value, float) and not isfinite(value)):
        return ""
    return f"{value:.8g}" if isinstance(value, float) else table_cell(value) if isinstance(value, str) else str(value)
