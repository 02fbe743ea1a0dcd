"""Static thresholds of one build, found as roots and not by a sweep of levels.

The definition is that of ``measure curve``: the input level at which the fundamental at the output has fallen by 0.5
(or 2) dB behind the gain at rest, every level a steady state. Where a sweep looks at dozens of levels, the knee of the
nominal unit says where to look: a build's knee is taken for the nominal one moved along the level axis, and the level
is put right by that while the state still comes to rest, one extrapolation after the other. It is done when the state
has settled (``steady``) and the level would move by less than ``CLOSE_DB``. That move is made; what is wrong with it is
the difference of two knees' slopes, a fifth at most: 0.002 dB. What is found is the passage nearest to the nominal one.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.engine.state import State
from fetsim.errors import InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.operating import LOUD_DBU, QUIET_DBU
from fetsim.measurements.bench.steady import SETTLED_V, Steady, period_of, settle, tone_level_dbu
from fetsim.measurements.results.missing import Missing

ENOUGH_V = 1e-3
"""A steady state whose extrapolation moves no unknown by more is taken: ten times what ``steady`` asks for. It leaves
up to 0.003 dB in a threshold and a thousandth of a time, and saves two extrapolations of six."""
CLOSE_DB = 0.01
FIRST_STEP_DB = 1.0
"""Upwards where the gain reduction says nothing about how far the knee is; then twice that, and so on."""
QUICK_ROUNDS = 16
"""Extrapolations one by one; a level that is not found by then is looked for from steady state to steady state."""
MOST_ROUNDS = 40
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
    left_v: float
    """By how much the last extrapolation moved it."""


class LevelMeter:
    """Brings steady levels of a tone to rest in one unit."""

    def __init__(self, bench: Bench, frequency_hz: float) -> None:
        self._run = bench.run()
        self.period = period_of(frequency_hz, bench)
        self._idle_db = bench.rig.idle_gain_db(self.period.frequency_hz)

    def __call__(self, level_dbu: float, start: State, settled_v: float = SETTLED_V) -> Point:
        """The level, brought to rest from ``start`` as far as ``settled_v`` says. Raises ConvergenceError."""
        return self.steady(level_dbu, start, settled_v)[0]

    def steady(self, level_dbu: float, start: State, settled_v: float = SETTLED_V) -> tuple[Point, Steady]:
        """The same, and what was played there."""
        self._run.state = start
        found = settle(self._run, self.period.tone(level_dbu), settled_v)
        reduction_db = self._idle_db + level_dbu - tone_level_dbu(found.block.output_v, self.period)
        return Point(level_dbu, reduction_db, self._run.state, found.left_v), found


@dataclass(frozen=True, eq=False)
class Knee:
    """The nominal unit around its thresholds, at rising levels with rising gain reduction."""

    points: tuple[Point, ...]

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
        place = float(np.interp(reduction_db, self.reductions_db, np.arange(len(self.points))))
        lower, upper = self.points[int(place)].state, self.points[min(int(place) + 1, len(self.points) - 1)].state
        return lower.with_vector(lower.vector() + (place - int(place)) * (upper.vector() - lower.vector()))


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
    points = [below]
    for level in np.arange(below.level_dbu + FINE_DB, point.level_dbu + COARSE_DB, FINE_DB):
        points.append(meter(float(level), points[-1].state))
    flat = np.flatnonzero(np.diff([one.reduction_db for one in points]) < LEAST_SLOPE * FINE_DB)
    return Knee(tuple(points[int(flat[-1]) + 1 if flat.size else 0 :]))


def threshold_of(
    knee: Knee, wanted_db: float, meter: LevelMeter, state: State, shift_db: float = 0.0
) -> Point | Missing:
    """Where the gain reduction of a build is ``wanted_db``: its level, with the state at the last one that was played.

    ``state`` is one to begin with, ``shift_db`` where the build's knee lies against the nominal one as far as is known.
    Raises ConvergenceError.
    """
    level, step_db = knee.level_at(wanted_db) + shift_db, FIRST_STEP_DB
    low, high = -np.inf, np.inf
    for number in range(MOST_ROUNDS):
        if not QUIET_DBU <= level <= LOUD_DBU:
            return _out_of_reach(wanted_db, level)
        point = meter(level, state, np.inf if number < QUICK_ROUNDS else ENOUGH_V)
        settled, state = point.left_v < ENOUGH_V, point.state
        if settled:
            low, high = (max(low, level), high) if point.reduction_db < wanted_db else (low, min(high, level))
        if point.reduction_db < knee.reductions_db[0]:
            level, step_db = level + step_db, 2.0 * step_db
        else:
            level += knee.level_at(wanted_db) - knee.level_at(point.reduction_db)
            if settled and abs(level - point.level_dbu) <= CLOSE_DB:
                return Point(level, wanted_db, state, point.left_v)
        if not low < level < high:
            level = 0.5 * (low + high) if np.isfinite(high - low) else point.level_dbu
    return Missing(cause="not computed", text=f"no level with {wanted_db:g} dB of gain reduction could be closed in on")


def _out_of_reach(wanted_db: float, level_dbu: float) -> Missing:
    if level_dbu < QUIET_DBU:
        text = f"the gain reduction is {wanted_db:g} dB or more at {QUIET_DBU:g} dBu already"
        return Missing(cause="reached before", text=text)
    text = f"the gain reduction does not reach {wanted_db:g} dB up to {LOUD_DBU:g} dBu"
    return Missing(cause="not reached", text=text)
