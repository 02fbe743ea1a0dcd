"""A place from which data are looked at: a build that has been played, and slopes of all values.

What all values do bends: their slopes, how trims go along with them, and what level, delay and clock of a recorder can
make up for. So all of it can be taken anew where a suspect stands, the recording brought into step with what that build
gives; only values that move the data next to nothing within their tolerances, and faults, keep what they do to the unit
as drawn. That takes a play for each value. What a build gives takes one, so a place that is not far borrows the slopes
of another. Numbers go on counting from the unit as drawn (``Sums.shifted``), so every hypothesis is weighed from any
origin, and the better the nearer it stands.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.studies.observed.predict import Predicted
from fetsim.studies.suspects.columns import Column, Columns
from fetsim.studies.suspects.evidence import Floor, Form, Sums, unexplained
from fetsim.studies.suspects.hypotheses import Hypothesis
from fetsim.studies.suspects.set_up import Build, SetUp

TOGETHER = 16
"""Columns that are held in double precision at a time."""
MATTERS = 16.0
"""What a value must change within its tolerance (one standard deviation, sum of squares over the noise) for its slope
to be taken anew: of a slope that is a fifth off, 0.3 nats are missed."""
LEAST_MOVED = 4.0
"""A step that moves the data by less (sum of squares over the noise) says nothing of slopes: plays are not exact."""


@dataclass(kw_only=True, eq=False)
class Slopes:
    """What all values do by their step, and faults by themselves, where they were taken."""

    columns: Columns
    set_up: SetUp
    """How trims follow there."""
    stands: Hypothesis | None = None
    """What stood there; None: the unit as drawn."""
    taken: "Slopes | None" = None
    """Those that were taken, of which these have been bent; None: these."""

    @property
    def root(self) -> "Slopes":
        """Those that were taken."""
        return self.taken or self

    def bent(self, before: Columns, after: Columns, step: Array) -> "Slopes":
        """The secant of two builds, which differ by a step [shape=(columns,)]: so what they give is foretold exactly
        from now on (Broyden, Math. Comp. 19 (1965) 577, from memory). What slopes missed is shared out by how much each
        value moves the data over the step, as all slopes are about as good."""
        power = sum((np.diag(sums.gram) for sums in self.columns.sums()), np.zeros(len(step))) * step
        moved = float(power @ step)
        if moved < LEAST_MOVED:
            return self
        return replace(self, columns=self.columns.bent(before, after, step, power / moved), taken=self.root)

    def can_lend(self, columns: Columns) -> bool:
        """Whether they serve what is left by another build: they are of the same stretches of all recordings."""
        if columns.heard and not self.columns.tables:
            return False
        return all(mine.fits(its) for mine, its in zip(columns.heard, self.columns.heard, strict=True))

    @property
    def size(self) -> int:
        """Bytes of what only lending takes."""
        return sum(table.rows.nbytes for table in self.columns.tables)

    def forget(self) -> None:
        """What only lending takes, which is most of the memory."""
        self.columns = replace(self.columns, tables=())

    def picked(self, columns: Sequence[int]) -> "Slopes":
        """Of these columns alone, in this order."""
        return replace(self, columns=self.columns.picked(columns))


@dataclass(frozen=True, kw_only=True, eq=False)
class Origin:
    """One of them."""

    columns: Columns
    """About what was played here, without columns of its own."""
    slopes: Slopes
    stands: Hypothesis | None = None
    """What stands here; None: the unit as drawn,"""
    place: Array
    """with all values there [shape=(values,)]."""
    borrowed: bool = False
    """Whether the slopes are those of another place,"""
    came_from: "Origin | None" = None
    """bent by the step from this one."""

    @property
    def set_up(self) -> SetUp:
        """How trims follow."""
        return self.slopes.set_up

    @property
    def is_faulty(self) -> bool:
        """Whether a fault as drawn is in it, which slopes for sound units should not be taken with."""
        return self.stands is not None and self.stands.fault is not None

    @cached_property
    def away_here(self) -> Array:
        """How much of each column it is to stand here [shape=(columns,)]."""
        return np.zeros(self.count) if self.stands is None else self.away(self.stands, self.place)

    @property
    def count(self) -> int:
        """Columns."""
        return self.slopes.columns.count

    @cached_property
    def left_here(self) -> list[Sums]:
        """What the data say, of what this build leaves."""
        return self.slopes.columns.sums(self.columns)

    @property
    def left(self) -> list[float]:
        """What this build leaves of each of the data (sum of squares over the noise)."""
        return [one.power for one in self.left_here]

    @cached_property
    def sums(self) -> list[Sums]:
        """What the data say, counted from the unit as drawn."""
        return [one.shifted(self.away_here) for one in self.left_here]

    @cached_property
    def floors(self) -> list[Floor]:
        """What no values, nor any fault with them, take away of each of the data."""
        values = len(self.place)
        return [unexplained(sums, slice(0, values), range(values, self.count)) for sums in self.sums]

    @property
    def reading_slopes(self) -> Array:
        """[shape=(readings, columns)]; NaN where a reading cannot be had."""
        return self.slopes.columns.readings

    def readings(self, coefficients: Array) -> Array:
        """All readings, taken or not, with so much of each column [shape=(readings,)]."""
        return self.columns.base.readings + np.nan_to_num(self.reading_slopes) @ (coefficients - self.away_here)

    def borrowing(self, slopes: Slopes) -> "Origin":
        """The same with slopes of another place, bent by the step that led here."""
        found = replace(self, slopes=slopes, borrowed=True)
        return found if self.came_from is None else found.bent(self.came_from)

    def bent(self, other: "Origin") -> "Origin":
        """The same with slopes that give what lies between this place and another one (``Slopes.bent``)."""
        other = replace(other, slopes=self.slopes, came_from=None)
        step = self.away_here - other.away_here
        if np.any(step[len(self.place) :]):  # a fault is between them, and no slope has missed that
            return self
        return replace(self, slopes=self.slopes.bent(other.columns, self.columns, step), came_from=other)

    def picked(self, columns: Sequence[int]) -> "Origin":
        """With these columns alone, in this order."""
        return replace(self, slopes=self.slopes.picked(columns))

    def form(self, one: Hypothesis) -> Form:
        """A hypothesis as the data see it from here: a value that is wrong has its trims where they were before."""
        offset, free = np.zeros(self.count), np.zeros((self.count, len(one.free)))
        if one.certain is not None:
            offset[one.certain] = 1.0
        for column, k in enumerate(one.free):
            free[: len(self.place), column] = self.set_up.plain(k)
        return Form(offset=offset, free=free)

    def away(self, one: Hypothesis, place: Array) -> Array:
        """How much of each column it is when a hypothesis stands there [shape=(columns,)]."""
        found = np.zeros(self.count)
        found[: len(place)] = place - sum((place[k] * self.set_up.follows[k] for k in one.free), np.zeros(len(place)))
        if one.certain is not None:
            found[one.certain] = 1.0
        return found

    def foretold(self, away: Array) -> list[float]:
        """What would be left of each of the data there."""
        return [sums.shifted(-away).power for sums in self.sums]

    def moved(self, away: Array) -> list[float]:
        """How far each of the data would move from here to there (sum of squares over the noise)."""
        way = away - self.away_here
        return [float(way @ sums.gram @ way) for sums in self.sums]


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
        slopes = self._slopes(self.columns, {}, self.set_up)
        return Origin(columns=self.columns, slopes=slopes, place=np.zeros(self._values))

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

    def played(self, places: Sequence[tuple[Hypothesis, Array]]) -> list[Columns | None]:
        """What builds give, each as a whole, with the recordings in step; None where one cannot be played, or is
        nothing like a recording."""
        builds = [self.build(one, place) for one, place in places]
        found: list[Columns | None] = []
        for play in self.columns.predicted(builds, keep=False, whole=True):
            try:
                found.append(self.columns.around(play))
            except InputError:
                found.append(None)
        return found

    def at(self, one: Hypothesis, place: Array, columns: Columns) -> Origin:
        """Where a hypothesis stands, which has been played as a whole (``columns``), with slopes of its own. Raises
        InputError where those cannot be had."""
        values, fault = self.set_up.values, None if one.fault is None else one.fault.changes
        others, off = _apart(one, place)
        there = self.set_up.at(others)
        anew = [k for k in range(self._values) if self._matters[k] or k in off]

        def moved(k: int, step: float) -> Build:
            if k in off:
                return there.build(others, {**off, k: off[k] + step}, fault)
            beside = others.copy()
            beside[k] += step
            return there.build(beside, off, fault, like=others)

        first = there.build(others, off, fault)
        here, *found = self.columns.predicted(
            [first, *(moved(k, values[k].step) for k in anew)], keep=False,
            read=[first, *(moved(k, values[k].coarse) for k in anew)],
        )  # fmt: skip
        each = zip(anew, found, strict=True)
        beside_it = {k: play for k, play in each if not (play.reasons or here.reasons)}
        slopes = self._slopes(replace(columns, draft=here), beside_it, there, one)
        return Origin(columns=columns, slopes=slopes, stands=one, place=place)

    def _slopes(
        self, columns: Columns, beside: Mapping[int, Predicted], there: SetUp, one: Hypothesis | None = None
    ) -> Slopes:
        """Of what values make by their step beside what was played (``columns.draft``); of those that nobody played
        there, what they make of the unit as drawn. Those that are off left the trims where they were."""
        columns, drawn = columns.bare(), self.columns.draft
        values, trims, off = self.set_up.values, there.trims.values(), () if one is None else one.free

        def alone(k: int) -> Column:
            if k >= len(values):
                return columns.difference(self.plays[k], drawn, levelled=True, drawn=self.columns)
            if k in beside:
                return columns.difference(beside[k], columns.draft, values[k])
            return columns.difference(self.plays[k], drawn, values[k], drawn=self.columns)

        def column(k: int) -> Column:
            found = alone(k)
            for trim in trims if k in off and k in beside else ():
                found = found.plus(alone(trim), float(there.follows[k, trim]))
            return found

        for first in range(0, len(self.plays), TOGETHER):
            columns.put([column(k) for k in range(first, min(first + TOGETHER, len(self.plays)))])
        return Slopes(columns=columns, set_up=there, stands=one)

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
