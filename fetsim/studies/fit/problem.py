"""The sum of squares of one unit's observations over the values that are free: engine and sums put together.

Sound is played in draft (``plays``), on top of what the quality asked for differed by where that was looked at last: at
the beginning, and again where the search has come to. Slopes are differences in draft too. But where several values do
nearly the same, what little tells them apart would drown in the errors of their slopes. So from the second time on
slopes are taken along the directions that the data tell apart, in steps that are the larger the less is seen; between,
they are kept and put right by what each step did (``secant``). At each place recordings are brought to the model's
clock and level anew and weighed anew. Far from the truth what is left hangs together, and a hundred thousand numbers
tell no more than a hundred would (``excess``): divided by that, the data leave what is hardly seen to what is known
before, instead of chasing it through bent valleys. There a search goes the first part of its way with other weights
(``afar``): under those that the end has it would be content with a valley in which the quiet passages are right.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import block_diag

from fetsim.engine.assembly import Array
from fetsim.files.user_cache import UserCache
from fetsim.rig.runner import Progress, unwatched
from fetsim.studies.fit.free import Free, Prior, leaning
from fetsim.studies.fit.known import contradictions, excess_over
from fetsim.studies.fit.plays import Plays
from fetsim.studies.fit.search import Local
from fetsim.studies.fit.secant import by_value, directions_of, mixed_in, rows_after
from fetsim.studies.observed.heard import LEAST_SHARE, Place, compared, placed
from fetsim.studies.observed.noise import trust
from fetsim.studies.observed.observations import Observations, Recording
from fetsim.studies.observed.predict import Predicted
from fetsim.studies.observed.slopes import DEFAULT_QUALITY, Slope
from fetsim.studies.observed.sums import Sums
from fetsim.studies.observed.weighed import Equations, Weights, equations_of, excess_of, left_over, weights_of

QUALITY_ERROR_DB = {"draft": -69.0, "standard": -91.0, "fine": -112.0}
"""What time steps leave of treble-rich sound (``rig/quality``): no model is trusted further."""
IN_STEP = 2e-3
"""Samples by which a recording may still be late: -72 dB of 5 kHz, which the columns for delay take care of."""
MOST_ALIGNED = 3
PIECE_S, LOUD, WORTH = 3.0, 0.1, 0.5
"""Seconds that a search begins with, behind the first sample of so much of the largest; only where they are less than
this share of the recording."""
LITTLE_EXCESS, LEAST_EXCESS = 30.0, 1.5
"""With more the truth is far; with less a piece has told what it is good for."""
BOTH_SIDES = 5.0
"""Usual steps, 1 % of sound, by which values are moved to either side: beside slopes of a step to one side, their
errors are a fifth, and half of the step's bend is not in them."""
DB_A_NEPER = 20.0 / np.log(10.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class Heard:
    """One recording at one place of the search."""

    place: Place
    sums: Sums
    weights: Weights
    equations: Equations


def _cut(recording: Recording, place: Place) -> Recording:
    """So much of its dry sound that ``PIECE_S`` lie behind the first loud sample which was recorded."""
    first = max(0, int(-place.delay))
    size = np.abs(recording.dry[first:])
    loud = first + int(np.argmax(size > LOUD * np.max(size)))
    last = max(loud + int(PIECE_S * recording.rate_hz), int(first / (1.0 - 2.0 * LEAST_SHARE)))
    return replace(recording, dry=recording.dry[:last]) if last < WORTH * len(recording.dry) else recording


class Fitting:
    """``search.Problem`` of a unit."""

    def __init__(
        self, observations: Observations, frees: Sequence[Free], prior: Prior, *, quality: str,
        workers: int | None = None, progress: Progress = unwatched, cache: UserCache | None = None,
    ) -> None:  # fmt: skip
        self.observations, self.frees, self.prior = observations, tuple(frees), prior
        self.plays = Plays(
            observations=observations, frees=self.frees, quality=quality, workers=workers, cache=cache,
            progress=progress,
        )  # fmt: skip
        self._directions: tuple[Array, Array] = (np.eye(len(frees)), np.ones(len(frees)))
        self._columns: list[list[Slope]] = []
        """Of each recording,"""
        self._mix: Array = np.eye(len(frees))
        """and how slopes by value are mixed of them [shape=(values, columns)]."""
        self._rows: Array = np.zeros((len(observations.readings), len(frees)))
        """Slopes of the readings by value."""
        self._finer: list[Array] = []
        """By what each recording's model differs from its draft."""
        self._places: list[Place] = []
        self._place: Array = np.zeros(len(frees))
        self.known: Array | None = None
        """Matrix of the equations where it stands; None before there were any."""
        self.trusted = np.ones(len(observations.readings))
        """Share of its weight that each reading is left with."""
        self.heard: list[Heard] = []
        """Of each recording, where the equations were asked for last."""
        self.shown: Predicted | None = None
        """What the model gives there, of sound the draft."""
        self.excess = [1.0] * len(observations.recordings)
        """By how much what each recording knows is divided."""
        self.excess_read = 1.0
        """The same of the readings; see ``widened``."""
        self._settling = False
        """Whether readings that stand out lose their pull."""
        self._far = False
        """Whether what is left over is weighed as from ``afar``,"""
        self._enough = 0.0
        """and with how little excess it is close enough."""
        self._once = False
        """Whether slopes are taken at one place only, and put right from there on."""

    def at(self, place: Array) -> Local:
        """With slopes taken here, or where they were taken once. Raises InputError where nothing of the unit can be
        had."""
        if self._once and self.known is not None:
            return self.near(place) if np.any(place != self._place) else self._moved_to(place, self._shown)
        if self.known is not None:
            self._directions = directions_of(self.known)
        slopes = self.plays.slopes(place, *self._directions, both_sides=self._once)
        self._columns = [list(columns) for columns in slopes.outputs]
        inverse = np.linalg.inv(self._directions[0])
        self._mix, self._rows = np.asarray(inverse.T), np.asarray(slopes.readings @ inverse)
        return self._moved_to(place, self.plays.at([place])[0])

    def near(self, place: Array) -> Local:
        """With those of the place before."""
        now, before, step = self.plays.at([place])[0], self._shown, place - self._place
        assert self.known is not None
        self._mix = mixed_in(self._mix, step, self.known)
        self._rows = rows_after(self._rows, now.readings - before.readings, step, self.known)
        for columns, then, output in zip(self._columns, before.outputs, now.outputs, strict=True):
            assert then is not None
            columns.append(Slope(above=output, here=then, step=1.0))
        return self._moved_to(place, now)

    def refined(self) -> Local:
        """Where it stands, with the model in the quality asked for; from here on readings that stand out lose their
        pull, since those that go together are met by now."""
        self._finer, self._settling = [], True
        return self._moved_to(self._place, self._shown)

    def widened(self, matrix: Array) -> Array:
        """Of the equations where it stands, with readings divided by what they leave over, and costs from here on with
        them. Only of what was found: in a search, readings that do not go with tolerances would give way to them."""
        off, rows = self._read(self._shown)
        seen = off != 0.0
        self.excess_read = excess_over(off[seen], self.trusted[seen], rows[seen], matrix)
        return np.asarray(matrix - (1.0 - 1.0 / self.excess_read) * (rows.T * self.trusted) @ rows)

    def contradictions(self, matrix: Array) -> list[tuple[int, ...]]:
        """Of each value, the readings that contradict each other about it."""
        return contradictions(self.trusted, self._read(self._shown)[1], matrix)

    def look(self, place: Array) -> None:
        """Stand there without slopes, in draft."""
        self._columns = [[] for _ in self.observations.recordings]
        self._mix = np.zeros((len(self.frees), 0))
        self.plays.evaluations += 1
        self._stand(place, self.plays.at([place])[0])
        self.excess = [excess_of(one.sums, one.weights, one.equations.nuisances) for one in self.heard]

    @property
    def far(self) -> bool:
        """Whether what is left hangs together so that the truth must be far."""
        return max(self.excess, default=0.0) > LITTLE_EXCESS

    def afar(self) -> "Fitting":
        """The same for who comes from afar, in draft: with the beginning of long recordings, at less expense, what is
        left over weighed as what is to be learnt, and nothing far from the file's values of which nothing is known."""
        return self._piece(leaning(self.prior, self.frees), LITTLE_EXCESS, far=True, quality=DEFAULT_QUALITY)

    def nearer(self) -> "Fitting | None":
        """The same with the beginning of long recordings and nothing else that differs; None where all are short."""
        found = self._piece(self.prior, LEAST_EXCESS, far=False, quality=self.plays.quality)
        lengths = [sum(len(one.dry) for one in each.observations.recordings) for each in (found, self)]
        return found if lengths[0] < lengths[1] else None

    def among(self, frees: Sequence[Free], prior: Prior, *, progress: Progress) -> "Fitting":
        """The same with further values behind its own, each within what is known of it: a hundred of them move little,
        so that slopes are taken once, where they are asked for first, along what is told apart here and by each of the
        further values. What tells so many apart is small: they are taken to both sides, in steps that drown their
        errors, which would count as knowledge."""
        found = self._like(self.observations, frees, prior, self.plays.quality, progress)
        found._once, found.plays.evaluations = True, self.plays.evaluations
        own, sizes = self._directions if self.known is None else directions_of(self.known)
        further = len(frees) - len(self.frees)
        found._directions = (
            block_diag(own, np.eye(further)),
            np.concatenate([np.maximum(sizes, BOTH_SIDES), np.full(further, BOTH_SIDES)]),
        )
        return found

    def _piece(self, prior: Prior, enough: float, *, far: bool, quality: str) -> "Fitting":
        """It begins where its recordings do, since what a unit does hangs on what was before."""
        cut = [_cut(*each) for each in zip(self.observations.recordings, self._places, strict=True)]
        short = replace(self.observations, recordings=tuple(cut))
        found = self._like(short, self.frees, prior, quality, self.plays.next_share(0.4))
        found._far, found._enough, found.known = far, enough, self.known
        return found

    def _like(
        self, observations: Observations, frees: Sequence[Free], prior: Prior, quality: str, progress: Progress
    ) -> "Fitting":
        """Another one, whose recordings lie as here."""
        found = Fitting(
            observations, frees, prior, quality=quality, workers=self.plays.workers, progress=progress,
            cache=self.plays.cache,
        )  # fmt: skip
        found._places = list(self._places)
        return found

    @property
    def _shown(self) -> Predicted:
        assert self.shown is not None
        return self.shown

    def _moved_to(self, place: Array, now: Predicted) -> Local:
        if not self._finer:
            self._finer = self.plays.finer(place, now)
        self._stand(place, now)
        self.excess = [excess_of(one.sums, one.weights, one.equations.nuisances) for one in self.heard]
        found = self._equations(place, now, [one.sums for one in self.heard])
        self.known = found.matrix
        return found

    def _stand(self, place: Array, now: Predicted) -> None:
        self._place, self.shown = place, now
        self.heard = [self._heard(k, output) for k, output in enumerate(self._models(now))]
        self.trusted = trust(self._read(now)[0], falling=self._settling)

    def tried(self, places: Sequence[Array]) -> list[Local]:
        """Of places whose costs were asked for: with slopes and weights of where it stands."""
        return [self._tried(*each) for each in zip(places, self.plays.at(places), strict=True)]

    def _tried(self, place: Array, now: Predicted) -> Local:
        if any(output is None for output in now.outputs):
            return Local(matrix=self.prior.precision, gradient=np.zeros(len(place)), cost=np.inf)
        each = zip(self.observations.recordings, self._places, self._models(now), self._columns, strict=True)
        sums = [by_value(compared(*one), self._mix) for one in each]
        return self._equations(place, now, sums)

    def _equations(self, place: Array, now: Predicted, sums: Sequence[Sums]) -> Local:
        off, rows = self._read(now)
        weighed = rows.T * self.trusted
        matrix = self.prior.precision + weighed @ rows
        gradient = weighed @ off - self.prior.precision @ (place - self.prior.middle)
        for number, one in enumerate(sums):
            found = equations_of(one, self.heard[number].weights, gain=self._gain(number)).over(self.excess[number])
            matrix, gradient = matrix + found.matrix, gradient + found.gradient
        close = max(self.excess, default=np.inf) <= self._enough
        return Local(matrix=matrix, gradient=gradient, cost=self._cost(place, now, sums), close=close)

    def _models(self, now: Predicted) -> list[Array]:
        """Of each recording what comes out. Raises InputError where it cannot be played."""
        played = self.plays.outputs(now)
        return [output + finer for output, finer in zip(played, self._finer, strict=True)] if self._finer else played

    def costs(self, places: Sequence[Array]) -> Array:
        """Of several places, played side by side, with the weights of where it stands [shape=(places,)]."""
        self.plays.evaluations += len(places)
        found = []
        for place, now in zip(places, self.plays.at(places), strict=True):
            if any(output is None for output in now.outputs):
                found.append(np.inf)
                continue
            each = zip(self.observations.recordings, self._places, self._models(now), strict=True)
            sums = [compared(recording, where, output) for recording, where, output in each]
            found.append(self._cost(place, now, sums))
        return np.array(found)

    def best_of(self, places: Sequence[Array]) -> Array:
        """That of several places, played side by side, at which least is left over: where a normal law, as wide as what
        is left there, makes it the most probable, recordings divided by the excess at the first of them."""
        self.plays.evaluations += len(places)
        costs, excess = [], [1.0] * len(self.observations.recordings)
        for number, (place, now) in enumerate(zip(places, self.plays.at(places), strict=True)):
            if any(output is None for output in now.outputs):
                costs.append(np.inf)
                continue
            at, self._columns = list(self._places), [[] for _ in excess]
            self._mix = np.zeros((len(self.frees), 0))
            self._stand(place, now)
            self._places = at
            if number == 0:
                excess = [excess_of(one.sums, one.weights, one.equations.nuisances) for one in self.heard]
            each = [np.sum(one.sums.counts * np.log(one.weights.noise.variance)) for one in self.heard]
            costs.append(self._cost_known(place, now) + float(np.sum(np.divide(each, excess))))
        return places[int(np.argmin(costs))]

    def levels(self) -> list[tuple[Sums, Array, Array]]:
        """Of each recording its cells, and the mean squares in them: of the model, and of what is left over
        [shape=(cells,)]."""
        return [
            (one.sums, one.sums.gram[:, -4, -4] / one.sums.counts,
             left_over(one.sums, one.equations.nuisances) / one.sums.counts)
            for one in self.heard
        ]  # fmt: skip

    def _read(self, now: Predicted) -> tuple[Array, Array]:
        """Readings less what the model gives, and slopes, in standard deviations; nothing of those that it has not
        got [shape=(readings,), (readings, values)]."""
        sigma = np.array([one.accuracy for one in self.observations.readings])
        values = np.array([one.value for one in self.observations.readings])
        off, rows = (values - now.readings) / sigma, self._rows / sigma[:, None]
        there = np.isfinite(off) & np.isfinite(rows).all(axis=1)
        return np.where(there, off, 0.0), np.where(there[:, None], rows, 0.0)

    def _cost_known(self, place: Array, now: Predicted) -> float:
        """Of what is known before, and of the readings."""
        off, _ = self._read(now)
        away = place - self.prior.middle
        return float(away @ self.prior.precision @ away + np.sum(self.trusted * off**2) / self.excess_read)

    def _cost(self, place: Array, now: Predicted, sums: Sequence[Sums]) -> float:
        found = self._cost_known(place, now)
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

    def _heard(self, number: int, model: Array) -> Heard:
        recording = self.observations.recordings[number]
        least = 10.0 ** (QUALITY_ERROR_DB[self.plays.quality] / 10.0)
        if len(self._places) == number:
            self._places.append(placed(recording, model))
        for _ in range(MOST_ALIGNED):
            sums = compared(recording, self._places[number], model)
            weights = weights_of(sums, least_share=least, gain=self._gain(number), far=self._far)
            off = equations_of(sums, weights, gain=self._gain(number)).nuisances
            if max(abs(off[1]), abs(off[2])) < IN_STEP and abs(off[0]) < IN_STEP:
                break
            self._places[number] = self._places[number].moved(off, len(model))
        sums = by_value(compared(recording, self._places[number], model, self._columns[number]), self._mix)
        weights = weights_of(sums, least_share=least, gain=self._gain(number), far=self._far)
        return Heard(
            place=self._places[number], sums=sums, weights=weights,
            equations=equations_of(sums, weights, gain=self._gain(number)),
        )  # fmt: skip
