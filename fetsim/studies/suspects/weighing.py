"""Hypotheses weighed against the data, each by slopes from where it stands, or from where the best one does.

What a value far off does is no multiple of its slope, and a hundred others pull along. So a hypothesis is played, as a
whole, at its most probable place. Where what is left is not what slopes foretold, all is looked at anew from there
(``origins``): that is a step of Gauss and Newton's method with all values free, which comes to the noise in four or
five, each of a tenth or less of the error before. What has not been played is weighed from the best origin: whatever
explains the data as well gives the same sound, so its slopes there are nearly its own. ``search`` says what is played.
"""

from collections import defaultdict
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cached_property, partial

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.errors import FetsimError, InputError
from fetsim.studies.observed.predict import Predicted
from fetsim.studies.suspects.columns import Columns
from fetsim.studies.suspects.evidence import WIDTHS, Weighed, possible_v, probabilities, weighed
from fetsim.studies.suspects.hypotheses import Hypothesis
from fetsim.studies.suspects.origins import Drawn, Origin
from fetsim.studies.suspects.set_up import Build
from fetsim.studies.suspects.values import Value

PROVED_NATS = 1.0
"""By which a play may leave more than slopes foretold; less is not looked into."""
EXPLAINED = 6.0
"""Times the V that is known of, up to which all is explained."""
LESS = 0.5
"""A play that leaves less than such a share of what its origin does is looked from, too; and so much less an error of
the model makes all that had settled uncertain again."""
SHARES = (0.5, 0.25, 0.1)
"""Of a step that led away from the data, of which the best is gone."""
FARTHEST, FARTHEST_OTHER = 3.0, 2.5
"""Of a value that is off: a factor of 20 either way; of the others: standard deviations, in what is played."""


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
    foretold: dict[str, tuple[int, float]] = field(default_factory=dict, init=False)
    """Of those that give what slopes foretold, from which origin that was, and V then;"""
    unplayable: set[str] = field(default_factory=set, init=False)
    """and those that cannot be played, which stay as slopes have them."""
    looks: list[Weighed] = field(default_factory=list, init=False)
    """The data from each origin."""
    log_evidence: Array = field(init=False)
    """Of each hypothesis."""

    def __post_init__(self) -> None:
        self.origins = [self.drawn.origin]
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
        count, slopes = self.origins[0].columns.count, len(self.values)
        prior = np.zeros((count, count))
        prior[:slopes, :slopes] = self.scatter
        floors = [min(each) for each in zip(*(one.floors for one in self.origins), strict=True)]
        variances = possible_v([sums for one in self.origins for sums in one.sums if sums.freedom is not None])
        self.looks = [weighed(one.sums, prior, floors, variances) for one in self.origins]
        self.ground = self._ground()
        self.log_evidence = np.array([self._weighed(one) for one in self.hypotheses])
        first = self.hypotheses[int(np.argmax(self.probability))]
        origin, data = self.seen_by(first)
        self.variance, _ = data.under(origin.form(first))

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
        own = self.home.get(one.name, self.ground)
        strayed = self._weight(self.origins[self.ground].misfit) < LESS * self._weight(self.origins[own].misfit)
        back = strayed and self.ground not in self.tried[one.name] and not self.origins[own].is_faulty
        return self.ground if back else own

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
        columns = self.origin_of(one).columns
        mean, _ = self.coefficients(one)
        return columns.base.readings + np.nan_to_num(columns.readings) @ (self.origin_of(one).form(one).offset + mean)

    def is_played(self, k: int) -> bool:
        name = self.hypotheses[k].name
        return name in self.home or name in self.foretold

    def is_settled(self, k: int) -> bool:
        """Whether nothing would be learnt by playing it."""
        name = self.hypotheses[k].name
        if name in self.unplayable:
            return True
        origin, variance = self.foretold.get(name, (-1, np.inf))
        return origin == self._from(self.hypotheses[k]) and self.variance > LESS * variance

    def place(self, one: Hypothesis) -> Array:
        """How far all values are moved under it [shape=(values,)]."""
        mean, _ = self.coefficients(one)
        follows, sigma = self.origin_of(one).set_up.follows, np.sqrt(np.diag(self.scatter))
        place = mean[: len(sigma)].copy()
        ways = {k: float(np.clip(place[k], -FARTHEST, FARTHEST)) for k in one.free}
        for k, way in ways.items():  # its trims stay where they are
            place += way * follows[k]
        place = np.clip(place, -FARTHEST_OTHER * sigma, FARTHEST_OTHER * sigma)
        for k, way in ways.items():
            place[k] = way
        return np.asarray(place)

    def build(self, one: Hypothesis) -> Build:
        """The changes that put a hypothesis in where it stands."""
        return self.drawn.build(one, self.place(one))

    def is_explained(self) -> bool:
        """Whether the best needs hardly more error of the model than is known of: the right one is among those
        played."""
        known = [sums.least for sums in self.origins[0].sums if sums.freedom is not None]
        return not known or self.variance < EXPLAINED * max(known)

    def play(self, k: int) -> bool:
        """Play one where it stands, and look from there if that was not foretold, or is much nearer to the data than
        where its slopes were taken; whether there is something new."""
        one = self.hypotheses[k]
        origin, _ = self.seen_by(one)
        goal = self.place(one)
        same = origin.stands is None or origin.stands.name == one.name
        start = origin.place if same else np.zeros(len(goal))
        shorter = [start + share * (goal - start) for share in SHARES]
        tried, before = self._tried(one, [goal]), self._weight(origin.misfit)
        if tried:
            left = self._weight(tried[0].misfit)
            missed = left - self._weight(origin.foretold(origin.away(one, goal)))
            known = one.name in self.home or self.is_explained()  # else an error of the model hides what it could do
            if known and missed < 2.0 * PROVED_NATS and left > LESS * before:
                self.foretold[one.name] = self.origins.index(origin), self.variance
                return False
            if left > before and one.fault is None:
                tried += self._tried(one, shorter)
        else:
            tried = self._tried(one, shorter)
        if not tried:
            self.unplayable.add(one.name)
            return False
        best = min(tried, key=lambda each: self._weight(each.misfit) + self._unlikely(one, each.place))
        try:
            self.origins.append(self.drawn.at(one, best.place, best.play))
        except FetsimError:  # trims cannot be told there
            self.unplayable.add(one.name)
            return False
        self.home[one.name] = len(self.origins) - 1
        self.tried[one.name].add(self.ground)
        return True

    def _tried(self, one: Hypothesis, places: Sequence[Array]) -> "list[_Tried]":
        """Played there, as a whole; without those that cannot be, or are nothing like a recording."""
        builds = [self.drawn.build(one, place) for place in places]
        found = []
        for place, play in zip(places, self.columns.predicted(builds, keep=False, whole=True), strict=True):
            with suppress(InputError):
                found.append(_Tried(place=place, play=play, misfit=self.columns.around(play).misfit()))
        return found

    def _unlikely(self, one: Hypothesis, place: Array) -> float:
        """Chi squared of a place."""
        others = place.copy()
        others[list(one.free)] = 0.0
        ways = place[list(one.free)] / WIDTHS[len(WIDTHS) // 2]
        return float(others @ self._precision @ others + ways @ ways)

    def _weight(self, misfit: Sequence[float]) -> float:
        """Chi squared of what is left of the data, the model's error in it."""
        each = zip(misfit, self.origins[0].sums, strict=True)
        return sum(power / (1.0 if sums.freedom is None else self.variance) for power, sums in each)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Tried:
    place: Array
    play: Predicted
    misfit: list[float]
