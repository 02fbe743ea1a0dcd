"""Hypotheses weighed against the data: by slopes first, the leading ones by playing them as they stand.

What a value far off does is no multiple of its slope, and other values pull along. So each leading hypothesis is
played at its most probable place, all values moved there, and the slopes of what is free are taken anew there: columns
more, of which one is there for certain (what the slopes of the other values missed) and the others free. That is a step
of Gauss and Newton's method, repeated for health and all that leads until it settles; the slopes of the values that
move the data most are taken anew where the most probable hypothesis stands. Health is played like any other: what it
leaves is no fault as long as it may be the bend of tolerances, and the error of the model is what the best of all that
was played leaves. When all that leads has settled, all is weighed again with what slopes may hide that are not quite
right (``bends``), which takes certainty away and lets more lead; that is played in its turn.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.rig.runner import Progress, unwatched
from fetsim.studies.suspects.bends import power_of, share_missed
from fetsim.studies.suspects.columns import Column, Columns
from fetsim.studies.suspects.evidence import Form, Sums, Weighed, probabilities, unexplained, weighed
from fetsim.studies.suspects.hypotheses import HEALTHY, SECOND_CHANCE, Hypothesis
from fetsim.studies.suspects.set_up import Build, SetUp
from fetsim.studies.suspects.values import Value

HEALTH_FIRST = 4
"""Rounds at the most in which health alone is played."""
ROUNDS = (5, 3)
"""Single suspects that are played, in each round; health besides."""
SETTLING, SETTLED_NATS = 6, 0.5
"""Rounds at the most in which all that leads is played again, and by how much that moves what has settled."""
DOUBTING = 3
"""Rounds in which all is weighed again with what bends may hide, and played where that has made it stand."""
MOST_LEADING, LEADS = 4, 0.05
"""So many lead at the most, if they have this share of the chance of the first;"""
MOST_SINGLE = 3
"""so many that are single are played until they have settled in any case."""
STAYS_NATS = 2.0
"""What a move changes in the data, from which on it is played: of the change a tenth, say, is no multiple of a slope,
so that a hundredth of these nats is missed."""
ANEW = 20
"""Values whose slopes are taken anew where the most probable hypothesis stands, after every second round."""
FARTHEST, FARTHEST_OTHER = 3.0, 2.5
"""Of a value that is off: a factor of 20 either way; of the others: standard deviations, in what is played."""
PAIRS_OF = 3
"""Leading suspects beside which a second one is looked for."""


@dataclass(eq=False)
class Search:
    """The state of one search; ``columns`` grows as more is played."""

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
        if self._is_played(k) or HEALTHY not in self.played or not one.single:
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

    def run(self, progress: Progress = unwatched) -> None:
        """Health first, until it has settled, since what it is wrongly said to leave looks like a fault; single
        suspects, then pairs beside the leading ones, until all that lead have been played where they are most
        probable."""
        for _ in range(HEALTH_FIRST):
            before = float(self.log_evidence[0])
            self._play([0])
            self.weigh()
            if abs(float(self.log_evidence[0]) - before) < SETTLED_NATS:
                break
        for number, size in enumerate(ROUNDS):
            self._play([0, *self._order[:size]])
            self.weigh()
            if number == 0:
                self.take_anew()
            progress((number + 1) / (len(ROUNDS) + SETTLING))
        self.add_pairs()
        for number in range(SETTLING):
            before_all = self.log_evidence
            leading = self._leading()
            self._play([0, *leading])
            self.weigh()
            moved = np.abs(self.log_evidence - before_all)[[0, *leading]]
            if number % 2:
                self.take_anew()
            elif float(np.max(moved)) < SETTLED_NATS and all(self._is_played(k) for k in self._leading()):
                break
            progress((len(ROUNDS) + number + 1) / (len(ROUNDS) + SETTLING))
        for _ in range(DOUBTING):
            self._be_in_doubt()
            if not self._play([0, *self._leading()]):
                break
            self.weigh()
        self._leave_unplayed()

    def _be_in_doubt(self) -> None:
        """Weigh all again with what bends may still hide from those that lead; the more that is, the more lead."""
        for _ in range(DOUBTING):
            chance = self.probability
            leading = [one for one, its in zip(self.hypotheses, chance, strict=True)
                       if one.name in self.missed and its > LEADS * float(np.max(chance))]  # fmt: skip
            self.doubt = tuple(np.max([self._hidden(one) for one in leading], axis=0)) if leading else ()
            self.weigh()

    def _hidden(self, one: Hypothesis) -> list[float]:
        """By what the least V of each recording should be larger for it."""
        slopes = len(self.values)
        moves = np.eye(slopes, self.columns.count)
        for value, total in zip(one.values, one.totals, strict=True):
            moves[self._of(value), list(total)] = 1.0
        covariance = moves @ self.coefficients(one)[1] @ moves.T
        return [
            power_of(share, covariance, sums.gram[:slopes, :slopes]) / (sums.freedom or 1.0)
            for share, sums in zip(self.missed[one.name], self.sums, strict=False)
        ]

    @property
    def _order(self) -> list[int]:
        """Numbers of the hypotheses but health, the most probable first."""
        return [int(k) for k in np.argsort(-self.probability, kind="stable") if k != 0]

    def _leading(self) -> list[int]:
        """Those that may come out first, and the best single ones however far behind: what has not settled may be
        behind for that alone."""
        chance, order = self.probability, self._order
        single = [k for k in order if self.hypotheses[k].single and self._is_played(k)]
        likely = [k for k in order[:MOST_LEADING] if chance[k] > LEADS * float(np.max(chance))]
        return list(dict.fromkeys([*likely, *single[:MOST_SINGLE]]))

    def _is_played(self, k: int) -> bool:
        return k == 0 or self.hypotheses[k].name in self.played

    def _leave_unplayed(self) -> None:
        """Pairs that nobody has played go: two slopes fit what two values would not."""
        kept = [k for k, one in enumerate(self.hypotheses) if one.single or self._is_played(k)]
        self.hypotheses = [self.hypotheses[k] for k in kept]
        self.log_evidence = self.log_evidence[kept]

    def _play(self, chosen: Sequence[int]) -> bool:
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
            own = self._of(value)
            step[own], step[total[-1]] = 0.0, moved[own]
        variance, _ = self.data.under(self.form(one))
        power = sum(
            float(step @ sums.gram @ step) / (1.0 if sums.freedom is None else variance) for sums in self.sums
        )
        return 0.5 * power < STAYS_NATS

    def _beside(self, one: Hypothesis, place: Array) -> list[tuple[int, float]]:
        """Numbers of the values that are off, and the steps by which their slopes are taken anew, towards health."""
        return [
            (own, value.step if place[own] <= 0.0 else -value.step)
            for own, value in zip(map(self._of, one.values), one.values, strict=True)
        ]

    def _of(self, value: Value) -> int:
        return next(k for k, other in enumerate(self.values) if other.name == value.name)

    def place(self, one: Hypothesis) -> Array:
        """How far all values are moved under it [shape=(values,)]."""
        mean, _ = self.coefficients(one)
        sigma = np.sqrt(np.diag(self.scatter))
        place = mean[: len(self.values)].copy()
        ways = [float(np.clip(sum(mean[k] for k in total), -FARTHEST, FARTHEST)) for total in one.totals]
        for k, way in zip(map(self._of, one.values), ways, strict=True):
            if k in one.free:  # by its slope: its trims, taken out of that, stay where they are
                place += way * self.set_up.follows[k]
        place = np.clip(place, -FARTHEST_OTHER * sigma, FARTHEST_OTHER * sigma)
        place[[self._of(value) for value in one.values]] = ways
        return np.asarray(place)

    def build(self, one: Hypothesis, place: Array) -> Build:
        """The changes that put a hypothesis in, with all values moved."""
        off = {k: float(place[k]) for k in map(self._of, one.values)}
        others = place.copy()
        others[list(off)] = 0.0
        return self.set_up.build(others, off, None if one.fault is None else one.fault.changes)

    def take_anew(self, count: int = ANEW) -> None:
        """Slopes anew, of the values that move the data most within their tolerances, where what is most probable of
        all that was played stands, be that health; but for pairs, which would fit better for that alone."""
        order = [int(k) for k in np.argsort(-self.probability, kind="stable")]
        first = next((k for k in order if self._is_played(k) and len(self.hypotheses[k].values) < 2), None)
        if first is None or not count:
            return
        one = self.hypotheses[first]
        slopes = len(self.values)
        told = sum((sums.gram[:slopes, :slopes] for sums in self.sums), np.zeros((slopes, slopes)))
        moves = np.diag(self.scatter) * np.diag(told)
        off = {self._of(value) for value in one.values}
        usable = [int(k) for k in np.argsort(-moves, kind="stable") if int(k) not in off
                  and self.values[int(k)].owner not in (one.fault.changes if one.fault else {})]  # fmt: skip
        chosen = usable[:count]
        place = self.place(one)
        builds = [self.build(one, place)]
        for k in chosen:
            beside = place.copy()
            beside[k] += self.values[k].step
            builds.append(self.build(one, beside))
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

    def add_pairs(self, of: int = PAIRS_OF) -> None:
        """Beside each of the leading suspects a second value that is off."""
        order = [k for k in self._order if self._is_played(k)]
        singles = [one for one in self.hypotheses[1:] if one.values and one.single]
        priors = {one.name: one.log_prior for one in singles}
        made: dict[frozenset[str], Hypothesis] = {}
        for k in order[:of]:
            first = self.hypotheses[k]
            for second in singles:
                if set(second.parts) & set(first.parts) or frozenset((first.name, second.name)) in made:
                    continue
                own = self._of(second.values[0])
                made[frozenset((first.name, second.name))] = replace(
                    first, name=f"{first.name} and {second.name}", parts=(*first.parts, *second.parts),
                    words=f"{first.words}; {second.words}", free=(*first.free, own),
                    values=(*first.values, *second.values), totals=(*first.totals, (own,)),
                    log_prior=first.log_prior + priors[second.name] + float(np.log(SECOND_CHANCE)),
                )  # fmt: skip
        self.hypotheses += made.values()
        more = np.array([self.data.of(self.form(one)) for one in made.values()])
        self.log_evidence = np.concatenate([self.log_evidence, more])
