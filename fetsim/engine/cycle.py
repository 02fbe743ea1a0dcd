"""Rest of a circuit that inputs of the engine drive for ever, as mains do: one period, over and over.

The bias search knows no such thing: with its sines at their mean every rail is at zero. So the circuit is switched on,
discharged, and marched at a low rate (``STEPS`` a period, BDF2, which no stiffness upsets) until a period repeats
itself (``repetition``). A neighbour's period is a shorter way. The Dunlin's takes 0.6 s of one core from cold, 0.05 s
from a neighbour's.

Error of the low rate, against 5760 steps of BDF4 a period (the Dunlin's supply, 37.6 V at a reservoir of 0.54 V of
ripple): means 0.5 mV at the reservoir and 10 uV at the rails, ripple 0.2 %. Renders and measurements in time go on from
there at their own rate, until that repeats itself too.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from types import MappingProxyType

import numpy as np

from fetsim.engine.assembly import Array, System
from fetsim.engine.bias import Values
from fetsim.engine.methods import INPUTS
from fetsim.engine.prepared import Prepared, prepare
from fetsim.engine.repetition import BLOCKS, repeating_state
from fetsim.engine.simulation import Simulation
from fetsim.engine.state import State
from fetsim.errors import ConvergenceError

STEPS = 480
"""In a period."""
SWITCHED_ON = 20
"""Periods after which reservoirs have charged and the search begins."""
SETTLED_V = 1e-5
"""An extrapolation to the period that repeats itself which moves no unknown by more is the last."""
LONGEST_S = 60.0
METHOD = "bdf2"
TOLERANCE_V = 1e-4  # of Newton, at every junction: what is left goes with its square
NOTHING: Mapping[str, float] = MappingProxyType({})


@dataclass(frozen=True, kw_only=True, eq=False)
class Cycle:
    """One period of a circuit at rest, which begins and ends where its sines are at their phase."""

    frequency_hz: float
    unknowns: Array
    """After each of its steps [shape=(steps, n), order of ``system.unknowns``]."""
    memory: Array
    """What devices remember at its end."""

    @property
    def mean(self) -> Array:
        """Of every unknown [shape=(n,)]."""
        return np.asarray(self.unknowns.mean(axis=0))

    def span(self, place: int) -> float:
        """From the lowest to the highest value of an unknown."""
        return float(np.ptp(self.unknowns[:, place]))

    def holding(self, system: System, held_v: Mapping[str, float]) -> "Cycle":
        """The same with other volts at these nodes."""
        unknowns = self.unknowns.copy()
        for name, volt in held_v.items():
            unknowns[:, system.index[name]] = volt
        return replace(self, unknowns=unknowns)

    def state(self, prepared: Prepared, stream: int = 0) -> State:
        """At its end, for a march at this or another rate: on straight lines between its steps."""
        steps = self.frequency_hz * len(self.unknowns) / prepared.rate_hz * np.arange(4)
        whole = np.floor(steps).astype(int)
        part = (steps - whole)[:, None]
        along = (1.0 - part) * self.unknowns[-1 - whole] + part * self.unknowns[-2 - whole]
        return prepared.state_along(along, self.memory, before(prepared), stream)


def before(prepared: Prepared) -> Array:
    """Every input after the last five steps before the first one [shape=(5, inputs)]: what the engine makes goes on for
    ever, the others are silent."""
    system, steps = prepared.system, INPUTS - 1
    found = np.zeros((steps, len(system.inputs)))
    for name, signal in system.signals.items():
        along = signal.within(name, 0, -steps, steps, np.ones(1), prepared.rate_hz)
        found[:, system.inputs.index(name)] = along[:, 0]
    return found


def find_cycle(
    system: System,
    frequency_hz: float,
    awaited: frozenset[str],
    near: Cycle | None = None,
    held_v: Mapping[str, float] = NOTHING,
) -> Cycle:
    """The period at rest of a circuit whose signals all repeat themselves at this frequency.

    ``awaited`` are the unknowns that have to stand still, ``near`` the period of a slightly different circuit, and
    ``held_v`` the volts of nodes that a capacitance beyond measure holds. Raises ConvergenceError that names the
    unknown that never comes to rest.
    """
    if near is not None:
        prepared = _prepared(system, frequency_hz)
        try:
            return repeating_cycle(prepared, near.holding(system, held_v).state(prepared), frequency_hz, awaited)
        except ConvergenceError:
            pass  # so it is not near
    return _from_cold(Values(system), tuple(system.signals.items()), frequency_hz, awaited, tuple(held_v.items()))


@lru_cache(maxsize=16)  # as the bias search: the measurements of one unit ask for it again and again
def _from_cold(
    values: Values, signals: tuple[object, ...], frequency_hz: float, awaited: frozenset[str],
    held_v: tuple[tuple[str, float], ...],
) -> Cycle:  # fmt: skip
    prepared = _prepared(values.system, frequency_hz)
    cold = np.zeros(values.system.size)
    for name, volt in held_v:
        cold[values.system.index[name]] = volt
    start = _after(prepared, prepared.state_at(cold), SWITCHED_ON * STEPS)
    return repeating_cycle(prepared, start, frequency_hz, awaited)


def _prepared(system: System, frequency_hz: float) -> Prepared:
    return prepare(system, STEPS * frequency_hz, method=METHOD, tolerance_v=TOLERANCE_V)


def repeating_cycle(prepared: Prepared, start: State, frequency_hz: float, awaited: frozenset[str]) -> Cycle:
    """The period that repeats itself, looked for from ``start``. Raises ConvergenceError."""
    names = [prepared.reduced.system.unknowns[k] for k in prepared.order]
    period = round(prepared.rate_hz / frequency_hz)

    def play(state: State, steps: int) -> list[State]:
        chain = []
        for _ in range(1 + BLOCKS):
            state = _after(prepared, state, steps)
            chain.append(state)
        return chain

    found = repeating_state(
        play, start, np.array([name in awaited for name in names]), block=period,
        longest=round(LONGEST_S * prepared.rate_hz), settled_v=SETTLED_V,
    )  # fmt: skip
    if not found.found:
        name = names[found.restless]
        raise ConvergenceError(
            f"no rest with mains: node or unknown {name} still moves by {1e3 * found.moved_v:.3g} mV after "
            f"{LONGEST_S:g} s",
            advice="does something round it oscillate, or charge for ever?",
        )
    start = _after(prepared, found.state, period)  # what the last leap has stirred up dies away
    simulation = Simulation(prepared, prepared.system.unknowns, start)
    unknowns = simulation.advance(np.zeros(period))
    memory = simulation.state.memory[: prepared.remembered]
    return Cycle(frequency_hz=frequency_hz, unknowns=unknowns, memory=memory)


def _after(prepared: Prepared, start: State, steps: int) -> State:
    """The state so many silent steps later."""
    simulation = Simulation(prepared, [], start)
    simulation.advance(np.zeros(steps))
    return simulation.state
