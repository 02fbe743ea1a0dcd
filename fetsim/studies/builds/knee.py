"""Static thresholds of one build, found as roots and not by a sweep of levels.

The definition is that of ``measure curve``: the input level at which the fundamental at the output has fallen by 0.5
(or 2) dB behind the gain at rest, every level a steady state. Where a sweep looks at dozens of levels, the knee of the
nominal unit says where to look: a build's knee is taken for the nominal one moved along the level axis. From steady
state to steady state the level is put right by that, roughly as long as it moves far, until it would move by less than
``CLOSE_DB``. That move is made; what is wrong with it is the difference of two knees' slopes, a fifth at most of a
build whose trims are in reach: 0.001 dB. What is found is the passage nearest to the nominal one.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.engine.shooting import Monodromy
from fetsim.engine.state import State
from fetsim.errors import InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.operating import LOUD_DBU, QUIET_DBU
from fetsim.measurements.bench.steady import (
    LONGEST_S,
    SETTLED_V,
    Steady,
    monodromy_at,
    period_of,
    settle,
    tone_level_dbu,
)
from fetsim.measurements.results.missing import Missing

ENOUGH_V = 3e-4
"""A steady state in which no unknown has more to go is taken: three times what ``steady`` asks for. Of 64 Dunlins drawn
and trimmed, against a search to 1e-6 V: thresholds within 0.0004 dB, gain reductions within 0.0002 dB, times within
3e-6 of themselves."""
ROUGHLY_V, NEAR_DB = 3e-2, 0.1
"""The same at levels from which there is more than that to go."""
CLOSE_DB = 0.005
FIRST_STEP_DB = 1.0
"""Upwards where the gain reduction says nothing about how far the knee is; then twice that, and so on."""
MOST_LEVELS = 40
COARSE_DB, FINE_DB = 3.0, 0.25  # between levels of the nominal unit, far from its thresholds and around them
LEAST_SLOPE = 0.02  # dB of gain reduction a dB of level: less is no knee


@dataclass(frozen=True, eq=False)
class Point:
    """One level, at rest or on the way there."""

    level_dbu: float
    reduction_db: float
    """Of the fundamental at the output."""
    state: State
    """At phase zero of the tone."""


class LevelMeter:
    """Brings steady levels of a tone to rest in one unit."""

    def __init__(
        self, bench: Bench, frequency_hz: float, nodes: Sequence[str] = (), longest_s: float = LONGEST_S
    ) -> None:
        """``longest_s``: as in ``settle``."""
        self._run, self._longest_s = bench.run(nodes), longest_s
        self.period = period_of(frequency_hz, bench)
        self._idle_db = bench.rig.idle_gain_db(self.period.frequency_hz)

    def __call__(
        self, level_dbu: float, start: State, settled_v: float = SETTLED_V, near: Monodromy | None = None
    ) -> Point:
        """The level, brought to rest from ``start`` as far as ``settled_v`` says; ``near`` as in ``settle``. Raises
        ConvergenceError."""
        return self.steady(level_dbu, start, settled_v, near)[0]

    def steady(
        self, level_dbu: float, start: State, settled_v: float = SETTLED_V, near: Monodromy | None = None
    ) -> tuple[Point, Steady]:
        """The same, and what was played there."""
        self._run.state = start
        found = settle(self._run, self.period.tone(level_dbu), settled_v, near, self._longest_s)
        reduction_db = self._idle_db + level_dbu - tone_level_dbu(found.block.output_v, self.period)
        return Point(level_dbu, reduction_db, self._run.state), found

    def monodromy(self, point: Point) -> Monodromy | None:
        """That of the unit at a level where it has come to rest."""
        self._run.state = point.state
        return monodromy_at(self._run, self.period.tone(point.level_dbu))


@dataclass(frozen=True, eq=False)
class Knee:
    """The nominal unit around its thresholds, at rising levels with rising gain reduction."""

    points: tuple[Point, ...]
    monodromies: Mapping[float, Monodromy | None]
    """Gain reduction that is wanted -> that of the unit at the point nearest to it."""

    @property
    def levels_dbu(self) -> Array:
        return np.array([point.level_dbu for point in self.points])

    @property
    def reductions_db(self) -> Array:
        return np.array([point.reduction_db for point in self.points])

    def level_at(self, reduction_db: float) -> float:
        """Level of a gain reduction; that of the nearer end for one outside the knee."""
        return float(np.interp(reduction_db, self.reductions_db, self.levels_dbu))

    def state_at(self, reduction_db: float) -> State:
        """Between the states of the two levels around."""
        lower, upper = self._around(reduction_db)
        share = (self.level_at(reduction_db) - lower.level_dbu) / (upper.level_dbu - lower.level_dbu)
        return lower.state.with_vector((1.0 - share) * lower.state.vector() + share * upper.state.vector())

    def _around(self, reduction_db: float) -> tuple[Point, Point]:
        place = min(max(int(np.searchsorted(self.reductions_db, reduction_db)), 1), len(self.points) - 1)
        return self.points[place - 1], self.points[place]


def nominal_knee(meter: LevelMeter, rest: State, wanted_db: Sequence[float]) -> Knee:
    """Look for the gain reductions ``wanted_db`` from silence upwards, then closely at the levels around them.

    Raises InputError for one that is not reached, ConvergenceError for a level without steady state.
    """
    below = point = meter(QUIET_DBU, rest)
    if point.reduction_db >= min(wanted_db):
        raise InputError(f"nominal: has {min(wanted_db):g} dB of gain reduction or more at {QUIET_DBU:g} dBu already")
    while point.reduction_db < max(wanted_db):
        below = point if point.reduction_db < min(wanted_db) else below
        if point.level_dbu + COARSE_DB > LOUD_DBU:
            raise InputError(f"nominal: does not reach {max(wanted_db):g} dB of gain reduction up to {LOUD_DBU:g} dBu")
        point = meter(point.level_dbu + COARSE_DB, point.state)
    points, near = [below], meter.monodromy(point)
    for level in np.arange(below.level_dbu + FINE_DB, point.level_dbu + COARSE_DB, FINE_DB):
        points.append(meter(float(level), points[-1].state, near=near))
    flat = np.flatnonzero(np.diff([one.reduction_db for one in points]) < LEAST_SLOPE * FINE_DB)
    kept = points[int(flat[-1]) + 1 if flat.size else 0 :]
    nearest = {wanted: min(kept, key=lambda one: abs(one.reduction_db - wanted)) for wanted in wanted_db}
    return Knee(tuple(kept), {wanted: meter.monodromy(point) for wanted, point in nearest.items()})


def threshold_of(
    knee: Knee, wanted_db: float, meter: LevelMeter, start: State, shift_db: float = 0.0
) -> Point | Missing:
    """Where the gain reduction of a build is ``wanted_db``: its level, with the state there.

    ``start`` is a state to begin with at the highest of the nominal thresholds, where a rectifier that conducts leads
    to rest quickly, ``shift_db`` where the build's knee lies against the nominal one as far as is known. Raises
    ConvergenceError.
    """
    aim_db, step_db = max(knee.monodromies), FIRST_STEP_DB
    level, state, move_db = knee.level_at(aim_db) + shift_db, start, np.inf
    low, high = -np.inf, np.inf
    for _ in range(MOST_LEVELS):
        if not QUIET_DBU <= level <= LOUD_DBU:
            return _out_of_reach(wanted_db, level)
        closely = abs(move_db) <= NEAR_DB
        point = meter(level, state, ENOUGH_V if closely else ROUGHLY_V, knee.monodromies[aim_db])
        aim_db, state = wanted_db, point.state
        if closely:
            low, high = (max(low, level), high) if point.reduction_db < wanted_db else (low, min(high, level))
        if point.reduction_db < knee.reductions_db[0]:
            move_db, step_db = step_db, 2.0 * step_db
        else:
            came_db, move_db = move_db, knee.level_at(wanted_db) - knee.level_at(point.reduction_db)
            share = 0.5 if _is_beyond(came_db, move_db) else 1.0
            way = knee.state_at(wanted_db).vector() - knee.state_at(point.reduction_db).vector()
            state = state.with_vector(state.vector() + share * way)
            if closely and abs(move_db) <= CLOSE_DB:
                return Point(level + move_db, wanted_db, state)
            move_db *= share
        level += move_db
        if not low < level < high:
            level = 0.5 * (low + high) if np.isfinite(high - low) else point.level_dbu
    return Missing(cause="not computed", text=f"no level with {wanted_db:g} dB of gain reduction could be closed in on")


def _is_beyond(came_db: float, back_db: float) -> bool:
    """Whether a move went so far beyond that the way back is over half of it: a knee nearly twice as steep as the
    nominal one, as that of a FET that conducts at rest, would be jumped over to and fro."""
    return bool(came_db * back_db < 0.0 and abs(back_db) > 0.5 * abs(came_db))


def _out_of_reach(wanted_db: float, level_dbu: float) -> Missing:
    if level_dbu < QUIET_DBU:
        text = f"the gain reduction is {wanted_db:g} dB or more at {QUIET_DBU:g} dBu already"
        return Missing(cause="reached before", text=text)
    text = f"the gain reduction does not reach {wanted_db:g} dB up to {LOUD_DBU:g} dBu"
    return Missing(cause="not reached", text=text)
