"""Frequency weightings for noise: A (IEC 61672-1) and ITU-R BS.468-4, in dB at any frequency.

Both from their published formulas (from memory, checked against the printed tables in the tests): A from
its four pole frequencies, 468 from the rational function of its network. Neither standard was read and no
tolerance is claimed.
"""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fetsim.errors import InputError

A_POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)  # outer two are double
REFERENCE_HZ = 1000.0  # where both are 0 dB by definition


def a_weighting_db(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """A weighting, dB re 1 kHz, at `frequency_hz` [any shape, not negative]; -inf at 0 Hz."""
    return _db(_a_gain(_frequency(frequency_hz)) / _a_gain(REFERENCE_HZ))


def itu_468_weighting_db(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """ITU-R BS.468-4 weighting, dB re 1 kHz (+12.2 dB at 6.3 kHz), at `frequency_hz`; -inf at 0 Hz.

    Only the weighting: the recommendation's quasi-peak meter is another thing, an rms figure reads lower.
    """
    return _db(_itu_468_gain(_frequency(frequency_hz)) / _itu_468_gain(REFERENCE_HZ))


def _a_gain(f: Any) -> Any:
    p1, p2, p3, p4 = (pole**2 for pole in A_POLES_HZ)
    return f**4 / ((f**2 + p1) * np.sqrt((f**2 + p2) * (f**2 + p3)) * (f**2 + p4))


def _itu_468_gain(f: Any) -> Any:
    even = -4.737338981378384e-24 * f**6 + 2.043828333606125e-15 * f**4 - 1.363894795463638e-7 * f**2 + 1.0
    odd = 1.306612257412824e-19 * f**5 - 2.118150887518656e-11 * f**3 + 5.559488023498642e-4 * f
    return f / np.hypot(even, odd)


def _frequency(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    if not np.all(np.isfinite(frequency)) or np.any(frequency < 0.0):
        raise InputError("frequency_hz: every frequency must be a finite number of at least zero")
    return frequency


def _db(gain: NDArray[np.float64]) -> NDArray[np.float64]:
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(gain))
