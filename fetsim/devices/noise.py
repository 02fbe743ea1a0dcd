"""Noise of a part: the forms of its sources, white and at one state.

* Resistance: 4 k T / R (Johnson 1928, Nyquist 1928).
* Junction: shot noise 2 q I, the forward and the reverse current each on its own, so that a junction without voltage
  has the 4 k T g of equilibrium (for an ideality of 1).

Each kind's file says which of them it has, or why none. Not in any model: 1/f and burst noise.
"""

from dataclasses import dataclass
from typing import NamedTuple

from scipy.constants import elementary_charge, k

from fetsim.devices.law import Number

THERMAL, CHANNEL, SHOT = "thermal", "channel", "shot"


class Noise(NamedTuple):
    """A white source between two terminals; in the row of an inner one it acts on the part's own equation."""

    cause: str
    """``thermal``, ``channel`` or ``shot``."""
    start: str
    end: str | None
    """None is ground."""
    density: Number
    """Mean square per Hz: A^2/Hz in rows of nodes, V^2/Hz in the row of a winding's current."""


@dataclass(frozen=True)
class Noiseless:
    """Stands where a kind of part has no noise, with the reason."""

    reason: str


def johnson(start: str, end: str | None, ohm: float, temperature_k: float) -> Noise:
    """Noise current of a resistance."""
    return Noise(THERMAL, start, end, 4.0 * k * temperature_k / ohm)


def johnson_in_series(current: str, ohm: float, temperature_k: float) -> Noise:
    """Noise voltage of a resistance in the row of the current through it."""
    return Noise(THERMAL, current, None, 4.0 * k * temperature_k * ohm)


def shot(start: str, end: str, current_a: Number, saturation_a: float = 0.0) -> Noise:
    """Noise of a junction's current I_S (exp - 1): both of I_S exp and of I_S."""
    return Noise(SHOT, start, end, 2.0 * elementary_charge * (current_a + 2.0 * saturation_a))
