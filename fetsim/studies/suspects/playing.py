"""Hypotheses played where they are most probable, a step after the other, until they stand.

A step is one of Gauss and Newton's method with all values free: the most probable place by the slopes there are. A play
is what slopes have foretold, or it tells what they missed, and so do the ends of an interval. Slopes of another place
are bent by that (``Slopes.bent``) and serve on, which takes one play a step; where that leads nowhere, and for what
leads in the end, slopes are taken anew, which takes a play for each value. What data know badly, hundreds of values
that make up for each other, are narrow valleys that bend: a step that leaves one is followed by one back into it.
"""

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.errors import FetsimError
from fetsim.studies.suspects.columns import Columns
from fetsim.studies.suspects.hypotheses import Hypothesis
from fetsim.studies.suspects.limits import FARTHEST
from fetsim.studies.suspects.origins import Origin, Slopes
from fetsim.studies.suspects.weighing import Weighing

PROVED_NATS = 2.0
"""By which a play may leave more or less than slopes foretold, or what a step may promise: no more is looked into."""
SERVES, SERVES_NEAR = 0.1, 20.0
"""Where slopes miss more than such a share of what a fault does (sum of squares), and than so much, and it leads, it
gets its own."""
MOST_STEPS = 8
"""By the same slopes."""
BENT = 500.0
"""Chi squared that slopes must have missed on the way for those at its end to be taken for something else, where no
more is left that they could explain."""
MOST_BYTES = 800_000_000
"""That slopes of elsewhere may hold: of two seconds of sound a set of the Dunlin's takes 60 million."""
MOST_OWN = 5
"""Places at which one suspect gets slopes of its own."""
FIRST_HELD, TIGHTER, TIGHTEST = 1.0, 10.0, 10.0
"""How fast a step is held that comes after one that led away from the data (``Weighing.place``), how much faster each
time, and up to where."""
SURE = 1.96
"""Standard deviations of 95 %."""
FLAT, WAYS = 0.4, (0.25, 0.5, 0.75, 1.0, 1.5, 2.0)
"""Nepers that slopes leave a value open by, beyond which they tell next to nothing of it: then plays do, so many times
as far off."""


@dataclass(kw_only=True, eq=False)
class Step:
    """One step of one hypothesis."""

    k: int
    """Number of it."""
    one: Hypothesis
    origin: Origin
    """From there,"""
    held: float
    """held so much,"""
    goal: Array
    """to here [shape=(values,)]."""
    there: Origin | None = None
    """What was played, at the goal or back from it; None: could not be."""
    straight: bool = True
    """Whether it is at the goal."""

    @property
    def mine(self) -> bool:
        """Whether the hypothesis stood there before."""
        return self.origin.stands is not None and self.origin.stands.name == self.one.name


@dataclass(eq=False)
class Playing(Weighing):
    """Hypotheses that are followed."""

    renewed: Counter[str] = field(default_factory=Counter, init=False)
    """Places at which one has got slopes of its own,"""
    steps: Counter[tuple[str, Slopes]] = field(default_factory=Counter, init=False)
    """and steps that were made with slopes of elsewhere;"""
    bent: defaultdict[tuple[str, Slopes], float] = field(default_factory=partial(defaultdict, float), init=False)
    """what those missed on the way (chi squared);"""
    held: defaultdict[str, float] = field(default_factory=partial(defaultdict, float), init=False)
    """how fast a step is held where it begins, after others that led away from the data,"""
    stuck: set[str] = field(default_factory=set, init=False)
    """those that slopes of elsewhere led nowhere,"""
    owed: set[str] = field(default_factory=set, init=False)
    """and those that could have led as well when another one got slopes of its own, had theirs not missed so much;"""
    ends: dict[str, tuple[float, float]] = field(default_factory=dict, init=False)
    """Of values that slopes tell nothing of where they stand: ends of their intervals by plays;"""
    missed: dict[str, float] = field(default_factory=dict, init=False)
    """and by how much the last one missed what slopes foretold, which is what its evidence may be wrong by (nats)."""

    def play(self, each: Sequence[int]) -> bool:
        """Play these where they stand, side by side, and look from there; whether there is something new. Slopes are
        bent so that they would have foretold what came; where that leads nowhere, the best gets slopes of its own."""
        ways = [self._ways(k) for k in each]
        every = [step for way in ways for step in way]
        for step, there in zip(every, self._tried([(one.one, one.goal, one.origin) for one in every]), strict=True):
            step.there = there
        steps = [self._best(way) for way in ways]
        self._back([step for step in steps if self._strays(step)])
        own = self.own
        found = [self._arrive(step, first=self.own == own) for step in steps]
        return any(found)

    def _ways(self, k: int) -> list[Step]:
        """The next step of a hypothesis; of what leads from slopes of its own, held more, too, which costs less time
        than to see one after the other."""
        one = self.hypotheses[k]
        origin, held = self.origin_of(one), [self.held[one.name]]
        if self._leads(k) and origin.slopes.root.stands is one:
            held += [max(FIRST_HELD, held[0] * TIGHTER), TIGHTER * max(FIRST_HELD, held[0] * TIGHTER)]
        return [Step(k=k, one=one, origin=origin, held=each, goal=self.place(one, each)) for each in held]

    def _best(self, ways: Sequence[Step]) -> Step:
        """Of them the one that leaves least; where all lead away from the data, the shortest."""
        found = [step for step in ways if self._is_better(step)]
        return min(found, key=lambda step: self._left(step.one, step.there), default=ways[-1])

    def _strays(self, step: Step) -> bool:
        """Whether it has led away from the data."""
        there = step.there
        return there is not None and step.mine and there.borrowed and not self._is_better(step)

    def _is_better(self, step: Step) -> bool:
        return self._left(step.one, step.there) <= self._misfit(step.one, step.origin)

    def _left(self, one: Hypothesis, there: Origin | None) -> float:
        return np.inf if there is None else self._misfit(one, there)

    def _back(self, steps: Sequence[Step]) -> None:
        """After a step that led away from the data: from its end a second one by the same slopes, back to where the
        data are, which bends along a valley as straight steps do not (the idea of Transtrum and Sethna,
        arXiv:1201.5885, from memory); the better of both."""
        places = [(step.one, self.place(step.one, step.held, step.there), step.origin) for step in steps]
        for step, back in zip(steps, self._tried(places), strict=True):
            step.straight = False
            step.there = min(step.there, back, key=lambda there: self._left(step.one, there))

    def _arrive(self, step: Step, *, first: bool) -> bool:
        """See what a step has brought, and look from there; whether that is something new. ``first``: whether no other
        one beside it has got slopes of its own."""
        k, one, origin, there, held = step.k, step.one, step.origin, step.there, step.held
        if there is None:
            self.held[one.name] = max(FIRST_HELD, held * TIGHTER)
            if held > TIGHTEST:
                self.unplayable.add(one.name)
            return False
        if self._was_better_at_home(step, there):
            self.tried[one.name].add(self._on_ground)
            if first and self._leads(k):  # slopes of elsewhere promised more than its own, so one of them is wrong
                self.take_slopes(k)
            return True
        away = origin.away(one, there.place)
        missed = self._weight(there.left) - self._weight(origin.foretold(away))
        self.missed[one.name] = 0.5 * abs(missed)
        self.bent[one.name, origin.slopes.root] += abs(missed)
        better = not step.mine or self._is_better(step)
        done = self._is_told(step)
        own, taken = origin.slopes.root.stands is one, self.steps[one.name, origin.slopes.root]
        stuck = not better or not there.borrowed or taken >= MOST_STEPS
        jumps = one.fault is not None and not step.mine
        jumps = jumps and missed > SERVES * self._weight(origin.moved(away)) + SERVES_NEAR
        anew = not own and (self._is_owed(one) or (self._leads(k) and (done or stuck or jumps)))
        if anew and first:
            return self._look_from(one, there if better else origin, own=True)
        self.steps[one.name, origin.slopes.root] += 1
        self.held[one.name] = held / TIGHTER if better else max(FIRST_HELD, held * TIGHTER)
        if better and there.borrowed:
            self._look_from(one, there.bent(origin) if step.straight else there)
        if not anew and (done or (stuck and (not own or held > TIGHTEST))):
            self.foretold[one.name] = self.origin_of(one).slopes, self.variance
            (self.stuck.discard if done or own else self.stuck.add)(one.name)
        return better and there.borrowed

    def _is_told(self, step: Step) -> bool:
        """Whether no more is learnt by slopes as they are: all has come that they promise, and no more than that, or
        they promise no more, or what they may be wrong by does not make up for how far it is behind."""
        one, origin = step.one, step.origin
        if one.name not in self.home and not self.is_explained():
            return False  # an error of the model hides what it could do
        promised = self._hoped(one, origin, step.goal if step.held == 0.0 else self.place(one))
        near = step.mine and self._misfit(one, origin) - promised < 2.0 * PROVED_NATS
        come = abs(self._left(one, step.there) - promised) < 2.0 * PROVED_NATS
        return near or come or self.behind(step.k) > self.missed[one.name]

    def prove(self, k: int) -> bool:
        """Play both ends of the interval of a value that is off, all others following, and bend slopes to what lies
        between; whether they were not foretold."""
        one = self.hypotheses[k]
        origin, _ = self.seen_by(one)
        if not origin.slopes.can_lend(origin.columns):
            return False
        if np.sqrt(self._spread(one)[one.free, one.free]) > FLAT:
            self._play_ends(one, origin)
            return False
        middle, way = self.place(one), self._end(one)
        low, high = self._tried([(one, middle + side * way, origin) for side in (-1.0, 1.0)])
        if low is None or high is None or not (low.borrowed and high.borrowed):
            return False
        missed = [
            self._weight(end.left) - self._weight(origin.foretold(origin.away(one, end.place))) for end in (low, high)
        ]
        if max(map(abs, missed)) < 2.0 * PROVED_NATS:
            return False
        best = min(origin, low, high, key=lambda each: self._misfit(one, each))
        slopes = low.bent(high).slopes
        self._look_from(one, replace(best, slopes=slopes, borrowed=True, came_from=None))
        return True

    def _play_ends(self, one: Hypothesis, origin: Origin) -> None:
        """From half way to the next play that leaves more than 95 % allow, all other values where they are, to half way
        to the next one beyond; what leaves no more at the last one is open."""
        (free,) = one.free
        ways = np.clip(np.array(WAYS) * origin.place[free], -FARTHEST, FARTHEST)
        places = [np.where(np.arange(len(origin.place)) == free, way, origin.place) for way in ways]
        left = np.array([self._left(one, there) for there in self._tried([(one, place, origin) for place in places])])
        kept = np.flatnonzero(left <= np.min(left) + SURE**2)
        if len(kept) and np.isfinite(left[kept[0]]):
            edges = np.concatenate([[0.0], 0.5 * (ways[1:] + ways[:-1]), [np.sign(ways[-1]) * FARTHEST]])
            low, high = sorted((float(edges[kept[0]]), float(edges[kept[-1] + 1])))
            self.ends[one.name] = low, high

    def _end(self, one: Hypothesis) -> Array:
        """From the middle of the interval of its value to its end, all others following [shape=(values,)]."""
        (free,), covariance = one.free, self._spread(one)
        return np.asarray(SURE * covariance[free] / np.sqrt(covariance[free, free]))

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
        self.tried[one.name].add(self._on_ground)
        return True

    def _forget(self) -> None:
        """What lending takes of slopes, the oldest first, until what is left is not too much; never of the ground's."""
        sizes = {one.slopes.root: one.slopes.root.size for one in self.origins}
        for root in list(sizes):
            if sum(sizes.values()) > MOST_BYTES and root is not self.origins[self.ground].slopes.root:
                del sizes[root]
                for one in self.origins:
                    if one.slopes.root is root:
                        one.slopes.forget()
                root.forget()

    @property
    def own(self) -> int:
        """Places at which slopes have been taken."""
        return sum(not one.borrowed for one in self.origins)

    def _was_better_at_home(self, step: Step, there: Origin) -> bool:
        """Whether one that was tried from the ground stays where it was."""
        home = self.home.get(step.one.name)
        if step.mine or home is None or self.origins[home] is step.origin:
            return False
        return self._misfit(step.one, self.origins[home]) < self._misfit(step.one, there)

    def is_settled(self, k: int) -> bool:
        """Whether nothing would be learnt by playing it: what leads, or could have, is not as long as slopes of its own
        might help."""
        one = self.hypotheses[k]
        helps = one.name not in self.unplayable and (self._is_owed(one) or (one.name in self.stuck and self._leads(k)))
        return super().is_settled(k) and not helps

    def _is_owed(self, one: Hypothesis) -> bool:
        return one.name in self.owed and not self.renewed[one.name] and not self._has_strayed(self.origin_of(one))

    def _leads(self, k: int) -> bool:
        return k == int(np.argmax(self.probability))

    def take_slopes(self, k: int) -> bool:
        """Give one slopes of its own where it stands, if those it has were bent much; whether that was done."""
        one = self.hypotheses[k]
        origin = self.origin_of(one)
        if one.name not in self.home or self.bent[one.name, origin.slopes.root] < BENT:
            return False
        return self._look_from(one, origin, own=True)

    def begin_anew(self, k: int) -> None:
        """From where one stands, with slopes that it has just got: all steps are open."""
        name = self.hypotheses[k].name
        self.held[name] = 0.0
        self.foretold.pop(name, None)

    def _tried(self, places: Sequence[tuple[Hypothesis, Array, Origin]]) -> list[Origin | None]:
        """Played there, as a whole, side by side, with the slopes of an origin as far as it can lend them; None where
        one cannot be played, or is nothing like a recording."""
        played = self.drawn.played([(one, place) for one, place, _ in places])
        return [
            None if columns is None else self._standing(one, place, columns, origin)
            for (one, place, origin), columns in zip(places, played, strict=True)
        ]

    def _standing(self, one: Hypothesis, place: Array, columns: Columns, origin: Origin) -> Origin:
        lent = origin.slopes.can_lend(columns)
        slopes = origin.slopes if lent else Slopes(columns=columns, set_up=origin.set_up, stands=one)
        return Origin(columns=columns, slopes=slopes, stands=one, place=place, borrowed=lent)
