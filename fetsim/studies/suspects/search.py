"""Which hypotheses are played, and in what order, until all that lead have been played where they are most probable.

Health first, until it has settled, since what it is wrongly said to leave looks like a fault; then the single suspects
that lead; the slopes of the values that move the data most are taken anew where the best of them stands; then pairs
beside the leading ones. When all that leads has settled, all is weighed again with what slopes may hide that are not
quite right (``bends``), which takes certainty away and lets more lead; that is played in its turn.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from fetsim.rig.runner import Progress, unwatched
from fetsim.studies.suspects.columns import Columns
from fetsim.studies.suspects.hypotheses import HEALTHY, SECOND_CHANCE, Hypothesis
from fetsim.studies.suspects.weighing import STAYS_NATS, Weighing

HEALTH_FIRST = 3
"""Rounds at the most in which health alone is played."""
FIRST, WIDENING, LEFT = 2, 3, 1.5
"""Single suspects that are played then by either of two orders (``Search._first``), beside health, and in how many
rounds at the most: as long as the best of them leaves more than so many times the noise."""
MOST_ANEW = 1
"""Of them has slopes taken anew, besides the best one."""
SETTLING, SETTLED_NATS = 4, 0.5
"""Rounds at the most in which all that leads is played again, and by how much that moves what has settled."""
MOST_LEADING, LEADS = 4, 0.05
"""So many lead at the most, if they have this share of the chance of the first;"""
BEHIND_NATS, BEHIND_TIMES = 30.0, 4.0
"""what is farther behind is left there, if its last play has not moved it by a good share of that way."""
MOST_FAULTS = 40
"""Faults as drawn that are kept when health has been played, out of hundreds."""
AND = " and "
OPEN = 0.1
"""Chance of all but the first up to which it is decided."""
PAIRS_OF = 2
"""Leading suspects beside which a second one is looked for;"""
MOST_PAIRS = 12
"""so many of those are kept."""


@dataclass(eq=False)
class Search(Weighing):
    """One search."""

    moved_by: dict[str, float] = field(default_factory=dict)
    """Of those that have been played, what that did to the log evidence [nats], against the best one's."""

    def run(self, progress: Progress = unwatched) -> None:
        """All of it."""
        for _ in range(HEALTH_FIRST):
            if not self._learn([0]) or self.moved_by[HEALTHY] < SETTLED_NATS:
                break
        progress(0.1)
        self._leave_hopeless()
        for number in range(WIDENING):
            self._learn([0, *self._first()])
            if number == 0:
                progress(0.3)
                self._take_anew(1)
                progress(0.5)
            if self._is_explained():
                break
        progress(0.7)
        self.go_on()

    def _first(self) -> list[int]:
        """Single ones to be played next: the most probable of those that have not been, those that would leave least at
        their best, which are behind for being broad alone, and what leads."""
        new = [k for k in self._order if self.hypotheses[k].single and not self.is_played(k)]
        pull = {}
        for k in new:
            data, form, _ = self.seen_by(self.hypotheses[k])
            pull[k] = data.under(form)[1].most(form)
        return list(dict.fromkeys([*new[:FIRST], *sorted(pull, key=lambda k: -pull[k])[:FIRST], *self._leading()]))

    def _is_explained(self) -> bool:
        """Whether the best leaves little more than noise of all recordings: the right one is among those played."""
        each = zip(self.floors(), self.columns.tables, strict=False)
        return all(left < LEFT * table.look.count for left, table in each)

    def _take_anew(self, most: int) -> None:
        """Slopes anew for those that would be best if what bends hide of them were theirs, be they best already; learn
        by them."""
        hope = {}
        for k in self._order:
            one = self.hypotheses[k]
            behind = float(np.max(self.log_evidence) - self.log_evidence[k])
            if one.single and self.is_played(k) and one.name not in self.own and behind < BEHIND_NATS:
                each = zip(self.hidden(one), self.sums, strict=False)  # readings, which come last, hide none
                power = sum(more * (sums.freedom or 1.0) for more, sums in each)
                data, form, _ = self.seen_by(one)
                most_hidden = 0.5 * power / data.under(form)[0]
                if most_hidden > max(behind, STAYS_NATS):
                    hope[k] = most_hidden - behind
        chosen = sorted(hope, key=lambda k: -hope[k])[:most]
        for k in chosen:
            self.take_anew(self.hypotheses[k])
        if chosen:
            self.weigh()
            self._learn(chosen)

    def with_more(self, columns: Columns) -> "Search":
        """The same with more readings taken, as far as it has come."""
        return replace(
            self, columns=columns, hypotheses=list(self.hypotheses), played=dict(self.played), stood=dict(self.stood),
            missed=dict(self.missed), longest=dict(self.longest), own=dict(self.own), left={},
            unproved=set(self.unproved), short=dict.fromkeys(self.stood, 1.0), moved_by={}, doubt=(),
        )  # fmt: skip

    def go_on(self) -> None:
        """All that leads, pairs too, until it has settled, and then what bends may hide."""
        self.add_pairs()
        self._settle()
        self._take_anew(MOST_ANEW)
        self._settle()
        decided = self._is_decided()
        self._be_in_doubt()
        if decided and not self._is_decided():
            self.doubt = ()
            self.weigh()
            self._take_anew(1)
            self._settle()
            self._be_in_doubt()
        self._learn([0, *self._leading()])
        self._leave_unplayed()

    def _learn(self, chosen: Sequence[int]) -> bool:
        """Play these where they stand now and weigh all again; whether there was anything to be played."""
        chosen = list(dict.fromkeys(chosen))
        before = self.log_evidence - np.max(self.log_evidence)
        if not self.play(chosen):
            return False
        self.weigh()
        moved = np.abs(self.log_evidence - np.max(self.log_evidence) - before)
        self.moved_by |= {self.hypotheses[k].name: float(moved[k]) for k in chosen}
        return True

    def _settle(self) -> None:
        """Play all that leads until it stays where it is."""
        for _ in range(SETTLING):
            leading = self._leading()
            if not self._learn([0, *leading] if self._may_lead(0) else leading):
                break
            if max((self.moved_by[self.hypotheses[k].name] for k in leading), default=0.0) < SETTLED_NATS:
                if all(self.is_played(k) for k in self._leading()):
                    break

    def _is_decided(self) -> bool:
        return 1.0 - float(np.max(self.probability)) < OPEN

    def _may_lead(self, k: int) -> bool:
        """Whether one that has been played is not so far behind that playing it again would be in vain."""
        behind = float(np.max(self.log_evidence) - self.log_evidence[k])
        return behind < max(BEHIND_NATS, BEHIND_TIMES * self.moved_by.get(self.hypotheses[k].name, np.inf))

    def _be_in_doubt(self) -> None:
        """Weigh all again with what bends may still hide from the one that is most probable without it: those that are
        brought up by that do not add to it, or doubt would feed itself."""
        first = self.hypotheses[int(np.argmax(self.probability))]
        self.doubt = tuple(self.hidden(first)) if first.name in self.missed else ()
        self.weigh()

    @property
    def _order(self) -> list[int]:
        """Numbers of the hypotheses but health, the most probable first."""
        return [int(k) for k in np.argsort(-self.probability, kind="stable") if k != 0]

    def _leading(self) -> list[int]:
        """Those that may come out first, and the best single ones that are behind, perhaps, since they have not
        settled."""
        chance, order = self.probability, self._order
        single = [k for k in order if self.hypotheses[k].single and self.is_played(k) and self._may_lead(k)]
        likely = [k for k in order[:MOST_LEADING] if chance[k] > LEADS * float(np.max(chance))]
        return list(dict.fromkeys([*likely, *single[:FIRST]]))

    def _leave_hopeless(self) -> None:
        """Of faults as drawn those stay that are most probable by now, with the columns of what stays."""
        faults = [k for k in self._order if self.hypotheses[k].fault is not None and not self.is_played(k)]
        if len(faults) <= MOST_FAULTS:
            return
        gone = set(faults[MOST_FAULTS:])
        self.hypotheses = [one for k, one in enumerate(self.hypotheses) if k not in gone]
        used = {column for one in self.hypotheses for column in (*one.free, *one.certain)}
        kept = [k for k in range(self.columns.count) if k < len(self.values) or k in used]
        at = {column: place for place, column in enumerate(kept)}
        self.columns.keep(kept)
        self.hypotheses = [one.moved(at) for one in self.hypotheses]
        self.weigh()

    def _leave_unplayed(self) -> None:
        """Pairs that nobody has played go: two slopes fit what two values would not."""
        kept = [k for k, one in enumerate(self.hypotheses) if one.single or self.is_played(k)]
        self.hypotheses = [self.hypotheses[k] for k in kept]
        self.log_evidence = self.log_evidence[kept]

    def add_pairs(self, of: int = PAIRS_OF) -> None:
        """Beside each of the leading suspects a second value that is off."""
        order = [k for k in self._order if self.is_played(k) and self.hypotheses[k].single]
        there = {frozenset(one.name.split(AND)) for one in self.hypotheses if not one.single}
        singles = [one for one in self.hypotheses[1:] if one.values and one.single]
        priors = {one.name: one.log_prior for one in singles}
        made: dict[frozenset[str], Hypothesis] = {}
        for k in order[:of]:
            first = self.hypotheses[k]
            for second in singles:
                both = frozenset((first.name, second.name))
                if set(second.parts) & set(first.parts) or both in there or both in made:
                    continue
                own = self.number(second.values[0])
                made[both] = replace(
                    first, name=f"{first.name}{AND}{second.name}", parts=(*first.parts, *second.parts),
                    words=f"{first.words}; {second.words}", free=(*first.free, own),
                    values=(*first.values, *second.values), totals=(*first.totals, (own,)),
                    log_prior=first.log_prior + priors[second.name] + float(np.log(SECOND_CHANCE)),
                )  # fmt: skip
                if first.name in self.own:
                    self.own[made[both].name] = self.own[first.name]
        every = [self.seen_by(one) for one in made.values()]
        more = np.array([data.of(form) for data, form, _ in every])
        chance = more + np.array([one.log_prior for one in made.values()])
        best = np.argsort(-chance, kind="stable")[:MOST_PAIRS]
        self.hypotheses += [list(made.values())[k] for k in best]
        self.log_evidence = np.concatenate([self.log_evidence, more[best]])
