"""Inputs that the engine makes itself: a sine (mains) and white noise.

Every value is a function of the number of its step, so that nothing of them need be kept: a march comes out the same
whatever its blocks are, and one that goes on from a saved state goes on in the middle of the sine.
"""

import hashlib
from dataclasses import dataclass
from fractions import Fraction
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

ANCHOR_STEPS = 4096
"""The phase of a sine is worked out exactly every so many steps; between them its rounding stays under 1e-12 of a
period."""
_GOLDEN, _FIRST, _SECOND = (np.uint64(c) for c in (0x9E3779B97F4A7C15, 0xBF58476D1CE4E5B9, 0x94D049BB133111EB))
_QUARTERS_MEAN = 2.0 * 65535.0
_QUARTERS_RMS = np.sqrt(4.0 * (65536.0**2 - 1.0) / 12.0)


class Signal(Protocol):
    """An input as a function of time."""

    def within(self, name: str, stream: int, first: int, steps: int, fractions: Array, rate_hz: float) -> Array:
        """Its volts at ``fractions`` of each step [shape=(steps, stages)], the first one being step number ``first``.

        ``name`` is the input's, ``stream`` the state's.
        """


@dataclass(frozen=True, kw_only=True)
class Sine:
    """A sine, exact in phase however long it goes on. It sets in with the first step, at its phase."""

    frequency_hz: float
    peak_v: float
    phase_deg: float = 0.0
    """At the start of the march."""

    def within(self, name: str, stream: int, first: int, steps: int, fractions: Array, rate_hz: float) -> Array:
        number = np.arange(first, first + steps)
        block, place = np.divmod(number, ANCHOR_STEPS)
        blocks = range(first // ANCHOR_STEPS, (first + steps) // ANCHOR_STEPS + 1)
        cycles_a_block = Fraction(self.frequency_hz) / Fraction(rate_hz) * ANCHOR_STEPS
        start = Fraction(self.phase_deg) / 360
        anchors = np.array([float((start + one * cycles_a_block) % 1) for one in blocks])
        cycles = anchors[block - blocks[0]][:, None] + (place[:, None] + fractions) * (self.frequency_hz / rate_hz)
        return np.asarray(self.peak_v * np.sin(2.0 * np.pi * cycles))


@dataclass(frozen=True, kw_only=True)
class White:
    """White noise of a stated density, one value a step, held over the step's stages.

    Up to half the step rate its density is the stated one; a circuit slower than that cannot tell it from white.
    A value is the sum of the four 16-bit quarters of one number of splitmix64 (Steele, Lea and Flood, OOPSLA 2014):
    of exact variance, nearly normal (kurtosis -0.3, none beyond 3.46 times its rms). Every input has a sequence of its
    own by seed, name and stream, so that neither another part nor another channel disturbs it.
    """

    density_v2_per_hz: float
    """One-sided mean square per Hz."""
    seed: int = 0

    def within(self, name: str, stream: int, first: int, steps: int, fractions: Array, rate_hz: float) -> Array:
        word = hashlib.sha256(f"{self.seed} {stream} {name}".encode()).digest()
        z = np.arange(first + 1, first + steps + 1, dtype=np.uint64) * _GOLDEN
        z += np.uint64(int.from_bytes(word[:8], "little"))
        z = (z ^ (z >> np.uint64(30))) * _FIRST
        z = (z ^ (z >> np.uint64(27))) * _SECOND
        z ^= z >> np.uint64(31)
        total = z.view(np.uint16).reshape(steps, 4).sum(axis=1, dtype=np.uint32)
        rms_v = np.sqrt(0.5 * self.density_v2_per_hz * rate_hz)
        values = (total - _QUARTERS_MEAN) * (rms_v / _QUARTERS_RMS)
        return np.broadcast_to(values[:, None], (steps, len(fractions)))
