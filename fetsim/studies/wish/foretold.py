"""What tolerances leave of a combination: builds of it drawn and measured as ``spread`` does, against the wishes."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fetsim.schematic.spreads import spreads_of
from fetsim.schematic.unit import Unit
from fetsim.studies.builds.figures import Figures
from fetsim.studies.builds.nominal import Nominal
from fetsim.studies.spread.analysis import Share, Summary, share_of, summary
from fetsim.studies.spread.plan import plain_rows
from fetsim.studies.wish.wants import Want

Rows = Callable[[Nominal, Sequence[Mapping[str, float]]], list[Figures]]
"""Builds of a nominal unit, each a list of changes -> their figures."""


@dataclass(frozen=True, kw_only=True)
class Foretold:
    """Over builds of one combination."""

    builds: int
    summaries: Mapping[str, Summary]
    """Wished figure -> what its column says."""
    meets: Share
    """Of the builds: those that meet every wish; one that lacks a figure meets it not."""


def foretold(
    unit: Unit, start: Nominal, wants: Sequence[Want], builds: int, seed: int, rows: Rows
) -> Foretold | None:
    """Of the unit with a combination in it, ``start`` being its own; None where nothing in it varies."""
    spreads = spreads_of(unit)
    if not spreads.drawn:
        return None
    found = rows(start, spreads.changes(plain_rows(range(builds), spreads.columns, seed)))
    columns = {
        one.figure.key: np.array([row.found.get(one.figure.key, np.nan) for row in found]) for one in wants
    }
    met = [[one.met(value) for value in columns[one.figure.key]] for one in wants]
    return Foretold(
        builds=builds, summaries={key: summary(column) for key, column in columns.items()},
        meets=share_of(np.all(met, axis=0)),
    )  # fmt: skip
