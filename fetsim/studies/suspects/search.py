"""Which hypotheses are played, and in what order, until all that lead have been played where they are most probable.

Health first, as far as tolerances take it, unless a gross fault explains much by itself: from there the slopes of all
others are nearly their own. Then whatever leads is followed: played where it stands, all weighed again from there,
until the best stays where it is; then what could still lead beside it, each until its slopes have foretold what it
gives; pairs last. The numbers here and in ``playing`` are choices, made on a handful of blind trials.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from fetsim.rig.runner import Notice, Progress, unsaid, unwatched
from fetsim.studies.suspects.hypotheses import Hypothesis
from fetsim.studies.suspects.pairs import Pairs
from fetsim.studies.suspects.playing import BENT

GROSS = 0.25
"""Of what the unit as drawn leaves, a fault as drawn that leaves no more is no matter of tolerances."""
HEALTH_FIRST, NOISE = 6, 1.1
"""Steps in which health is followed; where it leaves noise but for so much, everything is seen from there anew."""
MOST_ORIGINS, MOST_READ, MORE_IF_SHARP = 14, 40, 2
"""Places from which slopes are taken, at the most, of recordings and of readings alone;"""
MOST_ROUNDS, TOGETHER = 60, 8
"""and how often hypotheses are played, so many side by side."""
LEADS = 0.03
"""What has this share of the chance of the first may lead;"""
SINGLE, NEAR_NATS = 6, 10.0
"""and of single ones the first few by what the data say alone, if they are no farther behind."""
MOST_RIVALS, RIVAL_NATS = 5, 12.0
"""Of the first, those that could have led as well when one of them was given slopes of its own are played too,"""
MOST_OWED = 3
"""and so many that slopes of elsewhere lead nowhere get their own."""
MOST_RENEWED, MOST_ANEW = 3, 3
"""Of the first, so many get new slopes where nothing explains all, each so often at the most; before them those that
led once, or nearly, and came to a stop by slopes of elsewhere; the best does, too, where it explains all but has not
come to what its own promise."""
OTHER_FAULTS, MOST_OTHER = 4, 8
"""Faults as drawn of which all are played where one nearly leads, or nothing explains all, until so many have been;"""
ALIKE_SHARE, MOST_ALIKE = 0.01, 16
"""and those that do what the best of them does, but for such a share of its power, as many at the most."""
BEGUN, STILL_NATS = 4, 50.0
"""Plays after which one is left that is farther behind than that."""
WIDER = 8
"""As long as the best does not explain all, so many are tried."""
FOLLOWED = 0.5
"""Share of the way of a search by which the first is followed."""
MOST_FAULTS = 60
"""Faults as drawn that are kept, out of hundreds."""
LAST_STEPS = 3
"""Of the first, with slopes from where it has come to."""
MOST_PROVED, ROUNDS = 4, 2
"""Intervals of the first suspects that are proved by plays at their ends, and how often."""
TOLD = 4
"""Names of hypotheses that are told while they are played."""


@dataclass(eq=False)
class Search(Pairs):
    """One search."""

    notice: Notice = unsaid
    """Told which hypotheses are played, once in a row."""
    plays: Counter[str] = field(default_factory=Counter, init=False)
    """Of each, how many there have been."""
    _told: str = field(default="", init=False)
    led: dict[str, float] = field(default_factory=dict, init=False)
    """Those that have led, or nearly, and how many nats they were behind when that was least."""
    _stood: set[tuple[str, int]] = field(default_factory=set, init=False)
    """Faults that have been tried where another one stands, and its origin then."""

    def play(self, each: Sequence[int]) -> bool:
        self.plays.update(self.hypotheses[k].name for k in each)
        self._tell([self.hypotheses[k].name if k else "tolerances alone" for k in each])
        first = int(np.argmax(self.probability))
        for k in [first, *self._rivals(first)]:
            name = self.hypotheses[k].name
            self.led[name] = min(self.behind(k), self.led.get(name, np.inf))
        fault = next((k for k in [first, *self._order] if self.hypotheses[k].fault is not None), first)
        stood = [k for k in each if self._may_stand_by(k, fault) and self._stand_by(k, fault)]
        rivals = self._rivals(first) if first in each and first != 0 else []
        seen_from = {n: self._from(self.hypotheses[n]) for n in rivals}
        before = self.own
        found = super().play([k for k in each if k not in stood])
        if self.own > before:
            for n in rivals:
                self._remember(n, seen_from[n])
        return found or bool(stood)

    def _remember(self, k: int, seen_from: int) -> None:
        """One that could have led when another one got slopes of its own: it is played, or owed its own too."""
        one = self.hypotheses[k]
        if not self.is_played(k):
            self.rivals[one.name] = seen_from
        elif self.bent[one.name, self.origins[seen_from].slopes.root] > BENT and len(self.owed) < MOST_OWED:
            self.owed.add(one.name)

    def _tell(self, names: Sequence[str]) -> None:
        shown = ", ".join(names[:TOLD]) + (f" and {len(names) - TOLD} more" if len(names) > TOLD else "")
        what = f"how far it is explained by {shown}"
        if what != self._told:
            self.notice(what)
        self._told = what

    def _may_stand_by(self, k: int, first: int) -> bool:
        """Whether both are faults, and the better one has gone where this one has not been, by slopes of its own if it
        has been anywhere."""
        one, best = self.hypotheses[k], self.hypotheses[first]
        if k == first or one.fault is None or best.fault is None or not self.is_played(first):
            return False
        root = self.origin_of(best).slopes.root
        return not self.is_played(k) or (root.stands is best and (one.name, self._from(best)) not in self._stood)

    def _stand_by(self, k: int, first: int) -> bool:
        self._stood.add((self.hypotheses[k].name, self._from(self.hypotheses[first])))
        return self.stand_there(k, first)

    def _rivals(self, k: int) -> list[int]:
        """Those that could lead as well as this one."""
        near = [n for n in self._order[:MOST_RIVALS] if n != k and self.behind(n) < RIVAL_NATS]
        return [n for n in near if self.hypotheses[n].single]

    def run(self, progress: Progress = unwatched) -> None:
        """All of it."""
        self._leave_hopeless()
        gross = self._is_gross()
        for number in range(HEALTH_FIRST):
            if gross or self.is_settled(0):
                break
            if not self.play([0, *[k for k in self._next() if k][: TOGETHER - 1]]):
                break
            self.weigh()
            progress(FOLLOWED * 0.5 * (number + 1) / HEALTH_FIRST)
        if self._is_left_noise(0) and self.take_slopes(0):
            self.weigh()
        most = MOST_ORIGINS if self.columns.heard else MOST_READ
        self._follow(most, lambda share: progress(FOLLOWED * (0.5 + 0.5 * share)))
        leader = int(np.argmax(self.probability))
        if leader and self.stand_there(0, leader):
            self.weigh()
        self.sharp = True
        self.weigh()
        self._follow(most + MORE_IF_SHARP, lambda share: progress(FOLLOWED + (1.0 - FOLLOWED) * 0.5 * share))
        self.add_pairs()
        self._follow(most + MORE_IF_SHARP, lambda share: progress(FOLLOWED + (1.0 - FOLLOWED) * (0.5 + 0.5 * share)))
        self.leave_idle()
        self._see_first()
        self._prove()
        self.in_doubt = True
        self.weigh()

    def _is_left_noise(self, k: int) -> bool:
        """Whether one leaves hardly more than noise of what was recorded, where it stands."""
        heard = self.origin_of(self.hypotheses[k]).left_here
        return all(one.power < NOISE * one.count for one in heard if one.freedom is not None)

    def _see_first(self) -> None:
        """Slopes that have been bent on a long way tell apart what nothing tells apart, and make intervals too small:
        the first gets new ones where it has come to."""
        k = self._order[0]
        if self.probability[k] < LEADS or not self.take_slopes(k):
            return
        self.begin_anew(k)
        self.weigh()
        for _ in range(LAST_STEPS):
            if not super().play([k]):
                break
            self.weigh()

    def _prove(self) -> None:
        """Intervals of the values that lead."""
        for _ in range(ROUNDS):
            found = [k for k in self._order[:MOST_PROVED] if self.probability[k] > LEADS and self._has_interval(k)]
            if not [k for k in found if self.prove(k)]:
                break
            self.weigh()

    def _has_interval(self, k: int) -> bool:
        one = self.hypotheses[k]
        return len(one.free) == 1 and one.fault is None and one.name in self.home

    def _follow(self, most: int, progress: Progress) -> None:
        for number in range(MOST_ROUNDS):
            progress(number / MOST_ROUNDS)
            if self.own >= most:
                break
            each = self._next()
            if self.play(each) if each else self._renew():
                self.weigh()
            elif not each:
                break
        progress(1.0)

    def _renew(self) -> bool:
        """Where all that may lead has come to a stop, one that slopes have led astray gets new ones; whether there was
        one. Where nothing explains all, first those that led once, or nearly, but never had their own: what came after
        may lead only as its slopes promised less that did not come; else the best, if it has not come to what its
        slopes promise."""
        names = [one.name for one in self.hypotheses]
        if self.is_explained():
            each = [k for k in self._order[:1] if self._promised(k) > 2.0 * RIVAL_NATS]
        else:
            led = sorted((name for name in self.led if name in names), key=lambda name: self.led[name])
            each = [names.index(name) for name in led if not self.renewed[name]] + self._order[:MOST_RENEWED]
        k = next((k for k in each if self.renewed[names[k]] < MOST_ANEW and self.take_slopes(k)), None)
        if k is not None:
            self.begin_anew(k)
        return k is not None

    def _promised(self, k: int) -> float:
        """Chi squared that slopes still promise one that has been played."""
        one, origin = self.hypotheses[k], self.origin_of(self.hypotheses[k])
        return self._misfit(one, origin) - self._hoped(one, origin, self.place(one)) if self.is_played(k) else 0.0

    def _next(self) -> list[int]:
        """The best that have not settled, of those that may lead."""
        chance = self.probability
        order = np.argsort(-chance, kind="stable").tolist()
        missed = {k: self.missed[one.name] for k, one in enumerate(self.hypotheses) if one.name in self.missed}
        begun = [
            k for k in order if k in missed and missed[k] > self.behind(k) and
            (self.plays[self.hypotheses[k].name] < BEGUN or self.behind(k) < STILL_NATS)
        ]  # fmt: skip
        rivals = [k for k in order if self.hypotheses[k].name in self.rivals and not self._is_known(k)]
        rivals += [k for k in order if self._is_owed(self.hypotheses[k])]
        likely = [k for k in order if chance[k] > LEADS * float(np.max(chance))] + begun + rivals
        if self.is_explained():
            order = [k for k in np.argsort(-self.log_evidence, kind="stable").tolist() if self._is_near(k)][:SINGLE]
        single = [k for k in order if self.hypotheses[k].single][:WIDER]
        found = [k for k in dict.fromkeys(self.singles_first([*likely, *single])) if not self.is_settled(k)]
        return (found or self._other_faults())[:TOGETHER]

    def _other_faults(self) -> list[int]:
        """Where a fault as drawn leads, or nearly does, or nothing explains all, those that nobody has played of the
        ones that are best, or that do nearly what the best one does: none of them is seen from where that stands."""
        near = [k for k in self._order if self.hypotheses[k].fault is not None and self.behind(k) < RIVAL_NATS]
        if not near and self.is_explained():
            return []
        order = np.argsort(-self.log_evidence, kind="stable").tolist()
        faults = [k for k in order if self.hypotheses[k].fault is not None]
        others = faults[:OTHER_FAULTS] if sum(map(self._is_known, faults)) < MOST_OTHER else []
        alike = self._alike(self.hypotheses[near[0]], faults) if near else []
        beside = [k for k in alike if self._may_stand_by(k, near[0])]
        return [*(k for k in dict.fromkeys([*others, *alike]) if not self._is_known(k) and k not in beside), *beside]

    def _alike(self, one: Hypothesis, faults: Sequence[int]) -> list[int]:
        """A fault, and those of others that do nearly what it does, the nearest first."""
        effect = self._between(one, 0)
        apart = {k: self._between(one, k) for k in faults}
        alike = sorted((k for k in faults if apart[k] < ALIKE_SHARE * effect), key=lambda k: apart[k])
        return alike[: 1 + MOST_ALIKE]

    def _between(self, one: Hypothesis, other: int) -> float:
        """How far two faults lie apart in what they do to the unit as drawn (sum of squares over the noise)."""
        drawn, zero = self.origins[0], np.zeros(len(self.values))
        way = drawn.away(one, zero) - drawn.away(self.hypotheses[other], zero)
        return self._weight([float(way @ sums.gram @ way) for sums in drawn.sums])

    def _is_known(self, k: int) -> bool:
        return self.is_played(k) or self.is_settled(k)

    def _is_near(self, k: int) -> bool:
        """Whether the data say little more for the best one."""
        return float(np.max(self.log_evidence) - self.log_evidence[k]) < NEAR_NATS

    def _is_gross(self) -> bool:
        """Whether the best one is a fault that explains most of all there is."""
        best = self.hypotheses[int(np.argmax(self.probability))]
        origin = self.origins[0]
        left = origin.foretold(origin.away(best, origin.place))
        return best.fault is not None and self._weight(left) < GROSS * self._weight(origin.left)

    def _leave_hopeless(self) -> None:
        """Of faults as drawn those stay that are most probable by what they do to the unit as drawn, and those that do
        nearly what the best of them does."""
        faults = [k for k in self._order if self.hypotheses[k].fault is not None]
        if len(faults) <= MOST_FAULTS:
            return
        first = len(self.values)
        chosen = {*faults[:MOST_FAULTS], *self._alike(self.hypotheses[faults[0]], faults)}
        columns = [self.hypotheses[k].certain for k in chosen]
        kept = sorted(one - first for one in columns if one is not None)
        at = {first + k: first + place for place, k in enumerate(kept)}
        self.hypotheses = [
            one if one.certain is None else one.moved(at[one.certain])
            for one in self.hypotheses if one.certain is None or one.certain in at
        ]  # fmt: skip
        self.drawn = self.drawn.of(kept)
        self.begin_at(self.origins[0].picked([*range(first), *(first + k for k in kept)]))
