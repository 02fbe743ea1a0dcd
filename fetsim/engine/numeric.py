"""Numeric helpers shared by the plain solver and the generated one: plain functions, compiled in the latter."""

from math import log, sqrt

import numpy as np
from numpy.typing import NDArray

from fetsim.devices.law import series_exp

VECTOR = 16
"""``exponentials`` is fastest on arrays of a multiple of this length (four vectors of four doubles)."""


FREE_SLOPES = 2.0
"""A junction may rise by that many slopes in one Newton step without being held back."""


def limited(start_v: float, rise: float, inv_slope_per_v: float) -> float:
    """Where a junction is held that would rise by ``rise`` slopes from ``start_v``, the higher of its old voltage and
    its critical one: beyond two slopes a rise counts only with its logarithm. Continuous at the limit.

    Falls are never limited (there Newton's method undershoots by itself).
    """
    return start_v + (FREE_SLOPES + log(max(rise, FREE_SLOPES) - (FREE_SLOPES - 1.0))) / inv_slope_per_v


def limit_junction(new_v: float, old_v: float, critical_v: float, inv_slope_per_v: float) -> float:
    """Hold back a Newton step into a junction's exponential (see ``limited``)."""
    start_v = max(old_v, critical_v)
    rise = (new_v - start_v) * inv_slope_per_v
    return new_v if rise <= FREE_SLOPES else limited(start_v, rise, inv_slope_per_v)


BEND_SHARE = 0.6
"""Of the scale of a ``Bend``: nearer to zero than this it may change sign in one Newton step."""


def step_share(new_v: float, old_v: float, scale_v: float) -> float:
    """How much of a Newton step leads the port of a ``Bend`` to zero, where all of it would jump to the other side.

    Held back alone, the port would contradict the others, and the iteration goes round in circles: so this share is
    taken of the step of all ports. From where the step's first iteration starts, it is not held back.
    """
    turns = new_v * old_v < 0.0 and abs(old_v) > BEND_SHARE * scale_v
    return old_v / (old_v - new_v) if turns else 1.0


def exponentials(arguments: NDArray[np.float64]) -> None:
    """Replace each argument by its exp, held at those of -700 and 80: for 23 junctions three times faster than by
    calling exp."""
    for k in range(arguments.shape[0]):
        arguments[k] = series_exp(min(max(arguments[k], -700.0), 80.0))


def roots(powers: NDArray[np.float64], factor: float) -> None:
    """Replace each by the square root of ``factor`` times it."""
    for k in range(powers.shape[0]):
        powers[k] = sqrt(factor * powers[k])
