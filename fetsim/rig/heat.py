"""How much warmer parts are than what is around them, by their own heat: solved together with the bias point.

A part that has a ``thermal_resistance`` is warmer by that times its watts at the bias point, and its watts depend on
how warm it is. Once settled both agree. They are looked for as the unit gets there, from cold: step by step, of 30 K at
the most, towards what the heat of the moment leads to; half a step where it swings. Where a part gets too hot and still
every step would be larger than the one before it, there is nothing to find: thermal runaway.

After a while (``on_s``) each part has come as far as its ``thermal_time_constant`` lets it, the electrical state
following at once; steps of a twentieth of the shortest left 1.2 % of the rise where it was worst (a resistor of 5000
ppm/K on its way to 100 K). A run keeps the temperatures that it begins with; the heat of the signal is left out.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from math import ceil, exp, inf

import numpy as np

from fetsim.engine.assembly import Array, System, assemble
from fetsim.engine.bias import find_bias
from fetsim.engine.circuit import GROUND, Circuit
from fetsim.engine.cycle import Cycle, find_cycle
from fetsim.errors import ConvergenceError, InputError
from fetsim.rig.mains import awaited
from fetsim.schematic.temperature import temperature_of
from fetsim.schematic.unit import Part, Unit
from fetsim.schematic.wiring import build_circuit, part_heat_w

TOLERANCE_K = 1e-4
MOST_ROUNDS = 300
LARGEST_STEP_K = 30.0
LOOKS = 48  # instants of a mains period
HOTTEST_C = 200.0
"""No part of this sort lives beyond it (common practice, no source), and no figure is meant for it."""
STEPS_EACH = 20  # in the shortest time constant
MOST_STEPS = 2000
REACHED = 30.0  # time constants after which all is settled


@dataclass(frozen=True, kw_only=True)
class Heat:
    """Rises over what is around each part, for those that have any."""

    rises_k: Mapping[str, float] = field(default_factory=dict)
    bias: Array | None = None
    """The bias point that they belong to; None where no part has any."""


def heat_of(unit: Unit, on_s: float = inf) -> Heat:
    """Rises so long after switching on; settled after ever.

    Raises ConvergenceError for a unit that runs away, or without a bias point; InputError where a part has no
    ``thermal_time_constant`` and one is needed.
    """
    parts = [part for part in unit.parts.values() if "thermal_resistance" in part.values]
    if not parts or on_s == 0.0:
        return Heat()
    work = _Work(unit, parts)
    return work.settled() if on_s == inf else work.after(on_s)


def check_time_constants(unit: Unit, on_s: float) -> None:
    """Raises InputError where a part that warms itself lacks what its warmth after ``on_s`` seconds depends on."""
    warm = [part for part in unit.parts.values() if "thermal_resistance" in part.values]
    lacking = [part.designator for part in warm if "thermal_time_constant" not in part.values]
    if lacking:
        others = f" (and of {', '.join(lacking[1:])})" if lacking[1:] else ""
        raise InputError(
            f"{lacking[0]}.thermal_time_constant{others}: is missing; how warm it is {on_s:g} s after switching on "
            "depends on it; give it in seconds, as 20s"
        )


class _Work:
    """A unit at a series of temperatures, each bias point being found from the one before."""

    def __init__(self, unit: Unit, parts: list[Part]) -> None:
        self._unit, self._parts = unit, parts
        self._around_c = np.array([temperature_of(unit, part) for part in parts])
        self._k_per_w = np.array([part.values["thermal_resistance"] for part in parts])
        self._bias: Array | None = None
        self._cycle: Cycle | None = None

    def settled(self) -> Heat:
        rises, share, before = np.zeros(len(self._parts)), 1.0, np.full(len(self._parts), inf)
        for _ in range(MOST_ROUNDS):
            missing = self._leads_to(rises) - rises
            if np.abs(missing).max() <= TOLERANCE_K:
                return self._heat(rises)
            grows = np.abs(missing).max() > np.abs(before).max()
            if grows and missing @ before < 0.0:
                share *= 0.5
            rises, before = rises + np.clip(share * missing, -LARGEST_STEP_K, LARGEST_STEP_K), missing
            self._check(rises, runs_away=bool(grows))
        raise ConvergenceError(f"{self._hottest(rises)}: its heat finds no balance with the bias point")

    def after(self, on_s: float) -> Heat:
        check_time_constants(self._unit, on_s)
        seconds = np.array([part.values["thermal_time_constant"] for part in self._parts])
        if on_s > REACHED * seconds.max():
            return self.settled()
        steps = ceil(STEPS_EACH * on_s / seconds.min())
        if steps > MOST_STEPS:
            raise InputError(
                f"{on_s:g} s after switching on are {steps} steps of a twentieth of the shortest "
                f"thermal_time_constant, {seconds.min():g} s; {MOST_STEPS} at the most"
            )
        rises = np.zeros(len(self._parts))
        nearer = 1.0 - np.array([exp(-on_s / steps / second) for second in seconds])
        for _ in range(steps):
            rises = rises + nearer * (self._leads_to(rises) - rises)
            self._check(rises, runs_away=False)
        self._leads_to(rises)
        return self._heat(rises)

    def _heat(self, rises: Array) -> Heat:
        return Heat(rises_k=self._named(rises), bias=self._bias)

    def _named(self, rises: Array) -> dict[str, float]:
        return {part.designator: float(rise) for part, rise in zip(self._parts, rises, strict=True)}

    def _leads_to(self, rises: Array) -> Array:
        """Rises that the heat at these rises would lead to."""
        unit = replace(self._unit, rises_k=self._named(rises))
        circuit = build_circuit(unit)
        system = assemble(circuit)
        states = self._states(circuit, system)
        watts = np.zeros(len(self._parts))
        for state in states:
            levels = {GROUND: 0.0, **{name: float(state[i]) for name, i in system.index.items()}}
            watts += np.array([part_heat_w(unit, part, levels) for part in self._parts]) / len(states)
        return np.asarray(self._k_per_w * watts)

    def _states(self, circuit: Circuit, system: System) -> Array:
        """States over which heat is the mean [shape=(k, n)]: the bias point, or some of a mains period."""
        if self._unit.mains:
            hertz = self._unit.mains[0].values["frequency"]
            self._cycle = find_cycle(system, hertz, awaited(circuit), self._cycle)
            return self._cycle.unknowns[:: len(self._cycle.unknowns) // LOOKS]
        self._bias = find_bias(system, self._bias)
        return self._bias[None, :]

    def _hottest(self, rises: Array) -> str:
        return self._parts[int(np.argmax(self._around_c + rises))].designator

    def _check(self, rises: Array, *, runs_away: bool) -> None:
        if (self._around_c + rises).max() > HOTTEST_C:
            name = self._hottest(rises)
            why = "thermal runaway: the warmer it is, the more it heats itself" if runs_away else "too much heat for it"
            raise ConvergenceError(
                f"{name}: gets hotter than {HOTTEST_C:g} C with its thermal_resistance of "
                f"{self._unit.parts[name].values['thermal_resistance']:g} K/W; {why}"
            )
