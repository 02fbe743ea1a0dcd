"""Where a circuit under a periodic drive comes to in the end, without waiting for its slowest time constant.

The state is looked at once a block of whole periods, and the sequence is extrapolated to its limit: with states
z_0 .. z_k and their differences d_i, the weights g_i that make ``|sum g_i d_i|`` least, ``sum g_i = 1``, are used on
the states themselves (reduced rank extrapolation; Smith, Ford and Sidi, SIAM Review 29, 1987). The slow part of a
circuit moves almost linearly from block to block, so the limit is right to first order; play goes on from there and it
is done again until the extrapolation moves next to nothing. An extrapolation that goes wrong (over a rectifier that
begins to conduct on the way, say) costs time, not truth: when the state drifts faster than before, it is taken back
and the blocks are doubled; when it only runs away from where it was put, another round follows in any case.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fetsim.engine.state import Array, State

BLOCKS = 8  # between one extrapolation and the next
ASTRAY = 0.5  # share of the way to an extrapolated state by which the next round may leave it
LEAST_WEIGHT = 1e-10  # re the largest singular value: what is smaller is rounding


@dataclass(frozen=True, kw_only=True)
class Repetition:
    """What a search for the state that repeats itself came to."""

    state: State
    """To go on from."""
    left_v: float
    """By how much the last extrapolation moved an unknown at most."""
    restless: int
    """The unknown that moved most over the last block,"""
    moved_v: float
    """and by how much."""
    played: int
    """Steps."""
    found: bool


def repeating_state(
    play: Callable[[State, int], Sequence[State]],
    start: State,
    awaited: NDArray[np.bool_],
    *,
    block: int,
    longest: int,
    settled_v: float,
) -> Repetition:
    """Look from ``start`` for the state that repeats itself every ``block`` steps, over ``longest`` steps at the most.

    ``play`` (a state, steps of a block) gives the states after each of 1 + ``BLOCKS`` blocks. Only the unknowns that
    are ``awaited`` [shape=(n,)] have to stand still, within ``settled_v``.
    """
    state, goal = start, None
    played, slowest, before, found = 0, np.inf, start, False
    chain: Sequence[State] = (start, start)
    left_v = np.inf
    while played < longest:
        chain = play(state, block)  # what is fast dies away in the first block
        played += (1 + BLOCKS) * block
        drift = distance(chain[-1], chain[-2], awaited) / block
        if drift > slowest:
            state, slowest, goal = before, np.inf, None
            block *= 2  # shows slow modes better, and gets on by mere playing where all else fails
            continue
        astray = goal is not None and (
            distance(chain[-1], goal, awaited) > ASTRAY * distance(goal, before, awaited)
        )
        before, slowest = chain[-1], drift
        state = goal = before.with_vector(_limit(np.array([one.vector() for one in chain])))
        left_v = distance(goal, before, awaited)
        found = left_v < settled_v and not astray
        if found:
            break
    moves = np.where(awaited, np.abs(chain[-1].x - chain[-2].x), -1.0)
    restless = int(np.argmax(moves))
    return Repetition(
        state=state, left_v=left_v, restless=restless, moved_v=float(moves[restless]), played=played, found=found
    )


def distance(one: State, other: State, awaited: NDArray[np.bool_]) -> float:
    """The largest difference of an unknown that is awaited, increments left out."""
    return float(np.max(np.abs(one.x - other.x)[awaited]))


def _limit(chain: Array) -> Array:
    """Where states [shape=(k + 2, n)] lead to."""
    steps = np.diff(chain, axis=0)
    bends = np.diff(steps, axis=0).T
    weights = np.linalg.lstsq(bends, -steps[0], rcond=LEAST_WEIGHT)[0]
    return np.asarray(chain[0] + steps[:-1].T @ weights)
