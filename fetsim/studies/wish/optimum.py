"""Where figures come nearest to what is wished for, in exact values; arrays only.

Least squares of the misses, trust region with bounds (``scipy.optimize.least_squares``: Branch, Coleman and Li 1999).
Each place that is tried is measured together with a step up and down of every coordinate, so that its slopes are there
when they are wanted: one list of builds, which fill the lanes.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from fetsim.engine.assembly import Array

MOST_TRIED = 30
"""Places, each with its steps."""
SETTLED = 1e-4
"""Of a value: steps no larger are none."""
FLAT = 1e-2
"""Slope of half the sum of squared misses over the logarithm of a value, in which nothing is left to be gained."""
SMALLEST = 1e-3
"""Of what is accepted: a miss that moves by less for a step does not move (rounding, and states not quite settled)."""
Misses = Callable[[Sequence[Array]], Array]
"""Places [each shape=(ways,)] -> miss of every wish there [shape=(places, wishes)], NaN where it could not be had."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Optimum:
    """The place, what is missed there and how that changes."""

    way: Array
    """[shape=(ways,)]"""
    miss: Array
    """[shape=(wishes,)]"""
    slope: Array
    """d miss / d way [shape=(wishes, ways)]."""
    start: Array
    """Where it was looked for from,"""
    low: Array
    """and the ends of the ways."""
    high: Array


def optimum(misses: Misses, start: Array, low: Array, high: Array, step: float) -> Optimum:
    """The place nearest to all wishes, looked for from ``start``, where all of them can be had; of several places it
    is that to which the way down from ``start`` leads."""
    known: dict[bytes, tuple[Array, Array]] = {}

    def at(place: Array) -> tuple[Array, Array]:
        key = place.tobytes()
        if key not in known:
            known[key] = _measured(misses, place, low, high, step)
        return known[key]

    found = least_squares(
        lambda place: at(place)[0], start, jac=lambda place: at(place)[1], bounds=(low, high), xtol=SETTLED,
        ftol=SETTLED, gtol=FLAT, max_nfev=MOST_TRIED,
    )  # fmt: skip
    return Optimum(way=found.x, miss=at(found.x)[0], slope=at(found.x)[1], start=start, low=low, high=high)


def _measured(misses: Misses, place: Array, low: Array, high: Array, step: float) -> tuple[Array, Array]:
    """Central differences, one-sided at an end of the way or where a build has not got a figure."""
    up, down = np.minimum(place + step, high), np.maximum(place - step, low)
    count = len(place)
    moved = [np.where(np.arange(count) == k, ends, place) for ends in (up, down) for k in range(count)]
    rows = misses([place, *moved])
    here, above, below = rows[0], rows[1 : count + 1].T, rows[count + 1 :].T
    high_at = np.where(np.isfinite(above), up, place)
    low_at = np.where(np.isfinite(below), down, place)
    rise = np.where(np.isfinite(above), above, here[:, None]) - np.where(np.isfinite(below), below, here[:, None])
    moves = np.abs(rise) > SMALLEST  # not where there is none
    return here, np.divide(rise, high_at - low_at, where=moves, out=np.zeros_like(rise))
