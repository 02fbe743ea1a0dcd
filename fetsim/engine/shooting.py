"""The state that repeats itself, found from what another circuit of the same topology does at its own.

Shooting (Aprille and Trick, Proc. IEEE 60 (1972) 108): with z the state at the start of a block of whole periods and
F(z) that at its end, F(z) = z is solved by Newton's method. The derivative of F, the monodromy matrix, costs a block
for each unknown, so it is measured once, in one circuit, and lent to others with values not far from its own; what is
wrong with it there is made good by Anderson's mixing of the last rounds (Walker and Ni, SIAM J. Numer. Anal. 49 (2011)
1715). Where that leads nowhere, ``repetition`` needs no such circuit.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from fetsim.engine.crew import march, side_by_side
from fetsim.engine.inputs import Drive
from fetsim.engine.repetition import Repetition
from fetsim.engine.simulation import Simulation
from fetsim.engine.state import Array, State

SWING_SHARE, LEVEL_SHARE, LEAST_STEP = 0.02, 1e-3, 1e-6
"""By how much an unknown is displaced: of its swing within the block, of its value, and at least (V, A or Vs)."""
DEPTH = 5  # rounds that are mixed with the last one
LEAST_WEIGHT = 1e-6  # re the largest singular value of what they missed by
MOST_ROUNDS = 16


@dataclass(frozen=True, eq=False)
class Monodromy:
    """What small displacements of the unknowns at the start of a block come to at its end."""

    at_end: Array
    """Of unknowns and increments for one of each unknown [shape=(4 n, n)]."""
    to_go: Array
    """How far the repeating state lies from the start of a block that moves the unknowns by one each [shape=(n, n)]."""
    slowest: float
    """The same, of the slowest of what is awaited: how many times the move of a block is still to go at most, whatever
    the monodromy of another circuit says of it."""

    def ahead(self, before: State, after: State) -> tuple[Array, Array]:
        """Of a block that led from one state to the other: how far the unknowns have to go from its start on
        [shape=(n,)], and the vector of the state at its end once they have [shape=(4 n,)]."""
        missed = self.to_go @ (after.x - before.x)
        return missed, after.vector() + self.at_end @ missed


def monodromy_of(simulation: Simulation, block: Drive, steady: State, awaited: NDArray[np.bool_]) -> Monodromy | None:
    """That of a circuit at a state that repeats itself under ``block``; None where a displacement has no solution or
    does not die away. ``awaited`` as in ``repeating_state``."""
    prepared = simulation.prepared
    names = [prepared.reduced.system.unknowns[place] for place in prepared.order]
    whole = simulation.recording(names)
    whole.state = steady
    swing = 0.5 * np.ptp(whole.march(block).record, axis=0)
    steps = np.maximum(np.maximum(SWING_SHARE * swing, LEVEL_SHARE * np.abs(steady.x)), LEAST_STEP)
    runs = [simulation.recording([]) for _ in range(1 + len(steps))]
    for place, run in enumerate(runs):
        start = steady.copy()
        if place:
            start.x[place - 1] += steps[place - 1]
        run.state = start
    marched = side_by_side({run: partial(march, run, block) for run in runs})
    if any(one.failure is not None for one in marched.values()):
        return None
    undisturbed, *ends = (run.state.vector() for run in runs)
    at_end = (np.array(ends) - undisturbed).T / steps
    n = len(steps)
    left = float(np.abs(np.linalg.eigvals(at_end[:n][np.ix_(awaited, awaited)])).max())
    if left >= 1.0:
        return None
    return Monodromy(at_end, np.linalg.inv(np.eye(n) - at_end[:n]), 1.0 / (1.0 - left))


class Mixing:
    """Where to go on from after each round of a search, out of the last few."""

    def __init__(self) -> None:
        self._places: list[Array] = []
        self._misses: list[Array] = []

    def __call__(self, proposed: Array, missed: Array) -> Array:
        """A mixture of this round's proposal and those before, in which what they missed by cancels."""
        self._places = [*self._places[-DEPTH:], proposed]
        self._misses = [*self._misses[-DEPTH:], missed]
        if len(self._places) == 1:
            return proposed
        bends = np.diff(self._misses, axis=0).T
        weights = np.linalg.lstsq(bends, missed, rcond=LEAST_WEIGHT)[0]
        return np.asarray(proposed - np.diff(self._places, axis=0).T @ weights)


def repeating_state_near(
    play: Callable[[State], tuple[State, State]],
    start: State,
    awaited: NDArray[np.bool_],
    monodromy: Monodromy,
    *,
    block: int,
    settled_v: float,
) -> Repetition | None:
    """Look from ``start`` for the state that repeats itself every ``block`` steps, by the monodromy of another circuit;
    None where that does not lead there.

    ``play`` gives the states after each of two blocks: what is fast dies away in the first one. Only the unknowns that
    are ``awaited`` [shape=(n,)] have to stand still: done is a round whose second block moves so little that the
    slowest mode has no more than ``settled_v`` to go. Other arguments as in ``repeating_state``.
    """
    state, mixing = start, Mixing()
    for number in range(1, 1 + MOST_ROUNDS):
        before, after = play(state)
        missed, proposed = monodromy.ahead(before, after)
        state = after.with_vector(mixing(proposed, missed))
        moves = np.where(awaited, np.abs(after.x - before.x), -1.0)
        restless = int(np.argmax(moves))
        left_v = float(moves[restless]) * monodromy.slowest
        if left_v < settled_v:
            return Repetition(
                state=state, left_v=left_v, restless=restless, moved_v=float(moves[restless]),
                played=2 * number * block, found=True,
            )  # fmt: skip
    return None
