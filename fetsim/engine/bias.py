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
from fetsim.engine.plain import Solved, solve_stage
from fetsim.errors import ConvergenceError

FIRST_STEP_S = 1e-9
LONGEST_STEP_S = 1e5
SHORTEST_STEP_S = 1e-18
GROWTH = 3.0
TOLERANCE_V = 1e-9
_EASY_ITERATIONS = 12


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
    system = values.system
    right = system.b
    x = np.zeros(system.size)
    step_s = FIRST_STEP_S
    ports, memory = port_voltages(system.devices, x), no_memory(system.devices)
    while True:
        solved = solve_stage(
            system, system.c / step_s, right, x, np.zeros(system.size), ports, memory, 1e-6, max_iterations=50
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
    solved = _rest(system, right, x)
    if not solved.converged:
        raise _failure(solved)
    return _polished(system, right, x + solved.increment)


def _rest(system: System, right: Array, x: Array) -> Solved:
    nothing = np.zeros_like(system.c)
    guess, ports = np.zeros(system.size), port_voltages(system.devices, x)
    return solve_stage(system, nothing, right, x, guess, ports, no_memory(system.devices), TOLERANCE_V)


def _polished(system: System, right: Array, x: Array) -> Array:
    """One more Newton step, from a converged state: what rounding leaves."""
    return x + _rest(system, right, x).increment


def _failure(solved: Solved) -> ConvergenceError:
    name, _ = solved.worst_port
    return ConvergenceError(
        f"no bias point found: {name or 'the linear part'} does not settle (last step {solved.worst_step:.3g} V); "
        "check the values and nodes around it"
    )
