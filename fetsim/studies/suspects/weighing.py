"""Hypotheses weighed against the data, each by slopes from where it stands, or from where the best one does.

What a value far off does is no multiple of its slope, and a hundred others pull along. So a hypothesis is played, as a
whole, at its most probable place. Where what is left is not what slopes foretold, all is looked at anew from there
(``origins``): that is a step of Gauss and Newton's method with all values free, which comes to the noise in four or
five, each of a tenth or less of the error before. What has not been played is weighed from the best origin: whatever
explains the data as well gives the same sound, so its slopes there are nearly its own. So a suspect that is played
borrows them as long as they foretell most of what a step does, and what leads in the end has its own. ``search`` says
what is played.
"""

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property, partial

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.errors import FetsimError
from fetsim.studies.suspects.columns import Columns
from fetsim.studies.suspects.evidence import WIDTHS, Metric, probabilities
from fetsim.studies.suspects.hypotheses import Hypothesis
from fetsim.studies.suspects.limits import within
from fetsim.studies.suspects.mixture import Weighed, metrics_of, possible_v, weighed
from fetsim.studies.suspects.origins import Drawn, Origin, Slopes
from fetsim.studies.suspects.set_up import Build
from fetsim.studies.suspects.values import Value

PROVED_NATS = 2.0
"""By which a play may leave more or less than slopes foretold, and how far a step may move: no more is looked into;
by the same slopes from the third step on as much more each time, as plays are not exact to a nat."""
EXPLAINED, WITHIN_NOISE = 6.0, 0.03
"""Times the V that is known of, up to which all is explained; or that much of the power of the noise."""
LESS = 0.5
"""A play that leaves less than such a share of what its origin does is looked from, too; and so much less an error of
the model makes all that had settled uncertain again."""
SERVES, SERVES_NEAR, MOST_STEPS = 0.2, 20.0, 5
"""Slopes that miss no more of what a step does (sum of squares) serve for another one, or no more than that much
altogether; so many steps in a row."""
MOST_OWN = 5
"""Places at which one suspect gets slopes of its own."""
SHARES = (0.5, 0.25, 0.1)
"""Of a step that led away from the data, of which the best is gone."""
FARTHEST = 3.0
"""Of a value that is off: a factor of 20 either way."""


@dataclass(eq=False)
class Weighing:
    """Hypotheses, and all that is known of them."""

    drawn: Drawn
    hypotheses: list[Hypothesis]
    """``healthy`` first."""
    origins: list[Origin] = field(init=False)
    """The unit as drawn first."""
    home: dict[str, int] = field(default_factory=dict, init=False)
    """Of those that have an origin of their own, which it is,"""
    tried: dict[str, set[int]] = field(default_factory=partial(defaultdict, set), init=False)
    """and what the ground was when they were made;"""
    ground: int = field(default=0, init=False)
    """Origin from which all others are weighed."""
    variance: float = field(default=np.inf, init=False)
    """V that suits the most probable one best."""
    foretold: dict[str, tuple[Slopes, float]] = field(default_factory=dict, init=False)
    """Of those that give what slopes foretold, which those were, and V then;"""
    unplayable: set[str] = field(default_factory=set, init=False)
    """and those that cannot be played, or go on and on, which stay as slopes have them."""
    looks: list[Weighed] = field(default_factory=list, init=False)
    """The data from each origin."""
    log_evidence: Array = field(init=False)
    """Of each hypothesis."""
    in_doubt: bool = field(default=False, init=False)
    """Whether an error of the model may look like what is wrong."""
    renewed: Counter[str] = field(default_factory=Counter, init=False)
    """Places at which one has got slopes of its own,"""
    steps: Counter[tuple[str, Slopes]] = field(default_factory=Counter, init=False)
    """and steps that were made with slopes of elsewhere;"""
    missed: dict[str, float] = field(default_factory=dict, init=False)
    """and by how much the last one missed what slopes foretold, which is what its evidence may be wrong by (nats)."""
    rivals: dict[str, int] = field(default_factory=dict, init=False)
    """Of those that nobody has played, but that could have led as well when another one was given slopes of its own:
    the origin that they were seen from then."""
    _best_from: dict[str, int] = field(default_factory=dict, init=False)
    _metrics: dict[Slopes, tuple[Metric, ...]] = field(default_factory=dict, init=False)

    def __post_init__(self) -> None:
        self.begin_at(self.drawn.origin)

    def begin_at(self, origin: Origin) -> None:
        """Weigh all from there alone."""
        self.origins = [origin]
        self._metrics.clear()
        self.weigh()

    @property
    def columns(self) -> Columns:
        """Those of the unit as drawn, bare."""
        return self.drawn.columns

    @property
    def values(self) -> Sequence[Value]:
        """All that the unit has, in the order of the first columns."""
        return self.drawn.set_up.values

    @property
    def scatter(self) -> Array:
        """S of the values [shape=(values, values)]."""
        return self.drawn.set_up.scatter

    @cached_property
    def _precision(self) -> Array:
        return np.asarray(np.linalg.pinv(self.scatter, rcond=1e-12, hermitian=True), dtype=np.float64)

    def weigh(self) -> None:
        """All hypotheses from all origins that there are."""
        self._look()
        best = self.origins[self.ground].slopes
        if any(one.slopes is not best for one in self.origins if self._borrows(one, best)):
            self.origins = [one.borrowing(best) if self._borrows(one, best) else one for one in self.origins]
            self._look()
        self.log_evidence = np.array([self._weighed(one) for one in self.hypotheses])
        first = self.hypotheses[int(np.argmax(self.probability))]
        origin, data = self.seen_by(first)
        self.variance, _ = data.under(origin.form(first))

    def _look(self) -> None:
        self._best_from.clear()
        floors = [min(each) for each in zip(*(one.floors for one in self.origins), strict=True)]
        self.looks = [
            weighed(one.sums, self._prior, floors, self._metrics_of(one), in_doubt=self.in_doubt)
            for one in self.origins
        ]
        self.ground = self._ground()

    @property
    def _prior(self) -> Array:
        count, slopes = self.origins[0].count, len(self.values)
        prior = np.zeros((count, count))
        prior[:slopes, :slopes] = self.scatter
        return prior

    def _metrics_of(self, origin: Origin) -> tuple[Metric, ...]:
        """With all V from the least that is known of to what the unit as drawn leaves."""
        if origin.slopes not in self._metrics:
            variances = possible_v(self.origins[0].sums)
            self._metrics[origin.slopes] = metrics_of(origin.sums, self._prior, variances)
        return self._metrics[origin.slopes]

    def _borrows(self, origin: Origin, slopes: Slopes) -> bool:
        """Whether it has none of its own, and could have these."""
        return origin.borrowed and not origin.is_faulty and slopes.can_lend(origin.columns)

    def _ground(self) -> int:
        """Of the origins without a fault that of the best one, weighed from its own; at first the unit as drawn."""
        own = {one.name: one for one in self.hypotheses if one.name in self.home}
        chance = {
            place: self.looks[place].of(self.origins[place].form(own[name])) + own[name].log_prior
            for name, place in self.home.items() if not self.origins[place].is_faulty
        }  # fmt: skip
        return max(chance, key=lambda place: chance[place], default=0)

    def _weighed(self, one: Hypothesis) -> float:
        origin, data = self.seen_by(one)
        return data.of(origin.form(one))

    def _from(self, one: Hypothesis) -> int:
        """Number of the origin from which it is weighed: its own, unless it has strayed there from what others leave of
        the data, and has not been tried from where the best one stands."""
        if one.name not in self.home:
            return self._afar(one)
        own = self.home[one.name]
        strayed = self._weight(self.origins[self.ground].left) < LESS * self._weight(self.origins[own].left)
        back = strayed and self.ground not in self.tried[one.name] and not self.origins[own].is_faulty
        return self.ground if back else own

    def _afar(self, one: Hypothesis) -> int:
        """Of one that has no origin: the ground, or for a rival where it was seen from: what leads may have a value far
        off, and the way back bends. Readings alone are soon played, so there it is as good as it looks from the ground
        or from the unit as drawn."""
        if one.name in self.rivals:
            return self.rivals[one.name]
        if self.columns.heard or not self.ground:
            return self.ground
        if one.name not in self._best_from:
            looks = {k: self.looks[k].of(self.origins[k].form(one)) for k in (self.ground, 0)}
            self._best_from[one.name] = max(looks, key=lambda k: looks[k])
        return self._best_from[one.name]

    def origin_of(self, one: Hypothesis) -> Origin:
        """From which it is weighed."""
        return self.origins[self._from(one)]

    def seen_by(self, one: Hypothesis) -> tuple[Origin, Weighed]:
        """That, and the data from there."""
        return self.origins[self._from(one)], self.looks[self._from(one)]

    @property
    def probability(self) -> Array:
        """Of each hypothesis [shape=(hypotheses,)]."""
        return probabilities(self.log_evidence, [one.log_prior for one in self.hypotheses])

    def coefficients(self, one: Hypothesis) -> tuple[Array, Array]:
        """Mean and covariance of all columns' under it, its offset left out."""
        origin, data = self.seen_by(one)
        return data.posterior(origin.form(one))

    def readings(self, one: Hypothesis) -> Array:
        """What it makes all readings, taken or not [shape=(readings,)]."""
        origin, (mean, _) = self.origin_of(one), self.coefficients(one)
        return origin.readings(origin.form(one).offset + mean)

    def is_played(self, k: int) -> bool:
        name = self.hypotheses[k].name
        return name in self.home or name in self.foretold

    def is_settled(self, k: int) -> bool:
        """Whether nothing would be learnt by playing it."""
        name = self.hypotheses[k].name
        if name in self.unplayable:
            return True
        slopes, variance = self.foretold.get(name, (None, np.inf))
        return slopes is self.origin_of(self.hypotheses[k]).slopes and self.variance > LESS * variance

    def place(self, one: Hypothesis) -> Array:
        """How far all values are moved under it [shape=(values,)]."""
        mean, covariance = self.coefficients(one)
        follows, sigma = self.origin_of(one).set_up.follows, np.sqrt(np.diag(self.scatter))
        values, trims_stay = slice(0, len(sigma)), np.eye(len(sigma))
        trims_stay[:, list(one.free)] += follows[list(one.free)].T
        covariance = trims_stay @ covariance[values, values] @ trims_stay.T
        place = within(trims_stay @ mean[values], covariance, sigma, one.free)
        place[list(one.free)] = np.clip(place[list(one.free)], -FARTHEST, FARTHEST)
        return place

    def build(self, one: Hypothesis) -> Build:
        """The changes that put a hypothesis in where it stands."""
        return self.drawn.build(one, self.place(one))

    def is_explained(self) -> bool:
        """Whether the best needs hardly more error of the model than is known of: the right one is among those
        played."""
        heard = [(sums, sums.freedom) for sums in self.origins[0].sums if sums.freedom is not None]
        enough = [max(EXPLAINED * one.least, WITHIN_NOISE * one.count / freedom) for one, freedom in heard]
        return not enough or self.variance < max(enough)

    def play(self, k: int) -> bool:
        """Play one where it stands, and look from there if that was not foretold, or is much nearer to the data than
        where its slopes were taken; whether there is something new."""
        one = self.hypotheses[k]
        origin, _ = self.seen_by(one)
        goal = self.place(one)
        tried, before = self._tried(one, [goal], origin), self._weight(origin.left)
        if tried:
            left, away = self._weight(tried[0].left), origin.away(one, goal)
            missed = left - self._weight(origin.foretold(away))
            self.missed[one.name] = 0.5 * abs(missed)
            known = one.name in self.home or self.is_explained()  # else an error of the model hides what it could do
            moved = self._weight(origin.moved(away))
            steps = self.steps[one.name, origin.slopes]
            proved = 2.0 * PROVED_NATS * max(1, steps)
            hopeless = self.behind(k) > self.missed[one.name]
            if known and (min(abs(missed), moved) < proved or hopeless) and left > LESS * before:
                if origin.slopes.stands is not one and self._leads(k):
                    return self._look_from(one, tried[0], own=True)
                self.foretold[one.name] = origin.slopes, self.variance
                return False
            if tried[0].borrowed and missed < SERVES * moved + SERVES_NEAR and steps < MOST_STEPS:
                self.steps[one.name, origin.slopes] += 1
                return self._look_from(one, tried[0])
        if not tried or (left > before and one.fault is None):
            same = origin.stands is None or origin.stands.name == one.name
            start = origin.place if same else np.zeros(len(goal))
            tried += self._tried(one, [start + share * (goal - start) for share in SHARES], origin)
        if not tried:
            self.unplayable.add(one.name)
            return False
        best = min(tried, key=lambda each: self._misfit(one, each))
        return self._look_from(one, best, own=True)

    def stand_there(self, k: int, other: int) -> bool:
        """Let one stand where all values are under another one, which has gone farther, if that is better; whether it
        is. It borrows the slopes there, but none of a fault for what has none."""
        one, best = self.hypotheses[k], self.hypotheses[other]
        here, there = self.origin_of(one), self.origin_of(best)
        place = there.place.copy()
        place[list(best.free)] = 0.0
        lenders = [here if there.is_faulty and one.fault is None else there, self.origins[self.ground]]
        (columns,) = self.drawn.played([(one, place)])
        if columns is None:
            return False
        each = [self._standing(one, place, columns, lender) for lender in lenders]
        found = next((origin for origin in each if origin.borrowed), None)
        if found is None or self._misfit(one, found) >= self._misfit(one, here):
            return False
        return self._look_from(one, found)

    def _misfit(self, one: Hypothesis, origin: Origin) -> float:
        """Chi squared of a place and of what it leaves of the data."""
        return self._weight(origin.left) + self._unlikely(one, origin.place)

    def _look_from(self, one: Hypothesis, origin: Origin, *, own: bool = False) -> bool:
        """Look from there too, with slopes of its ``own``; whether that can be."""
        if own:
            self.renewed[one.name] += 1
            if self.renewed[one.name] > MOST_OWN:  # it goes to and fro
                self.unplayable.add(one.name)
                return False
            try:
                origin = self.drawn.at(one, origin.place, origin.columns)
            except FetsimError:  # trims cannot be told there
                self.unplayable.add(one.name)
                return False
            self._forget()
        self.origins.append(origin)
        self.home[one.name] = len(self.origins) - 1
        self.tried[one.name].add(self.ground)
        return True

    def _forget(self) -> None:
        """What nobody will borrow: all slopes but those of the ground."""
        for one in self.origins:
            if one.slopes is not self.origins[self.ground].slopes:
                one.slopes.forget()

    @property
    def own(self) -> int:
        """Places at which slopes have been taken."""
        return sum(not one.borrowed for one in self.origins)

    def behind(self, k: int) -> float:
        """By how much the best one is more probable (nats)."""
        chance = self.log_evidence + np.array([one.log_prior for one in self.hypotheses])
        return float(np.max(chance) - chance[k])

    def _leads(self, k: int) -> bool:
        return k == int(np.argmax(self.probability))

    def _tried(self, one: Hypothesis, places: Sequence[Array], origin: Origin) -> list[Origin]:
        """Played there, as a whole, with the slopes of an origin as far as it can lend them; without those that cannot
        be, or are nothing like a recording."""
        each = zip(places, self.drawn.played([(one, place) for place in places]), strict=True)
        return [self._standing(one, place, columns, origin) for place, columns in each if columns is not None]

    def _standing(self, one: Hypothesis, place: Array, columns: Columns, origin: Origin) -> Origin:
        lent = origin.slopes.can_lend(columns)
        slopes = origin.slopes if lent else Slopes(columns=columns, set_up=origin.set_up, stands=one)
        return Origin(columns=columns, slopes=slopes, stands=one, place=place, borrowed=lent)

    def _unlikely(self, one: Hypothesis, place: Array) -> float:
        """Chi squared of a place."""
        others = place.copy()
        others[list(one.free)] = 0.0
        ways = place[list(one.free)] / WIDTHS[len(WIDTHS) // 2]
        return float(others @ self._precision @ others + ways @ ways)

    def _weight(self, left: Sequence[float]) -> float:
        """Chi squared of what is left of the data, the model's error in it."""
        each = zip(left, self.origins[0].sums, strict=True)
        return sum(power / (1.0 if sums.freedom is None else self.variance) for power, sums in each)

