"""Lines of a signal that repeats itself with the mains, and what its swing and its sag are."""

import numpy as np
from numpy.typing import NDArray

from fetsim.engine.assembly import Array

Phasors = NDArray[np.complex128]

LOW_HZ, HIGH_HZ = 20.0, 20e3


def line_phasors(period: Array) -> Phasors:
    """rms phasors of the multiples 1, 2, ... of the mains frequency in one period [shape=(..., steps) ->
    (..., steps // 2 - 1)]."""
    steps = np.shape(period)[-1]
    found = np.fft.rfft(period, axis=-1)[..., 1 : steps // 2]
    return np.asarray(np.sqrt(2.0) / steps * found, dtype=np.complex128)


def lines_in_band(mains_hz: float, count: int) -> Array:
    """Frequencies of ``count`` lines, those that lie in the band of hearing [shape=(lines,)]."""
    frequency_hz = mains_hz * np.arange(1, count + 1)
    return np.asarray(frequency_hz[(frequency_hz >= LOW_HZ) & (frequency_hz <= HIGH_HZ)], dtype=np.float64)


def sag(levels: Array, steps: int) -> tuple[float, float]:
    """What a rail comes to and by how much that is less than at the start [V; from its sign], means over mains periods
    of ``steps`` steps in a record that begins with one at rest [shape=(periods * steps,)]."""
    means = levels.reshape(-1, steps).mean(axis=1)
    sign = -1.0 if means[0] < 0.0 else 1.0
    lowest = float(sign * np.min(sign * means))
    return lowest, float(sign * (means[0] - lowest))


def root_sum_square(*values: float) -> float:
    """Levels that have nothing to do with each other, as one."""
    return float(np.sqrt(np.sum(np.square(values))))
