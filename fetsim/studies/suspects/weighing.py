"""Hypotheses weighed against the data, each by slopes from where it stands, or from where the best one does.

What a value far off does is no multiple of its slope, and a hundred others pull along. So a hypothesis that has been
played is weighed from there (``origins``), and what has not from the best origin: whatever explains the data as well
gives the same sound, so its slopes there are nearly its own. ``playing`` says how one is played, ``search`` which.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, partial

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.studies.suspects.columns import Columns
from fetsim.studies.suspects.evidence import WIDTHS, Floor, Metric, probabilities, root_of
from fetsim.studies.suspects.hypotheses import Hypothesis
from fetsim.studies.suspects.limits import FARTHEST, within
from fetsim.studies.suspects.mixture import Weighed, metrics_of, possible_v, weighed
from fetsim.studies.suspects.origins import Drawn, Origin, Slopes
from fetsim.studies.suspects.set_up import Build
from fetsim.studies.suspects.values import Value

EXPLAINED, WITHIN_NOISE = 6.0, 0.03
"""Times the V that is known of, up to which all is explained; or that much of the power of the noise."""
LESS = 0.5
"""An error of the model that is smaller by such a share makes all that had settled uncertain again; and what leaves so
much more than the best origin has strayed."""
PROMISES = 4.0
"""Nats by which one must look better from the ground than from its own place to be tried from there."""


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
    tried: dict[str, set[tuple[str, Slopes]]] = field(default_factory=partial(defaultdict, set), init=False)
    """and what stood on the ground when they were made, with which slopes;"""
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
    sharp: bool = False
    """Whether V is told by what is left along ``Sums.modes``, too: for what has been played so near to the data that
    slopes are good enough;"""
    in_doubt: bool = field(default=False, init=False)
    """Whether an error of the model may look like what is wrong."""
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

    def weigh(self) -> None:
        """All hypotheses from all origins that there are."""
        self._look()
        best = self.origins[self.ground].slopes.root
        if any(self._borrows(one, best) for one in self.origins):
            self.origins = [one.borrowing(best) if self._borrows(one, best) else one for one in self.origins]
            self._look()
        self.log_evidence = np.array([self._weighed(one) for one in self.hypotheses])
        first = self.hypotheses[int(np.argmax(self.probability))]
        origin, data = self.seen_by(first)
        self.variance, _ = data.under(origin.form(first))

    def _look(self) -> None:
        self._best_from.clear()
        floors = [Floor.of(each, sharp=self.sharp) for each in zip(*(one.floors for one in self.origins), strict=True)]
        self.looks = [weighed(one.sums, self._prior, floors, self._metrics_of(one)) for one in self.origins]
        if self.in_doubt:
            origin, data = self.seen_by(self.hypotheses[0])
            health = data.by_v(origin.form(self.hypotheses[0]))
            self.looks = [replace(one, health=health) for one in self.looks]
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
        """Whether it has none of its own, and could have these instead of others."""
        root = origin.slopes.root
        others = origin.borrowed and root is not slopes and (root.stands is None or root.stands is not origin.stands)
        return others and not origin.is_faulty and slopes.can_lend(origin.columns)

    def _ground(self) -> int:
        """Of the origins without a fault the one that is most probable as it stands, whatever its slopes promise; at
        first the unit as drawn."""
        own = {one.name: one for one in self.hypotheses if one.name in self.home}
        misfit = {
            place: self._misfit(own[name], self.origins[place]) - 2.0 * own[name].log_prior
            for name, place in self.home.items() if not self.origins[place].is_faulty
        }  # fmt: skip
        return min(misfit, key=lambda place: misfit[place], default=0)

    def _weighed(self, one: Hypothesis) -> float:
        origin, data = self.seen_by(one)
        return data.of(origin.form(one))

    def _from(self, one: Hypothesis) -> int:
        """Number of the origin from which it is weighed: its own, unless by slopes of elsewhere it has strayed from
        what others leave, or looks better from the ground, and has not been tried from what stands there."""
        if one.name not in self.home:
            return self._afar(one)
        own = self.home[one.name]
        here, tried = self.origins[own], self._on_ground in self.tried[one.name]
        if tried or not here.borrowed or here.is_faulty:
            return own
        return self.ground if self._has_strayed(here) or self._promises(one, own) else own

    def _has_strayed(self, origin: Origin) -> bool:
        """Whether it leaves much more than the ground."""
        return self._weight(self.origins[self.ground].left) < LESS * self._weight(origin.left)

    def _promises(self, one: Hypothesis, own: int) -> bool:
        """Whether from the ground, which has slopes of its own, one looks better than from its own place."""
        ground = self.origins[self.ground]
        if ground.stands is None or ground.slopes.root.stands is not ground.stands:
            return False
        if one.name not in self._best_from:
            looks = {k: self.looks[k].of(self.origins[k].form(one)) for k in (self.ground, own)}
            self._best_from[one.name] = self.ground if looks[self.ground] > looks[own] + PROMISES else own
        return self._best_from[one.name] == self.ground

    @property
    def _on_ground(self) -> tuple[str, Slopes]:
        """What stands there, and what its slopes were taken as."""
        ground = self.origins[self.ground]
        return "" if ground.stands is None else ground.stands.name, ground.slopes.root

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

    def place(self, one: Hypothesis, held: float = 0.0, origin: Origin | None = None) -> Array:
        """How far all values are moved under it [shape=(values,)]. ``held``: as if all were known to be where they
        stand now, so many times as well as they are before anything has been looked at (Levenberg, Quart. Appl. Math. 2
        (1944) 164, from memory), for slopes that do not reach far. ``origin``: seen from there."""
        sigma = np.sqrt(np.diag(self.scatter))
        plain = held == 0.0 and origin is None
        mean = self.coefficients(one)[0] if plain else self._held(one, held, origin or self.origin_of(one))
        place = within(self._trims_stay(one) @ mean[: len(sigma)], self._spread(one), sigma, one.free)
        place[list(one.free)] = np.clip(place[list(one.free)], -FARTHEST, FARTHEST)
        return place

    def _held(self, one: Hypothesis, times: float, origin: Origin) -> Array:
        """Coefficients, held so [shape=(columns,)]: at the V that suits the best one."""
        form = origin.form(one)
        prior = self._prior + WIDTHS[len(WIDTHS) // 2] ** 2 * form.free @ form.free.T
        root = root_of(prior)
        here = np.linalg.pinv(root) @ (origin.away_here - form.offset)
        gram, score = np.zeros_like(prior), np.zeros(len(prior))
        for sums in origin.sums:
            weight = 1.0 if sums.freedom is None else self.variance
            gram += sums.gram / weight
            score += (sums.score - sums.gram @ form.offset) / weight
        known = root.T @ gram @ root + (1.0 + times) * np.eye(root.shape[1])
        return np.asarray(root @ np.linalg.solve(known, root.T @ score + times * here))

    def _spread(self, one: Hypothesis) -> Array:
        """Covariance of that [shape=(values, values)]."""
        values, stay = slice(0, len(self.values)), self._trims_stay(one)
        return np.asarray(stay @ self.coefficients(one)[1][values, values] @ stay.T)

    def _trims_stay(self, one: Hypothesis) -> Array:
        """From what columns count to how far values are moved: trims stay where they were before it went wrong."""
        found, follows = np.eye(len(self.values)), self.origin_of(one).set_up.follows
        found[:, list(one.free)] += follows[list(one.free)].T
        return found

    def build(self, one: Hypothesis) -> Build:
        """The changes that put a hypothesis in where it stands."""
        return self.drawn.build(one, self.place(one))

    def is_explained(self) -> bool:
        """Whether the best needs hardly more error of the model than is known of: the right one is among those
        played."""
        heard = [(sums, sums.freedom) for sums in self.origins[0].sums if sums.freedom is not None]
        enough = [max(EXPLAINED * one.least, WITHIN_NOISE * one.count / freedom) for one, freedom in heard]
        return not enough or self.variance < max(enough)

    def behind(self, k: int) -> float:
        """By how much the best one is more probable (nats)."""
        chance = self.log_evidence + np.array([one.log_prior for one in self.hypotheses])
        return float(np.max(chance) - chance[k])

    def _weight(self, left: Sequence[float]) -> float:
        """Chi squared of what is left of the data, the model's error in it."""
        each = zip(left, self.origins[0].sums, strict=True)
        return sum(power / (1.0 if sums.freedom is None else self.variance) for power, sums in each)

    def _misfit(self, one: Hypothesis, origin: Origin) -> float:
        """Chi squared of a place and of what it leaves of the data."""
        return self._weight(origin.left) + self._unlikely(one, origin.place)

    def _hoped(self, one: Hypothesis, origin: Origin, place: Array) -> float:
        """The same as slopes foretell it."""
        return self._weight(origin.foretold(origin.away(one, place))) + self._unlikely(one, place)

    @cached_property
    def _precision(self) -> Array:
        return np.asarray(np.linalg.pinv(self.scatter, rcond=1e-12, hermitian=True), dtype=np.float64)

    def _unlikely(self, one: Hypothesis, place: Array) -> float:
        """Chi squared of a place."""
        others = place.copy()
        others[list(one.free)] = 0.0
        ways = place[list(one.free)] / WIDTHS[len(WIDTHS) // 2]
        return float(others @ self._precision @ others + ways @ ways)
