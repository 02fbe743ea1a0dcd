"""Second values that are off beside a suspect: which are tried, and when.

A pair has one more value free than its single suspect, so it always looks as good, and better as long as that one has
not been followed to its end. So the single one goes first; a pair is played if it could then be more probable, even if
all that slopes promise of it came true.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from fetsim.studies.suspects.hypotheses import SECOND_CHANCE, Hypothesis
from fetsim.studies.suspects.playing import Playing

AND = " and "
PAIRS_OF = 2
"""Leading suspects beside which a second one is looked for;"""
MOST_PAIRS = 12
"""so many of those are kept."""


@dataclass(eq=False)
class Pairs(Playing):
    """Hypotheses that are followed, pairs among them."""

    def add_pairs(self, of: int = PAIRS_OF) -> None:
        """Beside each of the leading suspects a second value that is off."""
        order = [k for k in self._order if self.is_played(k) and self.hypotheses[k].single]
        there = {frozenset(one.name.split(AND)) for one in self.hypotheses if _is_pair(one)}
        singles = [one for one in self.hypotheses[1:] if one.values and one.single]
        made: dict[frozenset[str], Hypothesis] = {}
        for k in order[:of]:
            first = self.hypotheses[k]
            for second in singles:
                both = frozenset((first.name, second.name))
                if set(second.parts) & set(first.parts) or both in there or both in made:
                    continue
                made[both] = replace(
                    first, name=f"{first.name}{AND}{second.name}", parts=(*first.parts, *second.parts),
                    words=f"{first.words}; {second.words}", free=(*first.free, *second.free),
                    values=(*first.values, *second.values),
                    log_prior=first.log_prior + second.log_prior + float(np.log(SECOND_CHANCE)),
                )  # fmt: skip
        more = np.array([self._weighed(one) for one in made.values()])
        chance = more + np.array([one.log_prior for one in made.values()])
        best: Sequence[int] = np.argsort(-chance, kind="stable")[:MOST_PAIRS].tolist()
        self.hypotheses += [list(made.values())[k] for k in best]
        self.log_evidence = np.concatenate([self.log_evidence, more[best]])

    def _from(self, one: Hypothesis) -> int:
        """A pair that nobody has played is weighed from where its single suspect is, so that the two compare."""
        if not _is_pair(one):
            return super()._from(one)
        home = self.home.get(one.name)
        return super()._from(self.hypotheses[self._first_of(one)]) if home is None else home

    def _first_of(self, one: Hypothesis) -> int:
        """Number of the single suspect that it began with; its own, if it is single."""
        first = one.name.partition(AND)[0]
        return next(k for k, each in enumerate(self.hypotheses) if each.name == first)

    def behind(self, k: int) -> float:
        """By how much the best one is more probable (nats); single ones are no farther behind because of pairs."""
        chance = self.log_evidence + np.array([one.log_prior for one in self.hypotheses])
        single = np.array([not _is_pair(one) for one in self.hypotheses])
        return float(np.max(chance[single] if single[k] else chance) - chance[k])

    def singles_first(self, each: Iterable[int]) -> Iterator[int]:
        """The same, with the single suspect of a pair instead of it as long as that has not settled, and without pairs
        that could not be more probable than what has been played."""
        for k in each:
            first = self._first_of(self.hypotheses[k])
            if first == k or not self.is_settled(first):
                yield first
            elif self._may_add(k):
                yield k

    def _may_add(self, k: int) -> bool:
        """Whether a pair would be more probable than all that is single, if all that its slopes promise came true."""
        one, origin = self.hypotheses[k], self.origin_of(self.hypotheses[k])
        return self._hoped(one, origin, self.place(one)) - 2.0 * one.log_prior < self._best_single

    def leave_idle(self) -> None:
        """Pairs go that nobody has played, or that are no more probable where they stand than all that is single: two
        slopes promise what two values do not keep."""
        least = self._best_single
        kept = [k for k, one in enumerate(self.hypotheses) if not _is_pair(one) or self._come(one) < least]
        self.hypotheses = [self.hypotheses[k] for k in kept]
        self.log_evidence = self.log_evidence[kept]
        there = {one.name for one in self.hypotheses}
        self.home = {name: place for name, place in self.home.items() if name in there}

    @property
    def _best_single(self) -> float:
        return min((self._come(one) for one in self.hypotheses if not _is_pair(one)), default=np.inf)

    def _come(self, one: Hypothesis) -> float:
        """How improbable one is where it stands (as chi squared)."""
        home = self.home.get(one.name)
        return np.inf if home is None else self._misfit(one, self.origins[home]) - 2.0 * one.log_prior

    @property
    def _order(self) -> list[int]:
        """Numbers of the hypotheses but health, the most probable first."""
        return [int(k) for k in np.argsort(-self.probability, kind="stable") if k != 0]


def _is_pair(one: Hypothesis) -> bool:
    return AND in one.name
