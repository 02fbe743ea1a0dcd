"""What comes nearest to a wish, as plain numbers."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, ClassVar

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.measurements.results.result import Result
from fetsim.measurements.to_plain import plain
from fetsim.schematic.unit import Unit
from fetsim.studies.builds.asked import Figure
from fetsim.studies.wish.foretold import Foretold
from fetsim.studies.wish.wants import Want
from fetsim.studies.wish.ways import Way

DESCRIBED = ("key", "heading", "unit", "quantity", "meaning")
"""What is told of a figure in JSON."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Combination:
    """Values of all that may change, and what the unit does with them."""

    values: Mapping[str, float]
    figures: Mapping[str, float]
    """Figure -> value, those that nobody wished for too; NaN where ``reasons`` says why."""
    reasons: Mapping[str, str]
    node_v: Array
    """At rest, against ground [V; shape=(nodes,)]."""
    misses: Mapping[str, float]
    """Wish -> how far it is from the middle of what is accepted, in half widths; NaN where it could not be had."""
    met: bool
    """Whether all wishes are."""
    trims: Mapping[str, float]
    """Where its trims were set before it was measured: control or part -> position or value,"""
    missed: Mapping[str, str]
    """and the steps of its alignment that did not come out, with the reason."""
    foretold: Foretold | None = None
    """What tolerances leave of it; None where no builds were drawn, or nothing varies."""

    @property
    def misfit(self) -> float:
        """Root of the mean of the squared misses; infinite where one could not be had."""
        size = float(np.sqrt(np.mean(np.square(list(self.misses.values())))))
        return size if np.isfinite(size) else float("inf")


@dataclass(frozen=True, kw_only=True, eq=False)
class Wish(Result):
    """The best combinations, the nearest first; the provenance is that of the unit as it was given."""

    ROOM: ClassVar[str] = "wish"
    FLOOR: ClassVar[str] = "studies"

    unit: Unit
    wants: tuple[Want, ...]
    ways: tuple[Way, ...]
    """What may change."""
    elsewhere: tuple[Figure, ...]
    """What was measured besides the wishes."""
    present: Combination
    exact: Combination
    """The nearest in exact values, whatever can be bought."""
    found: tuple[Combination, ...]
    """The best of those that can be had."""
    why: tuple[str, ...]
    """Where none meets all wishes: why, in sentences."""
    nodes: tuple[str, ...]
    conditions: str
    """At which tones and steps the figures were taken."""
    seed: int
    """Of the builds that were drawn."""
    trims: bool
    """Whether the trims of every unit were set first,"""
    tone_steps: bool
    """by the steps that need a tone too."""

    def changes(self, row: int = 0) -> dict[str, float]:
        """What is changed in one of the best; trims that were set again come with it."""
        present, one = self.present, self.found[row]
        changed = {name: value for name, value in one.values.items() if value != present.values[name]}
        return changed | {name: value for name, value in one.trims.items() if value != present.trims.get(name)}

    def build(self, row: int = 0) -> Unit:
        """The unit of one of the best."""
        changes = self.changes(row)
        return self.unit.changed(changes) if changes else self.unit

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, texts and lists for JSON; what is not finite is None."""
        whole = {one.name: getattr(self, one.name) for one in fields(self)}
        whole["unit"] = self.unit.name
        whole["wants"] = [
            {"figure": one.figure.key, "low": one.low, "aim": one.aim, "high": one.high, "text": one.text}
            for one in self.wants
        ]
        whole["ways"] = [
            {"name": one.name, "series": one.series, "quantity": one.travel.quantity,
             "ends": sorted(one.travel.value(end) for end in (one.low, one.high))}
            for one in self.ways
        ]
        whole["elsewhere"] = [{name: getattr(one, name) for name in DESCRIBED} for one in self.elsewhere]
        return dict(plain(whole))
