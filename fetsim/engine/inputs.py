"""What drives a march: the program input alone, or several inputs by name."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from fetsim.engine.circuit import PROGRAM
from fetsim.engine.signals import Signal
from fetsim.engine.state import State
from fetsim.errors import InputError

Array = NDArray[np.float64]
Drive = Array | Mapping[str, Array]
"""Source volts [shape=(steps,), or (steps, stages)] of the program input, or of each input by its name."""


def steps_of(drive: Drive) -> int:
    """How many steps it is for."""
    return min(map(len, drive.values()), default=0) if isinstance(drive, Mapping) else len(drive)


def stretch(drive: Drive, start: int, stop: int | None = None) -> Drive:
    """Some of its steps."""
    if isinstance(drive, Mapping):
        return {name: values[start:stop] for name, values in drive.items()}
    return drive[start:stop]


def of_each_input(
    drive: Drive,
    inputs: tuple[str, ...],
    signals: Mapping[str, Signal],
    normalled: Mapping[str, float],
    state: State,
    fractions: Array,
) -> list[Array]:
    """Volts of every input [shape=(steps,), or (steps, stages) where they are known at the stages], from ``state`` on.

    What nothing is fed to is silent, or ``normalled``: it gets so many times the program's voltage. Raises InputError
    for names that are no inputs to be fed from outside, and for unequal lengths.
    """
    given = drive if isinstance(drive, Mapping) else {PROGRAM: drive}
    steps = steps_of(given)
    free = [name for name in inputs if name not in signals]
    for name, values in given.items():
        if name not in free:
            reason = "is made by the engine" if name in signals else "is none of this circuit's"
            raise InputError(f"input: {name[:40]!r} {reason}; inputs are {', '.join(free)}")
        if len(values) != steps:
            lengths = ", ".join(f"{one} has {len(array)}" for one, array in given.items())
            raise InputError(f"input: all inputs must have as many steps ({lengths})")
    program = given.get(PROGRAM, np.zeros(steps))

    def of(name: str) -> Array:
        if name in signals:
            return signals[name].within(name, state.stream, state.steps, steps, fractions, state.rate_hz)
        if name in normalled and name not in given:
            return normalled[name] * program
        return given.get(name, np.zeros(steps))

    return [of(name) for name in inputs]
