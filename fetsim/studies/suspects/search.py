"""Hypotheses weighed against the data: by slopes first, the leading ones by playing them as they stand.

What a value far off does is no multiple of its slope, and other values pull along. So each leading hypothesis is
played at its most probable place, all values moved there, and the slope of what is free is taken anew there: two
columns more, of which one is there for certain (what the slopes from the drawn unit missed) and the other free. That is
a step of Gauss and Newton's method with all slopes but one kept; a few of them, of fewer hypotheses each time.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.rig.runner import Progress, unwatched
from fetsim.studies.suspects.columns import Column, Columns
from fetsim.studies.suspects.evidence import Sums, Weighed, probabilities, unexplained, weighed
from fetsim.studies.suspects.hypotheses import SECOND_CHANCE, Hypothesis
from fetsim.studies.suspects.values import Value

ROUNDS = (5, 3)
"""Hypotheses that are played, in each round; health besides."""
ANEW = 12
"""Values whose slopes are taken anew at the first suspect, between the rounds."""
FARTHEST, FARTHEST_OTHER = 3.0, 2.5
"""Of a value that is off: a factor of 20 either way; of the others: standard deviations, in what is played."""
PAIRS_OF = 3
"""Leading suspects beside which a second one is looked for."""


@dataclass(eq=False)
class Search:
    """The state of one search; ``columns`` grows as more is played."""

    columns: Columns
    values: Sequence[Value]
    scatter: Array
    """S of the values [shape=(values, values)]."""
    hypotheses: list[Hypothesis]
    """``healthy`` first."""
    data: Weighed = field(init=False)
    sums: list[Sums] = field(init=False)
    log_evidence: Array = field(init=False)
    """Of each hypothesis."""
    played: dict[str, Array] = field(default_factory=dict)
    """Of those that have been played where the other values stood [shape=(values,)]."""

    def __post_init__(self) -> None:
        self.weigh()

    def weigh(self) -> None:
        """All hypotheses by all columns that there are."""
        count, slopes = self.columns.count, len(self.values)
        prior = np.zeros((count, count))
        prior[:slopes, :slopes] = self.scatter
        self.sums = self.columns.sums()
        self.data = weighed(self.sums, prior, self._floors())
        self.log_evidence = np.array([self.data.of(one.form(count)) for one in self.hypotheses])

    def _floors(self) -> list[float]:
        """What the best of those that have been played leaves at its best."""
        count, slopes = self.columns.count, list(range(len(self.values)))
        played = [self.hypotheses[0], *(one for one in self.hypotheses if one.name in self.played)]
        return [
            min(unexplained(sums, [*slopes, *one.free], one.form(count).offset) for one in played) for sums in self.sums
        ]

    @property
    def probability(self) -> Array:
        """Of each hypothesis [shape=(hypotheses,)]."""
        return probabilities(self.log_evidence, [one.log_prior for one in self.hypotheses])

    def coefficients(self, one: Hypothesis) -> tuple[Array, Array]:
        """Mean and covariance of all columns' under it, its offset left out."""
        return self.data.posterior(one.form(self.columns.count))

    def refine(self, rounds: Sequence[int] = ROUNDS, progress: Progress = unwatched) -> None:
        """Play the leading hypotheses, and weigh again."""
        for number, size in enumerate(rounds):
            order = np.argsort(-self.probability, kind="stable")
            chosen = [0, *[int(k) for k in order if k != 0][:size]]
            self._play(chosen)
            self.weigh()
            if number == 0:
                self.take_anew()
            progress((number + 1) / len(rounds))

    def _play(self, chosen: Sequence[int]) -> None:
        builds: list[Mapping[str, float | str]] = []
        places: list[tuple[Array, float]] = []
        for k in chosen:
            one = self.hypotheses[k]
            place = self._place(one)
            builds.append(self.build(one, place))
            if one.value is not None:
                step = one.value.step if place[self._of(one)] <= 0.0 else -one.value.step
                beside = place.copy()
                beside[self._of(one)] += step
                builds.append(self.build(one, beside))
            else:
                step = 0.0
            places.append((place, step))
        found = iter(self.columns.predicted(builds))
        for k, (place, step) in zip(chosen, places, strict=True):
            one, here = self.hypotheses[k], next(found)
            further = next(found) if one.value is not None else None
            if here.reasons or (further is not None and further.reasons):
                continue  # stays as its slopes have it
            new: list[Column] = []
            first = self.columns.count
            rest = place.copy()
            whole = self.columns.difference(here, levelled=True)
            if further is not None:
                slope = self.columns.difference(further, here, step, levelled=True)
                new.append(slope)
                whole = whole.plus(slope, -place[self._of(one)])
                rest[self._of(one)] = 0.0
            new.append(whole.plus(self.columns.slopes_at(rest), -1.0))
            self.columns.put(new)
            self.played[one.name] = rest
            own = self._of(one) if one.value is not None else -1
            self.hypotheses[k] = replace(
                one, certain=(first + len(new) - 1,), free=(first,) if further is not None else (),
                total=(own, first) if further is not None else (),
            )  # fmt: skip

    def _of(self, one: Hypothesis) -> int:
        assert one.value is not None
        return next(k for k, value in enumerate(self.values) if value.name == one.value.name)

    def _place(self, one: Hypothesis) -> Array:
        """How far all values are moved under it [shape=(values,)]."""
        mean, _ = self.coefficients(one)
        sigma = np.sqrt(np.diag(self.scatter))
        place = np.clip(mean[: len(self.values)], -FARTHEST_OTHER * sigma, FARTHEST_OTHER * sigma)
        if one.value is not None:
            far = float(sum(mean[k] for k in one.total))
            place[self._of(one)] = np.clip(far, -FARTHEST, FARTHEST)
        return np.asarray(place)

    def build(self, one: Hypothesis, place: Array) -> dict[str, float | str]:
        """The changes that put a hypothesis in, with all values moved."""
        fault = dict(one.fault.changes) if one.fault is not None else {}
        moved = {
            value.name: value.moved(way)
            for value, way in zip(self.values, place.tolist(), strict=True)
            if way != 0.0 and value.owner not in fault
        }
        return {**moved, **fault}

    def take_anew(self, count: int = ANEW) -> None:
        """Slopes of the values that go together most with what the first suspect has free, where that one stands."""
        order = [int(k) for k in np.argsort(-self.probability, kind="stable")]
        first = next((k for k in order if self.hypotheses[k].name in self.played), None)
        if first is None or not count:
            return
        one = self.hypotheses[first]
        _, covariance = self.coefficients(one)
        slopes = len(self.values)
        along = np.sqrt(np.maximum(np.diag(covariance)[:slopes], 1e-30))
        if one.total:
            along = np.abs(np.sum(covariance[:slopes, list(one.total)], axis=1)) / along
        usable = [k for k in np.argsort(-along, kind="stable") if not (one.value and int(k) in one.total)
                  and self.values[int(k)].owner not in (one.fault.changes if one.fault else {})]  # fmt: skip
        chosen = [int(k) for k in usable[:count]]
        place = self._place(one)
        builds = [self.build(one, place)]
        for k in chosen:
            beside = place.copy()
            beside[k] += self.values[k].step
            builds.append(self.build(one, beside))
        here, *found = self.columns.predicted(builds)
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
        order = [int(k) for k in np.argsort(-self.probability, kind="stable") if k != 0]
        singles = [one for one in self.hypotheses[1:] if one.value is not None and len(one.parts) == 1]
        priors = {one.name: one.log_prior for one in singles}
        made: dict[frozenset[str], Hypothesis] = {}
        for k in order[:of]:
            first = self.hypotheses[k]
            for second in singles:
                if set(second.parts) & set(first.parts) or frozenset((first.name, second.name)) in made:
                    continue
                assert second.value is not None
                own = self._of(second)
                made[frozenset((first.name, second.name))] = replace(
                    first, name=f"{first.name} and {second.name}", parts=(*first.parts, *second.parts),
                    words=f"{first.words}; {second.words}", free=(*first.free, own),
                    log_prior=first.log_prior + priors[second.name] + float(np.log(SECOND_CHANCE)),
                )  # fmt: skip
        self.hypotheses += made.values()
        count = self.columns.count
        more = np.array([self.data.of(one.form(count)) for one in made.values()])
        self.log_evidence = np.concatenate([self.log_evidence, more])
