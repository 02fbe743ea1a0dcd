"""Where a sum of squares is least, by steps of Gauss and Newton held back where they overshoot; arrays only.

(K. Levenberg, Quart. Appl. Math. 2 (1944) 164; D. Marquardt, J. SIAM 11 (1963) 431.) Who asks gives normal equations
at a place, which may weigh the data anew each time, and costs at others with the weights of the last equations. Slopes
are dear, so they are kept, put right by what the last step did, as long as steps do what they promise; what is found
has slopes taken so near that they are as good as its own. Four places cost little more than one, so four steps are
tried side by side: the whole one, half of it, and two held back along what is hardly seen. Where none does what was
promised, since a step leaves a bent valley, the slopes of its beginning lead from its end back down into it (the
acceleration along the geodesic of M. Transtrum, J. Sethna, arXiv:1201.5885, from memory, out of the play of the step
itself), by no more than the step is long.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from fetsim.engine.assembly import Array

MOST_ROUNDS = 30
MOST_TRIES = 8
LONGEST_STEP = 0.7
"""Of any value: a factor of two, or of a control most of its turn."""
SETTLED = 0.03
"""Standard deviations squared: steps that promise no more are none, as they are a sixth of a deviation at the most."""
DROWNED = 0.3
"""The same where a step that promises no more does not make it less: two plays differ by errors of that size (ten
values of the Dunlin promised 0.1 to 0.4 from place to place, and none of it came)."""
MANY = 10
"""Values: of more, both hold for so many of them each."""
LEAST_GAIN, BENT_GAIN, KEPT_GAIN = 0.1, 0.5, (0.7, 1.4)
"""Share of what a step promised: with less it is not taken; with less it is led back; its slopes are kept where it did
about what they foretold, since twice as much says as well as half that they are wrong."""
SLOW = 0.05
"""Share of the sum of squares: where a step far from where slopes were taken made it less by no more, they are taken
anew, since little may be promised because they are wrong."""
NEAR = 0.5
"""Standard deviations from where slopes were taken within which they hold."""
FIRST_DAMPING, STRONGER = 10.0, 30.0
"""What a step of 1 of any value costs, in standard deviations squared, in the weaker of the two steps that are held
back; and by how much more in the stronger. (Places are logarithms or shares of a turn, and so alike.)"""
AFTER = (0.1, 0.1, 1.0, STRONGER)
"""What the damping is multiplied by after each of the four."""
SHARE = 0.25
"""Of a step that led nowhere."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Local:
    """A sum of squares near a place: cost - 2 gradient . step + step . matrix . step."""

    matrix: Array
    gradient: Array
    cost: float
    close: bool = False
    """Whether this is as close as who asks wants to come."""


class Problem(Protocol):
    """A sum of squares."""

    def at(self, place: Array) -> Local:
        """With its slopes; from here on costs have these weights."""

    def near(self, place: Array) -> Local:
        """The same with the slopes of the place before, put right by what changed on the way here."""

    def costs(self, places: Sequence[Array]) -> Array:
        """Of several, with weights of the place before; infinite where there is none [shape=(places,)]."""

    def tried(self, places: Sequence[Array]) -> list[Local]:
        """The same places with the slopes of the place before."""


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


def search(
    problem: Problem, start: Array, low: Array, high: Array, local: Local | None = None, *, enough: float = SETTLED,
    anew: bool = True,
) -> Found:  # fmt: skip
    """From ``start``, within ``low`` and ``high`` [shape=(values,) each]; ``local``: what is known there already;
    ``enough``: it is done where no step promises more, in standard deviations squared (of up to ``MANY`` values);
    ``anew``: whether slopes can be taken anew. Where they cannot, nothing leads a step back into its valley, and it is
    done where steps gain no more than plays differ by, whatever they promise."""
    place = np.clip(start, low, high)
    local = problem.at(place) if local is None else local
    damping, tries, moved, rounds = FIRST_DAMPING, 0, 0.0, 1
    settled = False
    many = max(1.0, len(place) / MANY)
    enough, drowned = many * enough, many * DROWNED
    while rounds < MOST_ROUNDS:
        steps = _steps(local, place, damping, SHARE**tries, low, high)
        promised = max(_promised(local, step) for step in steps)
        if local.close or (promised < enough * SHARE**tries and moved <= NEAR):
            settled = True
            break
        gain, straight = 0.0, True
        if promised >= enough * SHARE**tries:
            places = [place + step for step in steps]
            costs = problem.costs(places)
            best = int(np.argmin(costs))
            gain = (local.cost - costs[best]) / promised
            if anew and gain <= BENT_GAIN and moved == 0.0 and promised >= drowned:
                tried = problem.tried(places)
                bent = [_bent(*each, local, place, low, high) for each in zip(steps, tried, strict=True)]
                again = problem.costs([place + step for step in bent])
                if again.min() < costs[best]:
                    best, steps, straight = int(np.argmin(again)), bent, False
                    gain = (local.cost - again[best]) / promised
        if not anew and tries and gain * promised < drowned:
            settled = True
            break
        if gain > LEAST_GAIN and (anew or gain * promised >= drowned):
            near = moved + np.sqrt(promised) <= NEAR or gain * promised > SLOW * local.cost
            kept = KEPT_GAIN[0] < gain < KEPT_GAIN[1] and straight and near
            moved = moved + float(np.sqrt(promised)) if kept else 0.0
            place = place + steps[best]
            local = problem.near(place) if kept else problem.at(place)
            damping, tries = max(FIRST_DAMPING, damping * AFTER[best]), 0
        elif promised < drowned and moved <= NEAR:
            settled = True
            break
        elif anew and moved > 0.0:  # nothing is gained with slopes from elsewhere
            local, moved = problem.at(place), 0.0
        elif tries < MOST_TRIES:
            damping, tries = damping * STRONGER**2, tries + 1
            continue
        else:
            break
        rounds += 1
    return Found(
        place=place, local=local, rounds=rounds, settled=settled, at_end=_pressed(place, local.gradient, low, high)
    )


def _promised(local: Local, step: Array) -> float:
    return float(2.0 * local.gradient @ step - step @ local.matrix @ step)


def _bent(step: Array, tried: Local, local: Local, place: Array, low: Array, high: Array) -> Array:
    """A step led back by what it left."""
    if not np.isfinite(tried.cost):
        return 0.25 * step
    unforetold = replace(tried, gradient=tried.gradient - local.gradient + local.matrix @ step)
    back = _whole_step(unforetold, place + step, 0.0, low, high)
    return np.asarray(np.clip(place + step + _cut(back, float(np.max(np.abs(step)))), low, high) - place)


def _steps(local: Local, place: Array, damping: float, share: float, low: Array, high: Array) -> list[Array]:
    """What the slopes promise most of, half of it, and two that are held back along what is hardly seen."""
    whole, *held = (
        _cut(_whole_step(local, place, one, low, high), LONGEST_STEP) for one in (0.0, damping, STRONGER * damping)
    )
    return [np.clip(place + one, low, high) - place for one in (share * whole, 0.5 * share * whole, *held)]


def _cut(step: Array, longest: float) -> Array:
    length = float(np.max(np.abs(step), initial=0.0))
    return step * min(1.0, longest / length) if length > 0.0 else step


def _whole_step(local: Local, place: Array, damping: float, low: Array, high: Array) -> Array:
    free = np.logical_not(_pressed(place, local.gradient, low, high))
    step = np.zeros(len(free))
    matrix = local.matrix[np.ix_(free, free)]
    matrix = matrix + damping * np.eye(len(matrix))
    step[free] = np.linalg.lstsq(matrix, local.gradient[free], rcond=1e-14)[0]
    return step


def _pressed(place: Array, gradient: Array, low: Array, high: Array) -> Array:
    return np.asarray(((place <= low) & (gradient < 0.0)) | ((place >= high) & (gradient > 0.0)))
