"""Tables of raw values that know how they want to be read: made once, printed by terminal, page, CSV and JSON alike.

A measurement builds them in its ``tables.py``; what they look like is the business of ``report``.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from fetsim.measurements.results.formats import Format
from fetsim.measurements.results.missing import Missing


@dataclass(frozen=True)
class AtLeast:
    """In the place of a figure that is known to lie above a value: what was tried ended there."""

    value: float


Cell = str | float | int | None | AtLeast | Missing
"""A word, a raw figure, nothing (an empty cell), a bound, or why there is no figure."""


@dataclass(frozen=True, kw_only=True)
class Column:
    """One quantity of a table."""

    key: str
    """Name in CSV and JSON, unit included, as ``threshold_db_dbu``."""
    heading: str
    """In words, without the unit."""
    unit: str = ""
    """As it stands under the heading; empty for words, ratios and what ``show`` prints with its unit."""
    show: Format | None = None
    """How a figure becomes text; None for a column of words."""
    meaning: str = ""
    """In one line, where the heading alone does not say it."""
    by_hand: bool = False
    """Whether its cells are empty, to be written in on paper."""
    folds: bool = False
    """Whether it holds phrases, which may be broken into lines where room is scarce; words and figures stay whole."""


@dataclass(frozen=True, kw_only=True)
class Table:
    """Rows of raw values under columns.

    The first ``heads`` columns tell the rows apart (version, setting, stage) and are repeated where a table has to be
    broken; those of them that are empty in every row are not printed.
    """

    key: str
    """Name in JSON and in the first column of a CSV file that holds several tables."""
    title: str
    columns: tuple[Column, ...]
    rows: Sequence[tuple[Cell, ...]]
    heads: int = 1
    notes: tuple[str, ...] = ()
    """Sentences to be read with it."""
    detail: bool = False
    """Whether it holds every reading: then it goes into the CSV file, the page folds it away, and a terminal prints it
    group by group, a group being the rows of equal heads, with ``brief`` rows of each."""
    brief: frozenset[int] | None = None
    """Numbers of the rows that a terminal prints; all of them for None."""

    def __post_init__(self) -> None:
        for row in self.rows:
            if len(row) != len(self.columns):
                raise ValueError(f"table {self.key}: {len(row)} cells under {len(self.columns)} columns")
