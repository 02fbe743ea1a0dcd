"""Where a sum of squares is least, by steps of Gauss and Newton held back where they overshoot; arrays only.

(K. Levenberg, Quart. Appl. Math. 2 (1944) 164; D. Marquardt, J. SIAM 11 (1963) 431.) Who asks gives normal equations
at a place, which may weigh the data anew each time, and costs at others with the weights of the last equations.
"""

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from fetsim.engine.assembly import Array

MOST_ROUNDS = 15
MOST_TRIES = 8
LONGEST_STEP = 0.7
"""Of any value: a factor of two, or of a control most of its turn."""
SETTLED = 1e-3
"""Of a standard deviation squared: steps that promise no more are none."""
FIRST_DAMPING, LEAST_DAMPING = 1e-3, 1e-6


@dataclass(frozen=True, kw_only=True, eq=False)
class Local:
    """A sum of squares near a place: cost - 2 gradient . step + step . matrix . step."""

    matrix: Array
    gradient: Array
    cost: float


class Problem(Protocol):
    """A sum of squares."""

    def at(self, place: Array) -> Local:
        """With its slopes; from here on costs have these weights."""

    def cost(self, place: Array) -> float:
        """Infinite where there is none."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Found:
    """Where it is least."""

    place: Array
    local: Local
    rounds: int
    settled: bool
    """False where the rounds were used up, or no step made it less though one should have."""
    at_end: Array
    """Of each value, whether it is pressed against an end [shape=(values,)]."""


def search(problem: Problem, start: Array, low: Array, high: Array) -> Found:
    """From ``start``, within ``low`` and ``high`` [shape=(values,) each]."""
    place = np.clip(start, low, high)
    local = problem.at(place)
    damping = 0.0
    for done in range(1, MOST_ROUNDS + 1):
        free = np.logical_not(_pressed(place, local.gradient, low, high))
        for _ in range(MOST_TRIES):
            step = _step(local, free, damping)
            new = np.clip(place + step, low, high)
            step = new - place
            promised = 2.0 * local.gradient @ step - step @ local.matrix @ step
            if promised < SETTLED:
                return _found(place, local, done, True, low, high)
            if problem.cost(new) < local.cost - 0.1 * promised:
                break
            damping = max(10.0 * damping, FIRST_DAMPING)
        else:
            return _found(place, local, done, False, low, high)
        damping = 0.1 * damping if damping > LEAST_DAMPING else 0.0
        place, local = new, problem.at(new)
    return _found(place, local, MOST_ROUNDS, False, low, high)


def _step(local: Local, free: Array, damping: float) -> Array:
    step = np.zeros(len(free))
    matrix = local.matrix[np.ix_(free, free)]
    matrix = matrix + damping * np.diag(np.diag(matrix))
    step[free] = np.linalg.lstsq(matrix, local.gradient[free], rcond=1e-14)[0]
    longest = float(np.max(np.abs(step), initial=0.0))
    return step * min(1.0, LONGEST_STEP / longest) if longest > 0.0 else step


def _pressed(place: Array, gradient: Array, low: Array, high: Array) -> Array:
    return np.asarray(((place <= low) & (gradient < 0.0)) | ((place >= high) & (gradient > 0.0)))


def _found(place: Array, local: Local, rounds: int, settled: bool, low: Array, high: Array) -> Found:
    return Found(
        place=place, local=local, rounds=rounds, settled=settled, at_end=_pressed(place, local.gradient, low, high)
    )
