"""Where along its way a reading is what it must be: by straight lines from where the trim stands.

Three or four readings are usual, since what is read goes with the trim nearly in a straight line. Where they lead
nowhere, the ends are looked at, and the way between them is halved.
"""

from collections.abc import Callable
from dataclasses import dataclass

from scipy.optimize import brentq

MOST_LINES = 12


@dataclass(frozen=True)
class Found:
    """A place on the way."""

    way: float
    reached: bool
    """False at the end of the way where least is missing."""


def find(
    missed: Callable[[float], float], start: float, ends: tuple[float, float], step: float, settled: float
) -> Found:
    """Where ``missed`` is zero, to ``settled`` of the way."""
    low, high = ends
    here, other = start, start + step if start + step <= high else start - step
    missed_here = missed(here)
    if missed_here == 0.0:
        return Found(here, True)
    missed_other = missed(other)
    for _ in range(MOST_LINES):
        if missed_other == missed_here:
            break
        there = other - missed_other * (other - here) / (missed_other - missed_here)
        there = min(max(there, low), high)
        if abs(there - other) <= settled:
            if low < there < high or missed_other == 0.0:
                return Found(there, True)
            break
        here, missed_here = other, missed_other
        other, missed_other = there, missed(there)
    at_ends = missed(low), missed(high)
    if at_ends[0] * at_ends[1] <= 0.0:
        return Found(float(brentq(missed, low, high, xtol=settled)), True)
    return Found(low if abs(at_ends[0]) < abs(at_ends[1]) else high, False)
