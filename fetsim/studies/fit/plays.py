"""A unit's observations at places of the values that are free: what is played, in which quality, and how it moves.

Sound is played in draft, readings are worked out in the quality asked for. Slopes are differences in draft.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.files.user_cache import UserCache
from fetsim.rig.runner import Progress, unwatched
from fetsim.studies.fit.free import Free
from fetsim.studies.observed.observations import Observations
from fetsim.studies.observed.predict import Predicted, predict
from fetsim.studies.observed.slopes import (
    DEFAULT_QUALITY,
    READING_STEP,
    SOUND_STEP,
    TOLERANCE_V,
    Derivatives,
    Slope,
    slopes_along,
)


@dataclass(kw_only=True, eq=False)
class Plays:
    """Of one unit."""

    observations: Observations
    frees: tuple[Free, ...]
    quality: str
    workers: int | None = None
    cache: UserCache | None = None
    progress: Progress = unwatched
    evaluations: int = 0
    """Places that were asked for, those of slopes among them."""
    _done: float = field(default=0.0, init=False)

    def changes(self, place: Array) -> dict[str, float]:
        """The unit at a place, as changes of the one observed."""
        return {
            one.name: one.value(at) for one, at in zip(self.frees, place.tolist(), strict=True) if at != one.start
        }

    def at(self, places: Sequence[Array]) -> list[Predicted]:
        """Side by side."""
        builds = [self.changes(place) for place in places]
        read = predict(
            self.observations.only("readings"), builds, quality=self.quality, workers=self.workers, cache=self.cache,
            progress=self.next_share(0.1),
        )  # fmt: skip
        played = self._played(builds, quality=DEFAULT_QUALITY, tolerance_v=TOLERANCE_V)
        return [
            replace(one, outputs=other.outputs, reasons=tuple(dict.fromkeys((*one.reasons, *other.reasons))))
            for one, other in zip(read, played, strict=True)
        ]

    def outputs(self, found: Predicted) -> list[Array]:
        """Of each recording what comes out. Raises InputError where it cannot be played."""
        if any(output is None for output in found.outputs):
            raise InputError(f"{self.observations.unit.name}: cannot be played: {'; '.join(found.reasons)}")
        return [np.asarray(output, dtype=np.float64) for output in found.outputs if output is not None]

    def finer(self, place: Array, draft: Predicted) -> list[Array]:
        """What the quality asked for differs from draft by, of each recording."""
        drafts = self.outputs(draft)
        if self.quality == DEFAULT_QUALITY or not drafts:
            return [np.zeros(len(output)) for output in drafts]
        (fine,) = self._played([self.changes(place)], quality=self.quality)
        return [output - coarse for output, coarse in zip(self.outputs(fine), drafts, strict=True)]

    def slopes(self, place: Array, along: Array, sizes: Array, *, both_sides: bool = False) -> Derivatives:
        """Along directions [shape=(values, directions)], each in so many times the usual step."""
        above = self._slopes(place, along, sizes)
        return halfway(above, self._slopes(place, along, -sizes)) if both_sides else above

    def _slopes(self, place: Array, along: Array, sizes: Array) -> Derivatives:
        self.evaluations += len(sizes)
        turns = np.array([one.turn for one in self.frees])

        def moved(step: float) -> tuple[list[dict[str, float]], list[float]]:
            builds, steps = [], []
            for direction, size in zip(along.T, sizes.tolist(), strict=True):
                one = step * size
                if np.any(turns & ((place + one * direction > 1.0) | (place + one * direction < 0.0))):
                    one = -one
                there = place + one * direction
                builds.append(self.changes(np.where(turns, np.clip(there, 0.0, 1.0), there)))
                steps.append(one)
            return builds, steps

        return slopes_along(
            self.observations, [one.name for one in self.frees], self.changes(place), moved(SOUND_STEP),
            moved(READING_STEP), workers=self.workers, cache=self.cache, progress=self.next_share(0.5),
        )  # fmt: skip

    def _played(
        self, builds: Sequence[Mapping[str, float]], *, quality: str, tolerance_v: float | None = None
    ) -> list[Predicted]:
        return predict(
            self.observations.only("recordings"), builds, quality=quality, workers=self.workers, cache=self.cache,
            progress=self.next_share(0.15), tolerance_v=tolerance_v,
        )  # fmt: skip

    def next_share(self, share: float) -> Progress:
        """Nobody knows how many rounds there will be: each gets a share of what is left."""
        begun, left = self._done, share * 0.4 * (1.0 - self._done)
        self._done += left
        return lambda done: self.progress(begun + left * done)


def halfway(above: Derivatives, below: Derivatives) -> Derivatives:
    """Slopes from one side to the other; where a value goes no further, or cannot be had, those of one side."""
    return replace(
        above, readings=0.5 * (above.readings + below.readings),
        outputs=tuple(
            tuple(map(_between, ups, downs)) for ups, downs in zip(above.outputs, below.outputs, strict=True)
        ),
    )  # fmt: skip


def _between(up: Slope, down: Slope) -> Slope:
    if up.above is None or down.above is None or up.step == down.step:
        return down if up.above is None else up
    return Slope(above=up.above, here=down.above, step=up.step - down.step)
