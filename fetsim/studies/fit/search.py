"""Where a sum of squares is least, by steps of Gauss and Newton held back where they overshoot; arrays only.

(K. Levenberg, Quart. Appl. Math. 2 (1944) 164; D. Marquardt, J. SIAM 11 (1963) 431.) Who asks gives normal equations
at a place, which may weigh the data anew each time, and costs at others with the weights of the last equations. Slopes
are dear, so they are kept, put right by what the last step did, as long as steps do what they promise; what is found
has slopes taken so near that they are as good as its own. Where a step along what is hardly seen leaves a bent valley,
the slopes of its beginning lead from its end back down into it (the acceleration along the geodesic of M. Transtrum,
J. Sethna, arXiv:1201.5885, from memory, out of the play of the step itself), before it is made shorter.
"""

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from fetsim.engine.assembly import Array

MOST_ROUNDS = 30
MOST_TRIES = 8
LONGEST_STEP = 0.7
"""Of any value: a factor of two, or of a control most of its turn."""
SETTLED = 1e-3
"""Of a standard deviation squared: steps that promise no more are none."""
DROWNED = 0.1
"""The same where a step that promises no more does not make it less: two plays differ by errors of that size."""
LEAST_GAIN, KEPT_GAIN = 0.1, 0.5
"""Share of what a step promised: with less it is not taken, with less its slopes are not kept."""
NEAR = 0.5
"""Standard deviations from where slopes were taken within which they hold."""
SHARES = (1.0, 0.5, 0.25)
"""Of a step along a bent valley; what it leaves there falls with the third power."""
FIRST_DAMPING, LEAST_DAMPING = 1e-4, 1e-6


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

    def near(self, place: Array) -> Local:
        """The same with the slopes of the place before, put right by what changed on the way here."""

    def tried(self, place: Array) -> Local:
        """With weights and slopes of the place before; the cost is infinite where there is none."""


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


def search(problem: Problem, start: Array, low: Array, high: Array, local: Local | None = None) -> Found:
    """From ``start``, within ``low`` and ``high`` [shape=(values,) each]; ``local``: what is known there already."""
    place = np.clip(start, low, high)
    local = problem.at(place) if local is None else local
    damping, tries, moved, rounds = 0.0, 0, 0.0, 1
    settled = False
    while rounds < MOST_ROUNDS:
        new = np.clip(place + _step(local, place, damping, low, high), low, high)
        step = new - place
        promised = float(2.0 * local.gradient @ step - step @ local.matrix @ step)
        if promised < SETTLED and moved <= NEAR:
            settled = True
            break
        gain, bent = 0.0, False
        if promised >= SETTLED:
            tried = problem.tried(new)
            gain = (local.cost - tried.cost) / promised
            bent = gain <= LEAST_GAIN and moved == 0.0 and promised >= DROWNED and bool(np.isfinite(tried.cost))
            if bent:
                unforetold = replace(tried, gradient=tried.gradient - local.gradient + local.matrix @ step)
                back = _whole_step(unforetold, new, damping, low, high)
                for share in SHARES:
                    new = np.clip(place + share * step + share**2 * back, low, high)
                    gain = (local.cost - problem.tried(new).cost) / promised
                    if gain > LEAST_GAIN:
                        break
        if gain > LEAST_GAIN:
            kept = gain > KEPT_GAIN and not bent
            moved = moved + float(np.sqrt(promised)) if kept else 0.0
            place, local = new, problem.near(new) if kept else problem.at(new)
            damping, tries = 0.1 * damping if damping > LEAST_DAMPING else 0.0, 0
        elif promised < DROWNED and moved <= NEAR:
            settled = True
            break
        elif moved > 0.0:  # nothing is gained with slopes from elsewhere
            local, moved = problem.at(place), 0.0
        elif tries < MOST_TRIES:
            damping, tries = max(10.0 * damping, FIRST_DAMPING), tries + 1
            continue
        else:
            break
        rounds += 1
    return Found(
        place=place, local=local, rounds=rounds, settled=settled, at_end=_pressed(place, local.gradient, low, high)
    )


def _step(local: Local, place: Array, damping: float, low: Array, high: Array) -> Array:
    step = _whole_step(local, place, damping, low, high)
    longest = float(np.max(np.abs(step), initial=0.0))
    return step * min(1.0, LONGEST_STEP / longest) if longest > 0.0 else step


def _whole_step(local: Local, place: Array, damping: float, low: Array, high: Array) -> Array:
    free = np.logical_not(_pressed(place, local.gradient, low, high))
    step = np.zeros(len(free))
    matrix = local.matrix[np.ix_(free, free)]
    matrix = matrix + damping * np.diag(np.diag(matrix))
    step[free] = np.linalg.lstsq(matrix, local.gradient[free], rcond=1e-14)[0]
    return step


def _pressed(place: Array, gradient: Array, low: Array, high: Array) -> Array:
    return np.asarray(((place <= low) & (gradient < 0.0)) | ((place >= high) & (gradient > 0.0)))
