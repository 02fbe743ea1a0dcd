"""Frequencies at which small signals are read: a fine grid, with the round ones on it wherever it begins."""

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.measurements.traces.checks import positive

LOW_HZ, HIGH_HZ = 10.0, 100e3
LEAST_HZ, MOST_HZ = 1e-3, 1e9
PER_OCTAVE, MOST_PER_OCTAVE = 12, 500
NAMED_HZ = (20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 10e3, 15e3, 20e3, 50e3)  # on the grid, wherever it starts


def grid_hz(low_hz: float, high_hz: float, per_octave: int) -> Array:
    """Rising frequencies from ``low_hz`` to ``high_hz`` [shape=(n,)], the named ones among them.

    Raises InputError for a range that does not rise or lies far out, and for too fine a grid.
    """
    if not positive(low_hz, "low_hz") < positive(high_hz, "high_hz"):
        raise InputError(f"low_hz, high_hz: {low_hz:g} to {high_hz:g} Hz does not rise")
    if not 1 <= per_octave <= MOST_PER_OCTAVE:
        raise InputError(f"per_octave: is {per_octave}; it must lie between 1 and {MOST_PER_OCTAVE}")
    if low_hz < LEAST_HZ or high_hz > MOST_HZ:
        raise InputError(f"low_hz, high_hz: {low_hz:g} to {high_hz:g} Hz is outside {LEAST_HZ:g} to {MOST_HZ:g} Hz")
    octaves = float(np.log2(high_hz / low_hz))
    named = [f for f in NAMED_HZ if low_hz <= f <= high_hz]
    return np.union1d(np.geomspace(low_hz, high_hz, 2 + int(octaves * per_octave)), named)
