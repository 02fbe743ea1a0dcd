"""Which reading to take next: of all that could be taken, what each is expected to tell of which suspect is right.

Volts at rest as the unit stands, and figures that were asked for, are columns already. All else (``stands``) is played
with each leading suspect put in where it stands. How far tolerances spread it is not known then: with the meter's error
alone it tells the most that it ever could. So the most promising stands come first, the slopes of all values are taken
there, and it ends where no further one could tell more than the best that is known. One that needs a tone or a turned
knob is proposed only where it tells clearly more than one at rest.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import islice

import numpy as np

from fetsim.audio.levels import dbu_to_rms_v
from fetsim.engine.assembly import Array
from fetsim.errors import FetsimError
from fetsim.studies.observed.observations import Observations
from fetsim.studies.observed.readings import DB_A_NEPER, Reading, usual_accuracy
from fetsim.studies.suspects.apart import WORTH_BITS, best_split, expected_bits, uncertainty_bits
from fetsim.studies.suspects.columns import Columns
from fetsim.studies.suspects.how_to import how_to, in_short, line_of
from fetsim.studies.suspects.hypotheses import Hypothesis
from fetsim.studies.suspects.record import NextReading
from fetsim.studies.suspects.search import Search
from fetsim.studies.suspects.stands import Stand, stands_of

MOST_NEXT, MOST_OF_STAND = 5, 2
"""That are told, and of one stand: neighbouring nodes tell the same."""
MOST_STANDS = 3
"""Of each lot, in which slopes are taken."""
NEARLY_ALL = 0.7
"""Share of what there is to tell that is as good as all of it: nothing is looked for that takes more work."""
LEAST_SIGNAL_V = 1e-4
"""What an AC meter shows with its leads shorted (estimate)."""
LEAST_CHANCE = 0.01
"""Suspects with less are not put in."""


@dataclass(frozen=True, kw_only=True, eq=False)
class _Candidate:
    reading: Reading
    expected: Array
    """Under each suspect [shape=(suspects,)],"""
    sigma: Array
    """and how well that is known, the meter's error included."""

    def bits(self, chance: Sequence[float]) -> float:
        return expected_bits(chance, self.expected, self.sigma)


def next_readings(
    search: Search, weighed: Sequence[Hypothesis], chance: Sequence[float], *, lots: int | None = None
) -> tuple[list[NextReading], int]:
    """Those worth taking, the best first, to tell apart hypotheses with such chances; and how many were looked at.
    ``lots``: so many of other settings, tones and steps (``stands_of``); None: all."""
    here = [one for one in _rows(search, weighed)[search.columns.taken :] if one is not None]
    told = partial(_told, search.columns.observations)
    found = [told(one, weighed, chance) for one in here]
    looked_at, best = len(here), max((one.bits for one in found), default=0.0)
    likely = [k for k, one in enumerate(chance) if one >= LEAST_CHANCE]
    few, its = [weighed[k] for k in likely], [chance[k] for k in likely]
    if lots != 0 and uncertainty_bits(its) >= best + WORTH_BITS:
        away = _Elsewhere(search, few, its, lots)
        further = [told(one, few, its) for one in away.candidates(best + WORTH_BITS)]
        found += [one for one in further if one.bits >= best + WORTH_BITS]
        looked_at += away.looked_at
    return sorted((one for one in found if one.bits >= WORTH_BITS), key=lambda one: -one.bits)[:MOST_NEXT], looked_at


def _told(
    observations: Observations, one: _Candidate, weighed: Sequence[Hypothesis], chance: Sequence[float]
) -> NextReading:
    reading, names = one.reading, [each.name for each in weighed]
    other, apart = best_split(chance, one.expected, one.sigma)
    return NextReading(
        name=reading.name, figure=reading.figure.key, settings=dict(reading.settings), bits=one.bits(chance),
        expected=tuple(zip(names, one.expected.tolist(), one.sigma.tolist(), strict=True)), unit=reading.symbol,
        splits=(names[int(np.argmax(chance))], names[other]), apart_sigmas=apart,
        short=in_short(reading), how=how_to(reading, observations), line=line_of(reading),
    )  # fmt: skip


def _rows(search: Search, weighed: Sequence[Hypothesis]) -> list[_Candidate | None]:
    """All readings that the columns hold, those taken among them, as if they were taken (again); None where one cannot
    be had."""
    columns = search.columns
    usable = np.isfinite(columns.base.readings) & np.isfinite(search.origins[0].reading_slopes).all(axis=1)
    means = [search.readings(one) for one in weighed]
    sigmas = [
        _spread(np.nan_to_num(search.origin_of(one).reading_slopes), search.coefficients(one)[1]) for one in weighed
    ]
    found: list[_Candidate | None] = []
    for k, reading in enumerate(columns.observations.readings):
        expected = np.array([one[k] for one in means])
        sigma = np.hypot([one[k] for one in sigmas], _meter(reading, expected))
        found.append(_Candidate(reading=reading, expected=expected, sigma=sigma) if usable[k] else None)
    return found


def _spread(rows: Array, covariance: Array) -> Array:
    """Standard deviation of each row's sum [shape=(rows,)]."""
    return np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", rows, covariance, rows, optimize=True), 0.0))


def _meter(reading: Reading, expected: Array) -> Array:
    """Error of whoever reads, one standard deviation."""
    usual = np.array([usual_accuracy(reading.figure, one) for one in expected.tolist()])
    if reading.figure.kind != "signal":
        return usual
    return np.hypot(usual, DB_A_NEPER * LEAST_SIGNAL_V / np.array([dbu_to_rms_v(one) for one in expected.tolist()]))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Played:
    """One stand with each suspect put in."""

    columns: Columns
    """Without any yet, its unit as drawn played."""
    kept: list[int]
    """Readings that every suspect has,"""
    expected: Array
    """and what they are then [shape=(suspects, readings)]."""
    promise: float
    """Bits of the best of them if nothing but the meter spread it."""


class _Elsewhere:
    """Readings that need the unit set or fed otherwise."""

    def __init__(
        self, search: Search, weighed: Sequence[Hypothesis], chance: Sequence[float], lots: int | None
    ) -> None:
        self._search, self._weighed, self._chance, self._lots = search, weighed, chance, lots
        self._builds = [search.build(one) for one in weighed]
        self.looked_at = 0

    def candidates(self, least_bits: float) -> Iterator[_Candidate]:
        """The best of the most promising stands, as long as one could tell more than is known, and so much; of what is
        less work first, and no more than that where it tells nearly all."""
        enough = NEARLY_ALL * uncertainty_bits(self._chance)
        for lot in islice(stands_of(self._search.columns.observations), self._lots):
            played = [found for stand in lot if (found := self._played(stand))]
            for one in sorted(played, key=lambda one: -one.promise)[:MOST_STANDS]:
                if one.promise < least_bits:
                    break
                spread = sorted(self._spread(one), key=lambda each: -each.bits(self._chance))[:MOST_OF_STAND]
                yield from spread
                least_bits = max([least_bits, *(each.bits(self._chance) for each in spread)])
            if least_bits > enough:
                return

    def _played(self, stand: Stand) -> _Played | None:
        try:
            there = self._search.columns.only_read(stand.readings)
        except FetsimError:  # as without a threshold when set so
            return None
        expected = np.array([one.readings for one in there.predicted(self._builds, keep=False)])
        kept = [int(k) for k in np.flatnonzero(np.isfinite(expected).all(axis=0) & np.isfinite(there.draft.readings))]
        self.looked_at += len(kept)
        if not kept:
            return None
        promises = [
            expected_bits(self._chance, expected[:, k], _meter(stand.readings[k], expected[:, k])) for k in kept
        ]
        return _Played(columns=there, kept=kept, expected=expected, promise=max(promises))

    def _spread(self, played: _Played) -> Iterator[_Candidate]:
        """With what tolerances spread them by."""
        search, there = self._search, played.columns
        moved = there.predicted(search.drawn.set_up.moved(coarse=True), keep=False)
        rows = np.stack([
            (one.readings - there.draft.readings) / value.coarse
            for one, value in zip(moved, search.values, strict=True)
        ], axis=1)  # fmt: skip
        spreads = np.array([_spread(np.nan_to_num(rows), self._scatter(one)) for one in self._weighed])
        for k in played.kept:
            reading, expected = there.observations.readings[k], played.expected[:, k]
            if np.isfinite(rows[k]).all():
                sigma = np.hypot(spreads[:, k], _meter(reading, expected))
                yield _Candidate(reading=reading, expected=expected, sigma=sigma)

    def _scatter(self, one: Hypothesis) -> Array:
        """Covariance of all values under a suspect [shape=(values, values)]."""
        count = len(self._search.values)
        return np.asarray(self._search.coefficients(one)[1][:count, :count])
