"""DC bias point from cold: pseudo-transient continuation.

Newton's method from zero fails on transistor stages. So the supplies are switched on into the discharged circuit and
its own capacitances carry it to rest: backward Euler with a step that grows from nanoseconds to hours, halved where
Newton fails. The last step has no capacitance at all and leaves the exact DC equations. (Kelley and Keyes, SIAM J.
Numer. Anal. 35 (1998) 508, for the method in general.) Parts with memory go straight from nothing to where they rest:
a core is demagnetised before, and on its virgin curve after.
"""

from functools import lru_cache

import numpy as np

from fetsim.engine.assembly import Array, System, no_memory, port_voltages
from fetsim.engine.nearby import rest_nearby
from fetsim.engine.one_thread import one_thread
from fetsim.engine.plain import Solved, solve_stage
from fetsim.errors import ConvergenceError

FIRST_STEP_S = 1e-9
LONGEST_STEP_S = 1e5
SHORTEST_STEP_S = 1e-18
GROWTH = 3.0
STAGE_V, TOLERANCE_V = 1e-6, 1e-9
"""Newton's last step: on the way, and at the end."""
LEAKAGE_V = 1e-5
"""The same where that is not to be had. A node that hangs on nothing but junctions in reverse, femtoamperes, moves by
microvolts with the rounding of what flows beside it."""
_EASY_ITERATIONS = 12


@one_thread()
def find_bias(system: System, start: Array | None = None) -> Array:
    """State at rest [shape=(n,)] with every input at zero: a sine that the engine makes at its mean, noise too.

    ``start`` is a state near the answer (the bias of a slightly different unit), from which it is tried first
    (``nearby``): a Dunlin of other values in 1.5 ms instead of 100, within 1e-10 V of the search from cold, whose
    results are kept for circuits of the very same values. Raises ConvergenceError naming the part that would not
    settle.
    """
    if start is not None:
        found = rest_nearby(system, system.b, start, TOLERANCE_V)
        if found is not None:
            return found
    return _from_cold(Values(system)).copy()


class Values:
    """A system, equal to any other of the same values."""

    def __init__(self, system: System) -> None:
        self.system = system
        self._all = (system.unknowns, system.devices, *(a.tobytes() for a in (system.c, system.g, system.b)))
        self._hash = hash(self._all)

    def __hash__(self) -> int:
        return self._hash

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Values) and self._all == other._all


@lru_cache(maxsize=16)  # the measurements of one unit ask for it again and again
def _from_cold(values: Values) -> Array:
    try:
        return _searched(values.system, STAGE_V, TOLERANCE_V)
    except ConvergenceError as error:
        try:
            return _searched(values.system, LEAKAGE_V, LEAKAGE_V)
        except ConvergenceError:
            raise error from None


def _searched(system: System, stage_v: float, rest_v: float) -> Array:
    right = system.b
    x = np.zeros(system.size)
    step_s = FIRST_STEP_S
    ports, memory = port_voltages(system.devices, x), no_memory(system.devices)
    while True:
        solved = solve_stage(
            system, system.c / step_s, right, x, np.zeros(system.size), ports, memory, stage_v, max_iterations=50
        )
        if solved.converged:
            x = x + solved.increment
            ports = solved.ports
            if step_s >= LONGEST_STEP_S:
                break
            if solved.iterations <= _EASY_ITERATIONS:
                step_s *= GROWTH
        else:
            step_s /= 4.0
            if step_s < SHORTEST_STEP_S:
                raise _failure(solved)
    solved = _rest(system, right, x, rest_v)
    if not solved.converged:
        raise _failure(solved)
    return x + solved.increment + _rest(system, right, x + solved.increment, rest_v).increment  # what rounding leaves


def _rest(system: System, right: Array, x: Array, tolerance_v: float) -> Solved:
    nothing = np.zeros_like(system.c)
    guess, ports = np.zeros(system.size), port_voltages(system.devices, x)
    return solve_stage(system, nothing, right, x, guess, ports, no_memory(system.devices), tolerance_v)


def _failure(solved: Solved) -> ConvergenceError:
    name, _ = solved.worst_port
    return ConvergenceError(
        f"no bias point found: {name or 'the linear part'} does not settle (last step {solved.worst_step:.3g} V); "
        "check the values and nodes around it"
    )
