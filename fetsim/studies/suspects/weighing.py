"""Hypotheses weighed against the data: by slopes at first, then by plays of them as they stand.

What a value far off does is no multiple of its slope, and other values pull along. So a hypothesis is played at its
most probable place, all values moved there, and the slopes of what is free are taken anew there: columns more, of which
one is there for certain (what the slopes of the other values missed) and the others free. That is a step of Gauss and
Newton's method; one that leads away from the data is halved. What leads has slopes by the other values of its own, too,
taken where it stands, since those of the drawn unit favour whatever makes up for it. Health is played like any other:
what it leaves is no fault as long as it may be the bend of tolerances, and the error of the model is what the best of
all that was played leaves. ``search`` says what is played.
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
SHORTEST = 0.2
"""Share of a step below which no more is tried."""
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
    longest: dict[str, float] = field(default_factory=dict)
    """Step that this is by, as what it changes in the recordings (sum of squares)."""
    left: dict[str, tuple[float, ...]] = field(default_factory=dict)
    """What the play left of each of the data, and what its place is from that of a good unit (sums of squares),"""
    short: dict[str, float] = field(default_factory=dict)
    """and which share of the next step is tried: less than all where the last one led away from the data."""
    own: dict[str, dict[int, int]] = field(default_factory=dict)
    """Of those where slopes have been taken anew: value -> column that has its slope there."""
    unproved: set[str] = field(default_factory=set)
    """Those that have not been played since."""
    doubt: tuple[float, ...] = ()
    """What the least V of each recording is raised by for that; none until the search has settled without."""

    _apart: dict[tuple[int, ...], Weighed] = field(default_factory=dict, init=False, repr=False)
    """The data as those see them that have slopes of their own, by the columns that they take."""

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
        if all(k >= len(self.values) for k in one.free):
            return found
        free, slopes = found.free.copy(), self.slopes(one)
        for column, k in enumerate(one.free):
            if k < len(self.values):
                free[k, column] = 0.0
                free[slopes, column] = self.set_up.plain(k)
        return replace(found, free=free)

    def slopes(self, one: Hypothesis) -> list[int]:
        """The columns that have the slopes by all values where it stands [shape=(values,)]."""
        own = self.own.get(one.name, {})
        return [own.get(k, k) for k in range(len(self.values))]

    def moves(self, one: Hypothesis) -> Array:
        """Which value the columns of its slopes go with [shape=(values, columns)]."""
        found = np.zeros((len(self.values), self.columns.count))
        found[np.arange(len(self.values)), self.slopes(one)] = 1.0
        return found

    def weigh(self) -> None:
        """All hypotheses by all columns that there are."""
        count, slopes = self.columns.count, len(self.values)
        prior = np.zeros((count, count))
        prior[:slopes, :slopes] = self.scatter
        self.sums = self.columns.sums()
        for k, more in enumerate(self.doubt):
            self.sums[k] = replace(self.sums[k], least=self.sums[k].least + more)
        self.data = weighed(self.sums, prior, self.floors())
        self._apart = {}
        self.log_evidence = np.array([self._weighed(k) for k in range(len(self.hypotheses))])

    def seen_by(self, one: Hypothesis) -> tuple[Weighed, Form, list[int]]:
        """The data by the slopes where it stands, its form, and which columns those are."""
        form = self.form(one)
        if one.name not in self.own:
            return self.data, form, list(range(self.columns.count))
        slopes = self.slopes(one)
        kept = [*slopes, *(int(k) for k in form.support if k not in slopes)]
        if tuple(kept) not in self._apart:
            prior = np.zeros((len(kept), len(kept)))
            prior[: len(slopes), : len(slopes)] = self.scatter
            sums = [each.picked(kept) for each in self.sums]
            self._apart[tuple(kept)] = weighed(sums, prior, self.floors(), self.data.variances)
        return self._apart[tuple(kept)], Form(offset=form.offset[kept], free=form.free[kept]), kept

    def _weighed(self, k: int) -> float:
        """Log evidence of one. What has not been played is taken from where its slopes were taken, or from where health
        stands, which holds the bends of tolerances: as it does better."""
        one = self.hypotheses[k]
        data, form, _ = self.seen_by(one)
        found = data.of(form)
        if self.is_played(k) or HEALTHY not in self.played or not one.single:
            return found
        bends = self.hypotheses[0].certain[-1]
        kept = tuple(column for column in one.certain if column != bends)
        other = replace(one, certain=kept if bends in one.certain else (*one.certain, bends))
        instead = self.data.of(self.form(other))
        if instead > found:
            self.hypotheses[k] = other
        return max(found, instead)

    def floors(self) -> list[float]:
        """What the best of those that have been played leaves at its best."""
        played = [self.hypotheses[0], *(one for one in self.hypotheses if one.name in self.played)]
        return [
            min(unexplained(sums, [*self.slopes(one), *(k for k in one.free if k >= len(self.values))],
                            self.form(one).offset) for one in played)
            for sums in self.sums
        ]  # fmt: skip

    @property
    def probability(self) -> Array:
        """Of each hypothesis [shape=(hypotheses,)]."""
        return probabilities(self.log_evidence, [one.log_prior for one in self.hypotheses])

    def coefficients(self, one: Hypothesis) -> tuple[Array, Array]:
        """Mean and covariance of all columns' under it, its offset left out."""
        data, form, kept = self.seen_by(one)
        mean, covariance = np.zeros(self.columns.count), np.zeros((self.columns.count, self.columns.count))
        mean[kept], covariance[np.ix_(kept, kept)] = data.posterior(form)
        return mean, covariance

    def is_played(self, k: int) -> bool:
        return k == 0 or self.hypotheses[k].name in self.played

    def place(self, one: Hypothesis) -> Array:
        """How far all values are moved under it [shape=(values,)]."""
        mean, _ = self.coefficients(one)
        sigma = np.sqrt(np.diag(self.scatter))
        place = np.asarray(self.moves(one) @ mean)
        each = np.concatenate([place, mean[len(place) :]])
        ways = [float(np.clip(each[list(total)].sum(), -FARTHEST, FARTHEST)) for total in one.totals]
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
            if one.name in self.stood:
                place = self.stood[one.name] + self.short[one.name] * (place - self.stood[one.name])
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
            if not self._is_better(one, place, whole):
                continue
            slopes: list[Column] = []
            for (own, step), other in zip(steps, further, strict=True):
                slopes.append(self.columns.difference(other, here, step, levelled=True))
                whole = whole.plus(slopes[-1], -place[own])
                rest[own] = 0.0
            # in the place of what it had when it was played before
            at = [*one.free, *one.certain] if one.name in self.played else None
            gone = np.zeros(first)
            gone[self.slopes(one)] = rest
            self.columns.put([*slopes, whole.plus(self.columns.slopes_at(gone), -1.0)], at)
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

    def _is_better(self, one: Hypothesis, place: Array, whole: Column) -> bool:
        """Whether a play lies nearer to the data, in all, than the one before; else its columns stay as they are, and
        half of the step is tried next."""
        data, form, _ = self.seen_by(one)
        variance, _ = data.under(form)
        off = {self.number(value) for value in one.values}
        others = [k for k in range(len(place)) if k not in off]
        known = float(place[others] @ np.linalg.solve(self.scatter[np.ix_(others, others)], place[others]))
        left = (*self.columns.left(whole), known)

        def of(parts: Sequence[float]) -> float:
            return sum(power / (1.0 if sums is None or sums.freedom is None else variance)
                       for power, sums in zip(parts, [*self.sums, None], strict=True))  # fmt: skip

        better = one.name not in self.left or of(left) < of(self.left[one.name])
        if better:
            self.left[one.name] = left
        self.short[one.name] = 1.0 if better else 0.5 * self.short.get(one.name, 1.0)
        return better

    def _note(self, one: Hypothesis, place: Array, missed: Column) -> None:
        """How wrong slopes were in what they foretold of its plays, by the longest step of them: what is missed of a
        short one is the solver's."""
        step, slopes = place - self.stood.get(one.name, 0.0), self.slopes(one)
        grams = [table.gram[np.ix_(slopes, slopes)] for table in self.columns.tables]
        length = sum(float(np.square(step) @ np.diag(gram)) for gram in grams)
        if one.name not in self.unproved and length < self.longest.get(one.name, 0.0):
            return
        self.longest[one.name] = length
        self.unproved.discard(one.name)
        self.missed[one.name] = tuple(
            min(share_missed(float(rows @ rows), step, gram), 1.0)
            for rows, gram in zip(missed.rows, grams, strict=True)
        )

    def _stays(self, one: Hypothesis) -> bool:
        """Whether it stands where it was played, as far as the data can tell: nothing is learnt from playing it
        again."""
        if one.name not in self.stood:
            return False
        if self.short[one.name] < SHORTEST:
            return True
        moved = self.place(one) - self.stood[one.name]
        step, slopes = np.zeros(self.columns.count), self.slopes(one)
        step[slopes] = moved
        for value, total in zip(one.values, one.totals, strict=True):
            own = self.number(value)
            step[slopes[own]], step[total[-1]] = 0.0, moved[own]
        data, form, _ = self.seen_by(one)
        variance, _ = data.under(form)
        power = sum(
            float(step @ sums.gram @ step) / (1.0 if sums.freedom is None else variance) for sums in self.sums
        )
        return 0.5 * power < STAYS_NATS

    def take_anew(self, one: Hypothesis, count: int = ANEW) -> None:
        """Slopes of its own for one that has been played and has none, where it stands: of the values that move the
        data most within their tolerances."""
        slopes, off = self.slopes(one), {self.number(value) for value in one.values}
        moves = np.diag(self.scatter) * sum((np.diag(sums.gram)[slopes] for sums in self.sums), np.zeros(len(slopes)))
        usable = [int(k) for k in np.argsort(-moves, kind="stable") if int(k) not in off
                  and self.values[int(k)].owner not in (one.fault.changes if one.fault else {})]  # fmt: skip
        chosen = usable[:count]
        place = self.stood[one.name]
        builds = [self.build(one, place)]
        for k in chosen:
            beside = place.copy()
            beside[k] += self.values[k].step
            builds.append(self.build(one, beside, like=place))
        here, *found = self.columns.predicted(builds, keep=False)
        kept = [(k, other) for k, other in zip(chosen, found, strict=True) if not (here.reasons or other.reasons)]
        if not kept:
            return
        missed = self.columns.column(one.certain[-1])  # other slopes miss something else
        new = [self.columns.difference(other, here, self.values[k].step, levelled=True) for k, other in kept]
        rest = self.played[one.name]
        for (k, _), its in zip(kept, new, strict=True):
            missed = missed.plus(self.columns.column(slopes[k]), rest[k]).plus(its, -rest[k])
        self.own[one.name] = {k: self.columns.count + place for place, (k, _) in enumerate(kept)}
        self.columns.put(new)
        self.short[one.name] = 1.0
        self.unproved.add(one.name)
        self.columns.put([missed], [one.certain[-1]])

    def hidden(self, one: Hypothesis) -> list[float]:
        """By what the least V of each recording should be larger for it. Slopes are the less wrong, the shorter the
        way: by as much as what is known of the values is shorter than the step that showed it."""
        moves, slopes = self.moves(one), self.slopes(one)
        for value, total in zip(one.values, one.totals, strict=True):
            moves[self.number(value), list(total)] = 1.0
        covariance = moves @ self.coefficients(one)[1] @ moves.T
        grams = [table.gram[np.ix_(slopes, slopes)] for table in self.columns.tables]
        length = sum(power_of(1.0, covariance, gram) for gram in grams)
        shorter = min(1.0, length / max(self.longest[one.name], 1e-12))
        return [
            shorter * power_of(share, covariance, gram) / (sums.freedom or 1.0)
            for share, gram, sums in zip(self.missed[one.name], grams, self.sums, strict=False)
        ]
