"""Noise of a part: the forms of its sources.

* Resistance: 4 k T / R (Johnson 1928, Nyquist 1928).
* Junction: shot noise 2 q I, the forward and the reverse current each on its own, so that a junction without voltage
  has the 4 k T g of equilibrium (for an ideality of 1).
* Excess noise of a resistor, which a direct current has and which falls as 1/f: the index says how many microvolts rms
  in a decade of frequency go with each volt across it, 0 dB being 1 uV/V (IEC 60195, from memory).
* Where a part has noise that falls as 1/f, that is a source of its own.

Each kind's file says which of them it has, or why none. Strengths that move with the signal are a ``NoiseLaw``, which a
render asks at every step and a measurement at one state; those that do not are worked out once.
Burst noise is in no model.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import log
from typing import NamedTuple

from scipy.constants import elementary_charge, k

from fetsim.devices.law import Number, Values

THERMAL, CHANNEL, SHOT, EXCESS, FLICKER = "thermal", "channel", "shot", "excess", "1/f"


class Noise(NamedTuple):
    """A source between two terminals; in the row of an inner one it acts on the part's own equation."""

    cause: str
    """``thermal``, ``channel``, ``shot`` or another word for it."""
    start: str
    end: str | None
    """None is ground."""
    density: Number
    """Mean square per Hz: A^2/Hz in rows of nodes, V^2/Hz in the row of a winding's current."""
    pink: bool = False
    """Whether it falls as 1/f, ``density`` being that at 1 Hz, instead of being white."""


class NoisePlace(NamedTuple):
    """Where a source of a ``NoiseLaw`` stands; as in ``Noise``."""

    cause: str
    start: str
    end: str | None
    pink: bool = False
    only_with: str = ""
    """Name of a value of the element that is 0 where it has no such source."""


@dataclass(frozen=True, kw_only=True)
class NoiseLaw:
    """Noise of a kind whose strength follows its state, from one function for measurements and renders.

    The function is compiled as the kind's law is, for one circuit or several side by side: plain arithmetic, ``sqrt``
    of ``math``, ``select`` and ``clamp`` of ``law``, no branch.
    """

    function: Callable[..., tuple[Number, ...]]
    """(port voltages, junction exponentials, the law's parameters, those below) -> for each source its density, as in
    ``Noise``; the first three are those of the kind's law, in the same order."""
    sources: tuple[NoisePlace, ...]
    parameters: Callable[[Values, float], tuple[float, ...]] = lambda values, temperature_k: ()
    """(values, temperature in kelvin) -> what the function takes beside the law's own."""


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


def excess(start: str, end: str, current_a: Number, per_volt: float) -> Noise:
    """Excess noise of a resistor: in each decade ``per_volt`` of its direct voltage, rms; so of its current too."""
    return Noise(EXCESS, start, end, (per_volt * current_a) ** 2 / log(10.0), pink=True)


def shot_density(current_a: Number) -> Number:
    """Of a current that crosses a junction [A^2/Hz]. Both halves of I_S (exp - 1) do, which is I_S (exp + 1)."""
    return 2.0 * elementary_charge * current_a
