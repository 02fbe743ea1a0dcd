"""The sum of squares of one unit's observations over the values that are free: engine and sums put together.

What is there comes in the quality asked for, slopes in draft: their error only slows the search down. But where several
values do nearly the same, what little tells them apart would drown in the errors of their slopes. So from the second
round on slopes are taken along the directions that the data tell apart, in steps that are the larger the less is seen.
Each time slopes are taken, recordings are brought to the model's clock and level anew and weighed anew.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.files.user_cache import UserCache
from fetsim.rig.runner import Progress, unwatched
from fetsim.studies.fit.free import Free, Prior
from fetsim.studies.fit.search import Local
from fetsim.studies.observed.heard import Place, compared, placed
from fetsim.studies.observed.noise import trust
from fetsim.studies.observed.observations import Observations
from fetsim.studies.observed.predict import Predicted, predict
from fetsim.studies.observed.slopes import READING_STEP, SOUND_STEP, Derivatives, slopes_along
from fetsim.studies.observed.sums import Column, Sums
from fetsim.studies.observed.weighed import Equations, Weights, equations_of, excess_of, left_over, weights_of

QUALITY_ERROR_DB = {"draft": -69.0, "standard": -91.0, "fine": -112.0}
"""What time steps leave of treble-rich sound (``rig/quality``): no model is trusted further."""
IN_STEP = 2e-3
"""Samples by which a recording may still be late: -72 dB of 5 kHz, which the columns for delay take care of."""
MOST_ALIGNED = 3
LARGEST_STEP = 25.0
"""5 % of sound, half of a value of readings."""
DB_A_NEPER = 20.0 / np.log(10.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class Heard:
    """One recording at one place of the search."""

    place: Place
    sums: Sums
    weights: Weights
    equations: Equations


def directions_of(matrix: Array) -> tuple[Array, Array]:
    """Directions [shape=(values, directions)], the largest part of each 1, and by how much larger than the usual one
    the step along each may be: as much as less is seen of it, at the most ``LARGEST_STEP``."""
    scale = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    seen, along = np.linalg.eigh(matrix / np.outer(scale, scale))
    along = along / scale[:, None]
    along = along / np.max(np.abs(along), axis=0)
    return along, np.clip(np.sqrt(seen.max() / np.maximum(seen, 1e-12)), 1.0, LARGEST_STEP)


def _by_value(sums: Sums, inverse: Array) -> Sums:
    """Columns of values out of columns of directions."""
    whole = np.eye(sums.gram.shape[1])
    whole[: len(inverse), : len(inverse)] = inverse
    return replace(sums, gram=np.einsum("ki,ckl,lj->cij", whole, sums.gram, whole, optimize=True))


class Fitting:
    """``search.Problem`` of a unit."""

    def __init__(
        self, observations: Observations, frees: Sequence[Free], prior: Prior, *, quality: str,
        workers: int | None = None, progress: Progress = unwatched, cache: UserCache | None = None,
    ) -> None:  # fmt: skip
        self.observations, self.frees, self.prior = observations, tuple(frees), prior
        self._quality, self._workers, self._cache = quality, workers, cache
        self._progress, self._done = progress, 0.0
        self._places: list[Place] = []
        self._turns = np.array([one.turn for one in frees])
        self._directions: tuple[Array, Array] = (np.eye(len(frees)), np.ones(len(frees)))
        self._inverse: Array = np.eye(len(frees))
        self.trusted = np.ones(len(observations.readings))
        """Share of its weight that each reading is left with."""
        self.heard: list[Heard] = []
        """Of each recording, where slopes were taken last."""
        self.shown: Predicted | None = None
        """What the model gives there."""
        self.excess = [1.0] * len(observations.recordings)
        """By how much what each recording knows is divided."""
        self.evaluations = 0

    def changes(self, place: Array) -> dict[str, float]:
        """The unit at a place, as changes of the one observed."""
        return {
            one.name: one.value(at) for one, at in zip(self.frees, place.tolist(), strict=True) if at != one.start
        }

    def at(self, place: Array) -> Local:
        """With slopes; recordings are aligned and everything weighed anew. Raises InputError where nothing of the unit
        can be had here."""
        slopes = self._slopes(place)
        now = self._predicted([self.changes(place)])[0]
        if any(output is None for output in now.outputs):
            raise InputError(f"{self.observations.unit.name}: cannot be played: {'; '.join(now.reasons)}")
        self.shown = now
        outputs = [np.asarray(output, dtype=np.float64) for output in now.outputs if output is not None]
        self.heard = [self._heard(k, output, slopes.outputs[k]) for k, output in enumerate(outputs)]
        off, sigma = self._off(now), self._sigma
        self.trusted = trust(np.nan_to_num(off))
        each = slopes.readings @ self._inverse / sigma[:, None]
        there = np.isfinite(off) & np.isfinite(each).all(axis=1)
        rows, weight = each[there], self.trusted[there]
        matrix = self.prior.precision + (rows.T * weight) @ rows
        gradient = (rows.T * weight) @ off[there] - self.prior.precision @ (place - self.prior.middle)
        for one, excess in zip(self.heard, self.excess, strict=True):
            fair = one.equations.over(excess)
            matrix, gradient = matrix + fair.matrix, gradient + fair.gradient
        self._directions = directions_of(matrix)
        return Local(matrix=matrix, gradient=gradient, cost=self._cost(place, now, [one.sums for one in self.heard]))

    def _slopes(self, place: Array) -> Derivatives:
        """Along the present directions."""
        along, sizes = self._directions
        self._inverse = np.asarray(np.linalg.inv(along), dtype=np.float64)

        def moved(step: float) -> tuple[list[dict[str, float]], list[float]]:
            builds, steps = [], []
            for direction, size in zip(along.T, sizes.tolist(), strict=True):
                one = step * size
                if np.any(self._turns & ((place + one * direction > 1.0) | (place + one * direction < 0.0))):
                    one = -one
                builds.append(self.changes(np.where(self._turns, np.clip(place + one * direction, 0.0, 1.0),
                                                    place + one * direction)))  # fmt: skip
                steps.append(one)
            return builds, steps

        return slopes_along(
            self.observations, [one.name for one in self.frees], self.changes(place), moved(SOUND_STEP),
            moved(READING_STEP), workers=self._workers, cache=self._cache, progress=self._next(0.5),
        )  # fmt: skip

    def cost(self, place: Array) -> float:
        """With the weights of the last slopes."""
        return float(self.costs([place])[0])

    def costs(self, places: Sequence[Array]) -> Array:
        """Of several places, played side by side [shape=(places,)]."""
        found = []
        for place, now in zip(places, self._predicted([self.changes(one) for one in places]), strict=True):
            if any(output is None for output in now.outputs):
                found.append(np.inf)
                continue
            sums = [
                compared(recording, where, np.asarray(output, np.float64))
                for recording, where, output in zip(
                    self.observations.recordings, self._places, now.outputs, strict=True
                )
                if output is not None
            ]
            found.append(self._cost(place, now, sums))
        return np.array(found)

    def divide_by_excess(self) -> bool:
        """Let what each recording knows count for less where its differences hang together; whether that changed
        anything."""
        before = list(self.excess)
        self.excess = [excess_of(one.sums, one.weights, one.equations.nuisances) for one in self.heard]
        return any(abs(now / then - 1.0) > 0.05 for now, then in zip(self.excess, before, strict=True))

    def levels(self) -> list[tuple[Sums, Array, Array]]:
        """Of each recording its cells, and the mean squares in them: of the model, and of what is left over
        [shape=(cells,)]."""
        return [
            (one.sums, one.sums.gram[:, -4, -4] / one.sums.counts,
             left_over(one.sums, one.equations.nuisances) / one.sums.counts)
            for one in self.heard
        ]  # fmt: skip

    @property
    def _sigma(self) -> Array:
        return np.array([one.accuracy for one in self.observations.readings])

    def _off(self, now: Predicted) -> Array:
        """Readings less what the model gives, in standard deviations."""
        values = np.array([one.value for one in self.observations.readings])
        return np.asarray((values - now.readings) / self._sigma)

    def _cost(self, place: Array, now: Predicted, sums: Sequence[Sums]) -> float:
        off = self._off(now)
        there = np.isfinite(off)
        away = place - self.prior.middle
        found = float(away @ self.prior.precision @ away + np.sum(self.trusted[there] * off[there] ** 2))
        for number, (one, heard) in enumerate(zip(sums, self.heard, strict=True)):
            columns = one.gram.shape[1]
            own = one.picked(range(columns - 4, columns))
            found += equations_of(own, heard.weights, gain=self._gain(number)).cost / self.excess[number]
        return found

    def _gain(self, number: int) -> tuple[float, float] | None:
        """Nepers by which the level of a recording stands off, and how well it is known."""
        sigma_db = self.observations.recordings[number].gain_sigma_db
        if sigma_db is None:
            return None
        return float(np.log(abs(self._places[number].gain))), sigma_db / DB_A_NEPER

    def _heard(self, number: int, model: Array, slopes: Sequence[Column]) -> Heard:
        recording = self.observations.recordings[number]
        least = 10.0 ** (QUALITY_ERROR_DB[self._quality] / 10.0)
        if len(self._places) == number:
            self._places.append(placed(recording, model))
        for _ in range(MOST_ALIGNED):
            sums = compared(recording, self._places[number], model)
            weights = weights_of(sums, least_share=least, gain=self._gain(number))
            off = equations_of(sums, weights, gain=self._gain(number)).nuisances
            if max(abs(off[1]), abs(off[2])) < IN_STEP and abs(off[0]) < IN_STEP:
                break
            self._places[number] = self._places[number].moved(off, len(model))
        sums = _by_value(compared(recording, self._places[number], model, slopes), self._inverse)
        weights = weights_of(sums, least_share=least, gain=self._gain(number))
        return Heard(
            place=self._places[number], sums=sums, weights=weights,
            equations=equations_of(sums, weights, gain=self._gain(number)),
        )  # fmt: skip

    def _predicted(self, builds: Sequence[dict[str, float]]) -> list[Predicted]:
        self.evaluations += len(builds)
        return predict(
            self.observations, builds, quality=self._quality, workers=self._workers, cache=self._cache,
            progress=self._next(0.25),
        )  # fmt: skip

    def _next(self, share: float) -> Progress:
        """Nobody knows how many rounds there will be: each gets a share of what is left."""
        begun, left = self._done, share * 0.4 * (1.0 - self._done)
        self._done += left
        return lambda done: self._progress(begun + left * done)
