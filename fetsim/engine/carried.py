"""Where one march stands, carried over into another circuit: of other values, of another topology, at another rate.

Into the same topology at the same rate the state goes as it is, to the last bit: a capacitor keeps its voltage, an
inductor its current, a core its flux. That is what happens on a bench where the part that comes in has been brought to
the voltage (the current, the flux) of the one that goes out; what the new value makes of it then, a click included, is
the circuit's own.

Into another topology it goes by the names of the unknowns, and what only the other circuit has begins as it rests
there. At another rate the last four steps, and the last five of the inputs, lie on a cubic and a quartic, which are
read at the other steps.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.engine.methods import INPUTS
from fetsim.engine.prepared import Prepared
from fetsim.engine.state import State

STEPS = 4
"""Of the unknowns that a state knows."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Standing:
    """Where one march, or several beside each other, stand, by name."""

    marches: tuple[tuple[Prepared, State], ...]

    @classmethod
    def of(cls, marches: Iterable[tuple[Prepared, State]]) -> "Standing":
        """Of marches at one rate that have gone equally far."""
        return cls(marches=tuple(marches))

    def carried_into(self, prepared: Prepared, rest: Array, stream: int = 0) -> State:
        """The state of another circuit that goes on from here, which rests at ``rest`` [shape=(n,), order of
        ``system.unknowns``]."""
        for mine, state in self.marches:
            if mine.system.topology == prepared.system.topology and state.rate_hz == prepared.rate_hz:
                return state.copy()
        rate_hz, steps = self.marches[0][1].rate_hz, self.marches[0][1].steps
        ratio = rate_hz / prepared.rate_hz
        system, at_rest = prepared.system, prepared.state_at(rest, stream)
        found = {name: one for mine, state in self.marches for name, one in _along(mine, state).items()}
        resting = dict(zip(system.unknowns, rest, strict=True))
        along = np.array([found.get(name, np.full(STEPS, resting[name])) for name in system.unknowns])
        driven = {name: u for mine, state in self.marches for name, u in _inputs(mine, state).items()}
        inputs = np.array([driven.get(name, np.zeros(INPUTS - 1)) for name in system.inputs])
        memory = at_rest.memory[: prepared.remembered].copy()
        for mine, state in self.marches:
            _remember(memory, prepared, mine, state)
        return prepared.state_along(
            _at_steps(along, ratio).T, memory, _at_steps(inputs, ratio)[:, ::-1].T, stream, round(steps / ratio)
        )


def _along(prepared: Prepared, state: State) -> dict[str, Array]:
    """Every unknown now and before the last three steps, the latest first [each of shape=(4,)]."""
    kept = state.x - np.vstack((np.zeros_like(state.x), np.cumsum(state.past, axis=0)))
    x = np.empty_like(kept)
    x[:, prepared.order] = kept
    reduced = prepared.reduced
    whole = x @ reduced.expand.T + reduced.constant + state.inputs[::-1][:STEPS] @ reduced.per_input.T
    return dict(zip(prepared.system.unknowns, whole.T, strict=True))


def _inputs(prepared: Prepared, state: State) -> dict[str, Array]:
    """Every input at the end of the last five steps, the latest first [each of shape=(5,)]."""
    return dict(zip(prepared.system.inputs, state.inputs[::-1].T, strict=True))


def _at_steps(values: Array, ratio: float) -> Array:
    """What lies one step apart [shape=(names, n), the latest first], ``ratio`` steps apart: on the polynomial through
    all."""
    places = np.arange(values.shape[1])
    if ratio == 1.0 or not values.size:
        return values
    at = ratio * places[:, None]
    others = [np.delete(places, k) for k in places]
    weights = np.array([np.prod((at - other) / (k - other), axis=1) for k, other in zip(places, others, strict=True)])
    return np.asarray(values @ weights)


def _remember(memory: Array, prepared: Prepared, mine: Prepared, state: State) -> None:
    """Put what devices of the same name remember into their places in ``memory``."""
    known: dict[str, Array] = {}
    place = 0
    for device in mine.system.devices:
        known[device.name] = state.memory[place : place + device.law.memory]
        place += device.law.memory
    place = 0
    for device in prepared.system.devices:
        size = device.law.memory
        if size and len(known.get(device.name, ())) == size:
            memory[place : place + size] = known[device.name]
        place += size
