"""What a spread found: builds with their figures, what they come to, and what made them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from importlib import import_module
from typing import TYPE_CHECKING, Any

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.table import Table
from fetsim.measurements.to_plain import json_text, plain
from fetsim.rig.provenance import Provenance
from fetsim.schematic.spreads import Spreads
from fetsim.schematic.unit import Unit
from fetsim.studies.builds.asked import Figure
from fetsim.studies.builds.figures import Figures
from fetsim.studies.builds.results import BuildFigures
from fetsim.studies.spread.analysis import Share, Summary
from fetsim.studies.spread.limits import Limit
from fetsim.studies.spread.moves import Moves
from fetsim.studies.spread.readings import Placed
from fetsim.studies.spread.shares import Blame

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Picture

NOT_TOLD = ("unit", "spreads", "found", "told", "limits", "readings", "nominal", "changes")
"""Fields that ``to_dict`` tells in another form."""


@dataclass(frozen=True, kw_only=True)
class Yield:
    """How many builds meet a limit, or all of them."""

    limit: Limit | None
    """None: all limits together."""
    share: Share


@dataclass(frozen=True, kw_only=True, eq=False)
class SpreadFound:
    """A whole study; rows are builds, in the order of their numbers from 0."""

    unit: Unit
    """The nominal one,"""
    nominal: Figures
    """with its figures."""
    spreads: Spreads
    seed: int
    laws: Mapping[str, str]
    """As they were asked for."""
    only: tuple[str, ...]
    """Parts that alone vary; empty: all that can."""
    changes: tuple[Mapping[str, float], ...]
    """What each build differs in, trims that were set included."""
    trims: Mapping[str, Summary]
    """Where the trims of all builds stand, control or part -> position or value; empty where they were not set."""
    missed: Mapping[str, Mapping[str, int]]
    """Step of the alignment -> why it did not come out -> in how many builds."""
    found: BuildFigures
    told: tuple[Figure, ...]
    """The figures that were asked for, and those with a limit; not all along the curve."""
    curve_dbu: tuple[float, ...]
    """Levels of the curve; its gain reductions are columns of ``found``."""
    summaries: Mapping[str, Summary]
    """Figure -> what its column says."""
    volts: Mapping[str, Summary]
    """The same of the volts at rest, node by node."""
    limits: tuple[Limit, ...]
    yields: tuple[Yield, ...]
    """Of each limit, and at the end of all together; empty without limits."""
    readings: tuple[Placed, ...]
    """Where what was read of a real unit lies among the builds."""
    blame: Mapping[str, Blame]
    """Figure -> which part is to blame for its spread, by regression on ranks."""
    shares: Mapping[str, Blame]
    """The same as shares of the variance, of the parts that were asked for; empty where none was."""
    moves: Moves | None
    """What a change of each part alone does to each figure; None where nobody asked."""

    @property
    def provenance(self) -> Provenance:
        """What made it, of the nominal unit."""
        return self.found.provenance

    @property
    def title(self) -> str:
        """How many builds of what."""
        count = len(self.changes)
        return f"{count} build{'' if count == 1 else 's'} of {self.unit.name}"

    @property
    def failures(self) -> int:
        """Builds that lack a figure, or all."""
        return len(self.found.reasons)

    def band_db(self, percents: Sequence[float]) -> Array:
        """Percentiles of the gain reduction along the curve [shape=(percents, levels)]; NaN where no build has it."""
        rows = np.array([self.found.columns[f"reduction@{level:g}"] for level in self.curve_dbu])
        known = [row[np.isfinite(row)] for row in rows]
        nothing = np.full(len(percents), np.nan)
        return np.array([np.percentile(row, percents) if row.size else nothing for row in known]).T

    def build(self, row: int) -> Unit:
        """A build as a unit, to be measured or listened to."""
        return self.unit.changed(self.changes[row])

    def worst(self) -> dict[str, int]:
        """``threshold-lowest``, ``threshold-highest`` ... -> number of that build; for a figure with a limit
        ``threshold-worst``, the one that is furthest outside, or nearest to its edge."""
        limits = {one.figure.key: one for one in self.limits}
        chosen: dict[str, int] = {}
        for one in self.told:
            column = self.found.columns[one.key]
            if not np.isfinite(column).any():
                continue
            if one.key in limits:
                chosen[f"{one.key}-worst"] = int(np.nanargmax(limits[one.key].beyond(column)))
            else:
                chosen[f"{one.key}-lowest"] = int(np.nanargmin(column))
                chosen[f"{one.key}-highest"] = int(np.nanargmax(column))
        return chosen

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, texts, lists and tables for JSON; what is not finite is None."""
        whole = {one.name: getattr(self, one.name) for one in fields(self) if one.name not in NOT_TOLD}
        whole |= self.found.to_dict()
        whole["builds"] = len(self.changes)
        whole["changes"] = self.changes
        whole["nominal"] = {**self.nominal.found, "node_v": self.nominal.node_v}
        whole["varies"] = [
            {**vars(one.spread), "drawn_with": [self.spreads.groups[k] for k in one.columns]}
            for one in self.spreads.drawn
        ]
        whole["exact"] = self.spreads.exact
        whole["yields"] = [
            {"limit": "all" if one.limit is None else one.limit.figure.key,
             "low": None if one.limit is None else one.limit.low,
             "high": None if one.limit is None else one.limit.high, **vars(one.share)}
            for one in self.yields
        ]  # fmt: skip
        whole["readings"] = [
            {"figure": one.reading.figure.key, "value": one.reading.value, "builds": one.known,
             "lower": vars(one.lower), "higher": vars(one.higher), "verdict": one.verdict}
            for one in self.readings
        ]  # fmt: skip
        return dict(plain(whole))

    def to_json(self) -> str:
        """The same as JSON."""
        return json_text(self.to_dict())

    def account(self, *, whole: bool = False) -> Account:
        """Title, tables, definitions; ``whole``: what varies value by value."""
        account: Account = import_module("fetsim.studies.spread.tables").account(self, whole=whole)
        return account

    def tables(self) -> tuple[Table, ...]:
        """Percentiles, yield, volts, parts to blame and all builds, as raw values under described columns."""
        return self.account().tables

    def plot(self, plane: tuple[str, str] | None = None) -> "Picture":
        """The band of the curve, the plane of two figures (``plane``; by default the first two), histograms."""
        picture: Picture = import_module("fetsim.report.spread.picture").draw(self, plane)
        return picture

    def plot_parts(self) -> "Picture":
        """Which parts are to blame, and what each does."""
        picture: Picture = import_module("fetsim.report.spread.picture").draw_parts(self)
        return picture
