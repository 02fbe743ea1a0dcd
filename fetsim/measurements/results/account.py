"""All that a measurement, of one unit or of several versions side by side, has to say."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from fetsim.measurements.results.definitions import Definition
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.results.table import AtLeast, Cell, Table
from fetsim.measurements.to_plain import plain


@dataclass(frozen=True, kw_only=True)
class Account:
    """Made by ``account`` in a measurement's ``tables.py``; every writer takes it and nothing else."""

    title: str
    """What was measured and how, in one line."""
    lead: tuple[str, ...] = ()
    """What it comes to, in a sentence or a few."""
    tables: tuple[Table, ...]
    definitions: tuple[Definition, ...]
    cautions: tuple[str, ...] = ()
    """What to be careful with before the figures are used at a bench."""
    readings: Callable[[], list[dict[str, str | float | int | None]]] | None = None
    """Makes the rows of a CSV file where they are too many for any page, such as traces at full rate."""

    def records(self) -> list[dict[str, str | float | int | None]]:
        """Rows of a CSV file: the readings, else of the detailed tables, or of all where none is; the names of the
        columns as keys."""
        if self.readings is not None:
            return self.readings()
        chosen = [table for table in self.tables if table.detail] or list(self.tables)
        several = len(chosen) > 1
        return [
            {**({"table": table.key} if several else {}), **_plain_row(table, row)}
            for table in chosen
            for row in table.rows
        ]

    def to_dict(self) -> dict[str, Any]:
        """Tables that are not detailed (the result itself has every reading) and definitions, for JSON."""
        found: dict[str, Any] = plain({
            "tables": {
                table.key: {
                    "title": table.title,
                    "columns": [{"key": c.key, "heading": c.heading, "unit": c.unit, "meaning": c.meaning}
                                for c in table.columns],
                    "rows": [_plain_row(table, row) for row in table.rows],
                    "missing": [
                        {"row": number, "column": column.key, "cause": cell.cause, "text": cell.text}
                        for number, row in enumerate(table.rows)
                        for column, cell in zip(table.columns, row, strict=True)
                        if isinstance(cell, Missing)
                    ],
                    "notes": table.notes,
                }
                for table in self.tables
                if not table.detail
            },
            "definitions": self.definitions,
        })  # fmt: skip
        return found


def told_once(told: Mapping[str, tuple[str, ...]]) -> list[str]:
    """Label of a version -> its sentences: each told once under the labels it belongs to, what all share first.

    >>> told_once({"a": ("One.", "Two."), "b": ("Two.",), "c": ("One.", "Two.")})
    ['All versions: Two.', 'a, c: One.']
    """
    labels: dict[str, list[str]] = {}
    for label, texts in told.items():
        for text in dict.fromkeys(texts):
            labels.setdefault(text, []).append(label)
    shared = [text for text, of in labels.items() if len(of) == len(told)]
    common = [f"All versions: {text}" if len(told) > 1 else text for text in shared]
    return [*common, *(f"{', '.join(of)}: {text}" for text, of in labels.items() if text not in shared)]


def _plain_row(table: Table, row: tuple[Cell, ...]) -> Mapping[str, str | float | int | None]:
    return {
        column.key: None if isinstance(cell, Missing) else cell.value if isinstance(cell, AtLeast) else cell
        for column, cell in zip(table.columns, row, strict=True)
    }
