"""Hypotheses weighed against the data: by slopes at first, then by plays of them as they stand.

What a value far off does is no multiple of its slope, and other values pull along. So a hypothesis is played at its
most probable place, all values moved there, and the slopes of what is free are taken anew there: columns more, of which
one is there for certain (what the slopes of the other values missed) and the others free. That is a step of Gauss and
Newton's method. Health is played like any other: what it leaves is no fault as long as it may be the bend of
tolerances, and the error of the model is what the best of all that was played leaves. ``search`` says what is played.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.studies.suspects.bends import power_of, share_missed
from fetsim.studies.suspects.columns import Column, Columns
from fetsim.studies.suspects.evidence import Form, Sums, Weighed, probabilities, unexplained, weighed
from fetsim.studies.suspects.hypotheses import HEALTHY, Hypothesis
from fetsim.studies.suspects.set_up import Build, SetUp
from fetsim.studies.suspects.values import Value

STAYS_NATS = 2.0
"""What a move changes in the data, from which on it is played: of the change a tenth, say, is no multiple of a slope,
so that a hundredth of these nats is missed."""
ANEW = 11
"""Values whose slopes are taken anew where the most probable hypothesis stands: with that itself three packs of
lanes."""
FARTHEST, FARTHEST_OTHER = 3.0, 2.5
"""Of a value that is off: a factor of 20 either way; of the others: standard deviations, in what is played."""


@dataclass(eq=False)
class Weighing:
    """Hypotheses, and all that is known of them; ``columns`` grows as more is played."""

    columns: Columns
    set_up: SetUp
    hypotheses: list[Hypothesis]
    """``healthy`` first."""
    data: Weighed = field(init=False)
    sums: list[Sums] = field(init=False)
    log_evidence: Array = field(init=False)
    """Of each hypothesis."""
    played: dict[str, Array] = field(default_factory=dict)
    """Of those that have been played where the other values stood [shape=(values,)],"""
    stood: dict[str, Array] = field(default_factory=dict)
    """and all values;"""
    missed: dict[str, tuple[float, ...]] = field(default_factory=dict)
    """and by which share of themselves slopes, going by that play, were wrong in each recording."""
    doubt: tuple[float, ...] = ()
    """What the least V of each recording is raised by for that; none until the search has settled without."""

    def __post_init__(self) -> None:
        self.weigh()

    @property
    def values(self) -> Sequence[Value]:
        """All that the unit has, in the order of the first columns."""
        return self.set_up.values

    @property
    def scatter(self) -> Array:
        """S of the values [shape=(values, values)]."""
        return self.set_up.scatter

    def form(self, one: Hypothesis) -> Form:
        """As the data see it: a value that is wrong has its trims where they were before."""
        found = one.form(self.columns.count)
        free = found.free.copy()
        for column, k in enumerate(one.free):
            if k < len(self.values):
                free[: len(self.values), column] = self.set_up.plain(k)
        return replace(found, free=free)

    def weigh(self) -> None:
        """All hypotheses by all columns that there are."""
        count, slopes = self.columns.count, len(self.values)
        prior = np.zeros((count, count))
        prior[:slopes, :slopes] = self.scatter
        self.sums = self.columns.sums()
        for k, more in enumerate(self.doubt):
            self.sums[k] = replace(self.sums[k], least=self.sums[k].least + more)
        self.data = weighed(self.sums, prior, self._floors())
        self.log_evidence = np.array([self._weighed(k) for k in range(len(self.hypotheses))])

    def _weighed(self, k: int) -> float:
        """Log evidence of one. What has not been played is taken from where its slopes were taken, or from where health
        stands, which holds the bends of tolerances: as it does better."""
        one = self.hypotheses[k]
        found = self.data.of(self.form(one))
        if self.is_played(k) or HEALTHY not in self.played or not one.single:
            return found
        bends = self.hypotheses[0].certain[-1]
        kept = tuple(column for column in one.certain if column != bends)
        other = replace(one, certain=kept if bends in one.certain else (*one.certain, bends))
        instead = self.data.of(self.form(other))
        if instead > found:
            self.hypotheses[k] = other
        return max(found, instead)

    def _floors(self) -> list[float]:
        """What the best of those that have been played leaves at its best."""
        slopes = list(range(len(self.values)))
        played = [self.hypotheses[0], *(one for one in self.hypotheses if one.name in self.played)]
        return [
            min(unexplained(sums, [*slopes, *one.free], self.form(one).offset) for one in played) for sums in self.sums
        ]

    @property
    def probability(self) -> Array:
        """Of each hypothesis [shape=(hypotheses,)]."""
        return probabilities(self.log_evidence, [one.log_prior for one in self.hypotheses])

    def coefficients(self, one: Hypothesis) -> tuple[Array, Array]:
        """Mean and covariance of all columns' under it, its offset left out."""
        return self.data.posterior(self.form(one))

    def is_played(self, k: int) -> bool:
        return k == 0 or self.hypotheses[k].name in self.played

    def place(self, one: Hypothesis) -> Array:
        """How far all values are moved under it [shape=(values,)]."""
        mean, _ = self.coefficients(one)
        sigma = np.sqrt(np.diag(self.scatter))
        place = mean[: len(self.values)].copy()
        ways = [float(np.clip(sum(mean[k] for k in total), -FARTHEST, FARTHEST)) for total in one.totals]
        for k, way in zip(map(self.number, one.values), ways, strict=True):
            if k in one.free:  # by its slope: its trims, taken out of that, stay where they are
                place += way * self.set_up.follows[k]
        place = np.clip(place, -FARTHEST_OTHER * sigma, FARTHEST_OTHER * sigma)
        place[[self.number(value) for value in one.values]] = ways
        return np.asarray(place)

    def build(self, one: Hypothesis, place: Array, like: Array | None = None) -> Build:
        """The changes that put a hypothesis in, with all values moved. ``like``: see ``SetUp.build``."""
        off = {k: float(place[k]) for k in map(self.number, one.values)}

        def others(by: Array) -> Array:
            found = by.copy()
            found[list(off)] = 0.0
            return found

        fault = None if one.fault is None else one.fault.changes
        return self.set_up.build(others(place), off, fault, None if like is None else others(like))

    def number(self, value: Value) -> int:
        return next(k for k, other in enumerate(self.values) if other.name == value.name)

    def play(self, chosen: Sequence[int]) -> bool:
        """Those of them that have not been played where they stand now; whether there were any."""
        builds: list[Build] = []
        places: list[Array] = []
        chosen = [k for k in chosen if not self._stays(self.hypotheses[k])]
        for k in chosen:
            one = self.hypotheses[k]
            place = self.place(one)
            builds.append(self.build(one, place))
            for own, step in self._beside(one, place):
                beside = place.copy()
                beside[own] += step
                builds.append(self.build(one, beside))
            places.append(place)
        if not builds:
            return False
        every = [self.hypotheses[k] for k in chosen]
        foretold = [self.form(one).offset + self.coefficients(one)[0] for one in every]
        found = iter(self.columns.predicted(builds, keep=False))
        for k, place, told in zip(chosen, places, foretold, strict=True):
            one, here = self.hypotheses[k], next(found)
            steps = self._beside(one, place)
            further = [next(found) for _ in steps]
            if here.reasons or any(other.reasons for other in further):
                continue  # stays as its slopes have it
            rest, first = place.copy(), self.columns.count
            whole = self.columns.difference(here, levelled=True)
            self._note(one, place, whole.plus(self.columns.slopes_at(told), -1.0))
            slopes: list[Column] = []
            for (own, step), other in zip(steps, further, strict=True):
                slopes.append(self.columns.difference(other, here, step, levelled=True))
                whole = whole.plus(slopes[-1], -place[own])
                rest[own] = 0.0
            # in the place of what it had when it was played before
            at = [*one.free, *one.certain] if one.name in self.played else None
            self.columns.put([*slopes, whole.plus(self.columns.slopes_at(rest), -1.0)], at)
            self.played[one.name], self.stood[one.name] = rest, place
            if at is None:
                free = tuple(range(first, first + len(slopes)))
                self.hypotheses[k] = replace(
                    one, certain=(first + len(slopes),), free=free,
                    totals=tuple((own, column) for (own, _), column in zip(steps, free, strict=True)),
                )  # fmt: skip
        return True

    def _beside(self, one: Hypothesis, place: Array) -> list[tuple[int, float]]:
        """Numbers of the values that are off, and the steps by which their slopes are taken anew, towards health."""
        return [
            (own, value.step if place[own] <= 0.0 else -value.step)
            for own, value in zip(map(self.number, one.values), one.values, strict=True)
        ]

    def _note(self, one: Hypothesis, place: Array, missed: Column) -> None:
        """How wrong slopes were in what they foretold of a play."""
        step = place - self.stood.get(one.name, 0.0)
        slopes = len(step)
        self.missed[one.name] = tuple(
            share_missed(float(rows @ rows), step, table.gram[:slopes, :slopes])
            for rows, table in zip(missed.rows, self.columns.tables, strict=True)
        )

    def _stays(self, one: Hypothesis) -> bool:
        """Whether it stands where it was played, as far as the data can tell: nothing is learnt from playing it
        again."""
        if one.name not in self.stood:
            return False
        moved = self.place(one) - self.stood[one.name]
        step = np.zeros(self.columns.count)
        step[: len(moved)] = moved
        for value, total in zip(one.values, one.totals, strict=True):
            own = self.number(value)
            step[own], step[total[-1]] = 0.0, moved[own]
        variance, _ = self.data.under(self.form(one))
        power = sum(
            float(step @ sums.gram @ step) / (1.0 if sums.freedom is None else variance) for sums in self.sums
        )
        return 0.5 * power < STAYS_NATS

    def take_anew(self, count: int = ANEW) -> None:
        """Slopes anew, of the values that move the data most within their tolerances, where what is most probable of
        all that was played stands, be that health; but for pairs, which would fit better for that alone."""
        order = [int(k) for k in np.argsort(-self.probability, kind="stable")]
        first = next((k for k in order if self.is_played(k) and len(self.hypotheses[k].values) < 2), None)
        if first is None or not count:
            return
        one = self.hypotheses[first]
        slopes = len(self.values)
        told = sum((sums.gram[:slopes, :slopes] for sums in self.sums), np.zeros((slopes, slopes)))
        moves = np.diag(self.scatter) * np.diag(told)
        off = {self.number(value) for value in one.values}
        usable = [int(k) for k in np.argsort(-moves, kind="stable") if int(k) not in off
                  and self.values[int(k)].owner not in (one.fault.changes if one.fault else {})]  # fmt: skip
        chosen = usable[:count]
        place = self.place(one)
        builds = [self.build(one, place)]
        for k in chosen:
            beside = place.copy()
            beside[k] += self.values[k].step
            builds.append(self.build(one, beside, like=place))
        here, *found = self.columns.predicted(builds, keep=False)
        kept = [(k, other) for k, other in zip(chosen, found, strict=True) if not (here.reasons or other.reasons)]
        if not kept:
            return
        new = [
            self.columns.difference(other, here, self.values[k].step, levelled=True) for k, other in kept
        ]
        before = [self.columns.column(k) for k, _ in kept]
        for name, rest in self.played.items():  # what the slopes miss is other for other slopes
            own = next(one for one in self.hypotheses if one.name == name).certain[-1]
            missed = self.columns.column(own)
            for (k, _), old, its in zip(kept, before, new, strict=True):
                missed = missed.plus(old, rest[k]).plus(its, -rest[k])
            self.columns.put([missed], [own])
        self.columns.put(new, [k for k, _ in kept])
        self.weigh()

    def hidden(self, one: Hypothesis) -> list[float]:
        """By what the least V of each recording should be larger for it."""
        slopes = len(self.values)
        moves = np.eye(slopes, self.columns.count)
        for value, total in zip(one.values, one.totals, strict=True):
            moves[self.number(value), list(total)] = 1.0
        covariance = moves @ self.coefficients(one)[1] @ moves.T
        return [
            power_of(share, covariance, sums.gram[:slopes, :slopes]) / (sums.freedom or 1.0)
            for share, sums in zip(self.missed[one.name], self.sums, strict=False)
        ]
