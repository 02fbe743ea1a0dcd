"""A table of raw values as texts: what every writer prints, in whatever form it prints it."""

from collections.abc import Sequence
from dataclasses import dataclass

from fetsim.measurements.results.missing import Missing
from fetsim.measurements.results.table import AtLeast, Cell, Column, Table

DASH = "-"
BLANK = "_________"
"""Where something is written by hand."""
MOST_PLACES = 6  # rows named with one reason


@dataclass(frozen=True, kw_only=True)
class Printed:
    """Texts under headings; ``right`` columns hold figures, the first ``heads`` ones tell the rows apart."""

    title: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: tuple[int, ...]
    heads: int
    folds: tuple[int, ...]
    """Columns of phrases, which may be broken into lines."""
    notes: tuple[str, ...]


def printed(table: Table) -> Printed:
    """The whole table, without columns of words that are empty in all rows."""
    return _printed(table, table.rows, table.title, 0)


def printed_groups(table: Table) -> list[Printed]:
    """A table for each group of rows with the same heads, which stand in its title instead; only the brief rows."""
    found: dict[str, list[tuple[Cell, ...]]] = {}
    for number, row in enumerate(table.rows):
        if table.brief is None or number in table.brief:
            found.setdefault(_name(row[: table.heads]), []).append(row)
    return [_printed(table, rows, f"{table.title} {name}".strip(), table.heads) for name, rows in found.items()]


def _printed(table: Table, rows: Sequence[tuple[Cell, ...]], title: str, first: int) -> Printed:
    kept = [
        k
        for k, column in enumerate(table.columns)
        if k >= first and (column.show is not None or column.by_hand or any(row[k] not in ("", None) for row in rows))
    ]
    heads = max(1, sum(k < table.heads for k in kept))
    return Printed(
        title=title,
        headings=tuple(f"{table.columns[k].heading} {table.columns[k].unit}".strip() for k in kept),
        rows=tuple(tuple(_text(table.columns[k], row[k]) for k in kept) for row in rows),
        right=tuple(n for n, k in enumerate(kept) if table.columns[k].show is not None),
        heads=heads,
        folds=tuple(n for n, k in enumerate(kept) if table.columns[k].folds),
        notes=(*_reasons(table, rows), *table.notes),
    )


def _text(column: Column, cell: Cell) -> str:
    if column.by_hand:
        return BLANK
    if isinstance(cell, Missing):
        return DASH
    if isinstance(cell, AtLeast):
        return f">{cell.value if column.show is None else column.show(cell.value)}"
    if cell is None:
        return DASH if column.show is not None else ""
    return str(cell) if column.show is None or isinstance(cell, str) else column.show(cell)


def _reasons(table: Table, rows: Sequence[tuple[Cell, ...]]) -> list[str]:
    """Why figures are missing, those with the same reason together."""
    found: dict[str, dict[str, list[str]]] = {}
    for row in rows:
        for column, cell in zip(table.columns, row, strict=True):
            if isinstance(cell, Missing) and cell.cause != "not defined":
                places = found.setdefault(cell.text, {}).setdefault(_name(row[: table.heads]), [])
                places.append(column.heading)
    return [_reason(text, places) for text, places in found.items()]


def _reason(text: str, places: dict[str, list[str]]) -> str:
    named = [f"{name}: {', '.join(what)}" if name else ", ".join(what) for name, what in places.items()]
    if len(named) > MOST_PLACES:
        named = [*named[: MOST_PLACES - 1], f"and {len(named) - MOST_PLACES + 1} more rows"]
    return f"{'; '.join(named)}: {text}{'' if text.endswith('?') else '.'}"


def _name(heads: tuple[Cell, ...]) -> str:
    return ", ".join(str(cell) for cell in heads if cell not in ("", None))
