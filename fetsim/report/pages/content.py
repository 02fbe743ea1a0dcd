"""What a page is made of, before it is HTML."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from fetsim.measurements.results.definitions import Definition
from fetsim.measurements.results.table import Table as ResultTable
from fetsim.report.look.printed import printed


@dataclass(frozen=True)
class Table:
    """Rows under headings."""

    headings: Sequence[str]
    rows: Sequence[Sequence[str]]
    numbers: Collection[int] = ()
    """Columns that hold numbers."""
    caption: str = ""
    notes: Sequence[str] = ()
    """Said under it."""
    folded: bool = False
    """Whether it opens on demand only."""


@dataclass(frozen=True)
class Picture:
    """A drawing as inline SVG, with what is said under it."""

    svg: str
    caption: str = ""


@dataclass(frozen=True)
class Section:
    """One measurement on the page."""

    name: str
    title: str
    lead: Sequence[str] = ()
    """What it comes to, in a sentence or a few."""
    pictures: Sequence[Picture] = ()
    tables: Sequence[Table] = ()
    notes: Sequence[str] = ()
    """What could not be had, and why."""
    definitions: Sequence[Definition] = ()
    problem: str = ""
    """Why there is nothing else; empty where there is."""
    trace: str = ""
    """Where in the program it went wrong, when ``problem`` is a mistake of the program."""
    figures: Mapping[str, Any] = field(default_factory=dict)
    """All figures as plain numbers, for JSON."""


def page_table(table: ResultTable) -> Table:
    """A table of a result; one of all readings is folded away."""
    texts = printed(table)
    return Table(texts.headings, texts.rows, texts.right, texts.title, notes=texts.notes, folded=table.detail)
