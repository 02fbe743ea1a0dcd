"""A place from which data are looked at: a build that has been played, and the slopes of all values there.

What all values do bends: their slopes, how trims go along with them, and what level, delay and clock of a recorder can
make up for. So all of it is taken anew where a suspect stands, the recording brought into step with what that build
gives; only values that move the data next to nothing within their tolerances, and faults, keep what they do to the unit
as drawn. Numbers go on counting from the unit as drawn (``Sums.shifted``), so every hypothesis is weighed from any
origin, and the better the nearer it stands.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.studies.observed.predict import Predicted
from fetsim.studies.suspects.columns import Column, Columns
from fetsim.studies.suspects.evidence import Form, Sums, unexplained
from fetsim.studies.suspects.hypotheses import Hypothesis
from fetsim.studies.suspects.set_up import Build, SetUp

TOGETHER = 16
"""Columns that are held in double precision at a time."""
MATTERS = 16.0
"""What a value must change within its tolerance (one standard deviation, sum of squares over the noise) for its slope
to be taken anew: of a slope that is a fifth off, 0.3 nats are missed."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Origin:
    """One of them."""

    columns: Columns
    """Its readings alone: their slopes, and what they would be of the unit as drawn, going by these."""
    sums: tuple[Sums, ...]
    set_up: SetUp
    """How trims follow here."""
    stands: Hypothesis | None = None
    """What stands here; None: the unit as drawn,"""
    place: Array
    """with all values there [shape=(values,)],"""
    misfit: tuple[float, ...] = ()
    """and what that leaves of each of the data (sum of squares over the noise)."""

    @property
    def is_faulty(self) -> bool:
        """Whether a fault as drawn is in it, which slopes for sound units should not be taken with."""
        return self.stands is not None and self.stands.fault is not None

    @cached_property
    def floors(self) -> list[float]:
        """What no values take away of each of the data."""
        offset = None if self.stands is None else self.form(self.stands).offset
        return [unexplained(sums, slice(0, len(self.place)), offset) for sums in self.sums]

    def picked(self, columns: Sequence[int]) -> "Origin":
        """With these columns alone, in this order."""
        return replace(
            self, columns=replace(self.columns, readings=self.columns.readings[:, list(columns)]),
            sums=tuple(sums.picked(columns) for sums in self.sums),
        )  # fmt: skip

    def form(self, one: Hypothesis) -> Form:
        """A hypothesis as the data see it from here: a value that is wrong has its trims where they were before."""
        count = self.columns.count
        offset, free = np.zeros(count), np.zeros((count, len(one.free)))
        if one.certain is not None:
            offset[one.certain] = 1.0
        for column, k in enumerate(one.free):
            free[: len(self.place), column] = self.set_up.plain(k)
        return Form(offset=offset, free=free)

    def away(self, one: Hypothesis, place: Array) -> Array:
        """How much of each column it is when a hypothesis stands there [shape=(columns,)]."""
        found = np.zeros(self.columns.count)
        found[: len(place)] = place - sum((place[k] * self.set_up.follows[k] for k in one.free), np.zeros(len(place)))
        if one.certain is not None:
            found[one.certain] = 1.0
        return found

    def foretold(self, away: Array) -> list[float]:
        """What would be left of each of the data there."""
        return [sums.shifted(-away).power for sums in self.sums]


@dataclass(frozen=True, kw_only=True, eq=False)
class Drawn:
    """The unit as drawn, and what values and faults do to it, as plays."""

    columns: Columns
    set_up: SetUp
    plays: Sequence[Predicted]
    """Of all values by their step, then of faults."""

    @cached_property
    def origin(self) -> Origin:
        """The unit as drawn."""
        return self._origin(self.columns.bare(), None, np.zeros(self._values), {})

    @property
    def _values(self) -> int:
        return len(self.set_up.values)

    def of(self, faults: Sequence[int]) -> "Drawn":
        """With these faults alone."""
        kept = [*range(self._values), *(self._values + k for k in faults)]
        found = replace(self, plays=[self.plays[k] for k in kept])
        vars(found)["_matters"] = self._matters
        return found

    def build(self, one: Hypothesis, place: Array) -> Build:
        """The changes that put a hypothesis in, with all values moved."""
        others, off = _apart(one, place)
        return self.set_up.build(others, off, None if one.fault is None else one.fault.changes)

    def at(self, one: Hypothesis, place: Array, base: Predicted) -> Origin:
        """Where a hypothesis stands, which has been played as a whole (``base``). Raises InputError where that is
        nothing like a recording."""
        values, fault = self.set_up.values, None if one.fault is None else one.fault.changes
        others, off = _apart(one, place)
        there = self.set_up.at(others)
        anew = [k for k in range(self._values) if self._matters[k] or k in off]
        builds = [there.build(others, off, fault)]
        for k in anew:
            beside = others.copy()
            if k in off:
                builds.append(there.build(others, {**off, k: off[k] + values[k].step}, fault))
            else:
                beside[k] += values[k].step
                builds.append(there.build(beside, off, fault, like=others))
        here, *found = self.columns.predicted(builds, keep=False)
        each = zip(anew, found, strict=True)
        beside_it = {k: play for k, play in each if not (play.reasons or here.reasons)}
        return self._origin(self.columns.around(base, here), one, place, beside_it, there)

    def _origin(
        self, columns: Columns, one: Hypothesis | None, place: Array, beside: Mapping[int, Predicted],
        there: SetUp | None = None,
    ) -> Origin:  # fmt: skip
        """From where columns without any are counted, and what values make by their step from there; of those that
        nobody played there, what they make of the unit as drawn."""
        there, drawn = there or self.set_up, self.columns.draft
        values, trims = self.set_up.values, there.trims.values()
        off = () if one is None else one.free

        def alone(k: int) -> Column:
            if k >= len(values):
                return columns.difference(self.plays[k], drawn, levelled=True)
            origin = columns.draft if k in beside else drawn
            return columns.difference(beside.get(k, self.plays[k]), origin, values[k].step)

        def column(k: int) -> Column:
            found = alone(k)
            for trim in trims if k in off and k in beside else ():  # what is wrong left the trims where they were
                found = found.plus(alone(trim), float(there.follows[k, trim]))
            return found

        misfit = tuple(columns.misfit())
        for first in range(0, len(self.plays), TOGETHER):
            columns.put([column(k) for k in range(first, min(first + TOGETHER, len(self.plays)))])
        every = columns.sums()
        bare = Origin(columns=columns, sums=(), set_up=there, stands=one, place=place, misfit=misfit)
        away = np.zeros(columns.count) if one is None else bare.away(one, place)
        base = replace(columns.base, readings=columns.base.readings - np.nan_to_num(columns.readings) @ away)
        return replace(
            bare, columns=replace(columns, base=base, tables=()), sums=tuple(sums.shifted(away) for sums in every)
        )

    @cached_property
    def _matters(self) -> list[bool]:
        """Of each value, whether it moves the data within its tolerance."""
        variances = np.diag(self.set_up.scatter)
        moved = sum((np.diag(sums.gram)[: self._values] * variances for sums in self.origin.sums), np.zeros(1))
        return [bool(one > MATTERS) for one in moved]


def _apart(one: Hypothesis, place: Array) -> tuple[Array, dict[int, float]]:
    """Where the values stand that are within tolerance, and how far those are off that are not."""
    others = place.copy()
    others[list(one.free)] = 0.0
    return others, {k: float(place[k]) for k in one.free}
