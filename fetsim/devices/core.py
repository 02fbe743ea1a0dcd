"""A magnetic core that remembers: magnetising current out of flux, by stop operators.

    i(phi) = phi / L (1 + (phi / phi_0)^6) + sum_k s_k c_k,      c_k = clamp(phi - p_k, -y_k, y_k)

L is the inductance at its largest. Each stop k is a spring of stiffness s_k that follows the flux until it has been
pulled by y_k and then slips; p_k is the flux at which it would be slack, as the last accepted step left it, and moves
only when the stop slips. So the current is a function of the flux alone within a step, rising everywhere, and over time
it has loops: minor loops close, the stops forget what a larger swing has wiped out, and every slip takes energy,
s_k y_k for each volt-second.
(Stops in parallel: "Review of Play and Preisach Models for Hysteresis in Magnetic Materials", Materials 16 (2023)
2422.)

The stops are a density of stiffness over reach, s(y) = T/y_c exp(-y/y_c), cut into twelve cells; each cell's stop has
the cell's stiffness and its mean reach. T = 1/L_initial - 1/L is what the stops add to the slope at vanishing level,
and T/(2 y_c) is Rayleigh's constant: well below y_c the inductance rises with level, and loss and third harmonic are
those of Rayleigh's law. The cells ripple around the density by -1.1 to +0.4 dB of the loss and -2.4 to +0.9 dB of the
third harmonic; below 0.005 y_c the core is linear and lossless, its distortion is under -100 dB there. Of our own
choice are the form of the density and that of saturation, and that loss does not depend on speed but by eddy currents.
"""

from itertools import pairwise
from math import exp, inf

import numpy as np

from fetsim.devices.law import Law, Memory, Values, clamp, select

DEMAGNETISED = "demagnetised"
"""A core that nothing has happened to."""
STOPS = 12
EDGES = np.array([0.0, *np.geomspace(0.01, 3.0, STOPS - 1), inf])
"""Of the cells, in y_c."""


def _tail(u: float) -> float:
    """Integral of u exp(-u) from u to infinity."""
    return 0.0 if u == inf else (1.0 + u) * exp(-u)


STIFFNESS = np.array([exp(-low) - exp(-high) for low, high in pairwise(EDGES)])
"""Of each stop, in T,"""
REACH = np.array([_tail(low) - _tail(high) for low, high in pairwise(EDGES)]) / STIFFNESS
"""and how far it follows, in y_c."""
ROUNDING = 1e-12
"""Of a flux, in y_c: a stop slips when it is pulled beyond its reach by more, so that one at its end is at its end."""


def core_current(
    phi_vs: float, inv_henry: float, inv_saturation_vs: float, inv_stops_henry: float, inv_reach_vs: float,
    memory: Memory, place: int,
) -> tuple[float, float]:  # fmt: skip
    """Magnetising current [A] and its derivative by flux [A/(Vs)]. In memory: p_k / y_c of each stop."""
    ratio = phi_vs * inv_saturation_vs
    square = ratio * ratio
    sixth = square * square * square
    flux = phi_vs * inv_reach_vs
    pull = 0.0 * flux
    slope = 0.0 * flux
    for k in range(STOPS):
        reached = flux - memory[place + k]
        pull = pull + STIFFNESS[k] * clamp(reached, REACH[k])
        slope = slope + select(abs(reached) > REACH[k] + ROUNDING, 0.0, STIFFNESS[k])
    return (
        phi_vs * inv_henry * (1.0 + sixth) + inv_stops_henry * pull / inv_reach_vs,
        inv_henry * (1.0 + 7.0 * sixth) + inv_stops_henry * slope,
    )


def core_accept(
    phi_vs: float, inv_henry: float, inv_saturation_vs: float, inv_stops_henry: float, inv_reach_vs: float,
    memory: Memory, place: int,
) -> None:  # fmt: skip
    """Stops that slip stay where the flux has pulled them; what the others have is kept to the last bit (play,
    without a choice: a store by mask takes the processor a dozen times as long as one of all lanes)."""
    flux = phi_vs * inv_reach_vs
    for k in range(STOPS):
        memory[place + k] = min(max(memory[place + k], flux - REACH[k]), flux + REACH[k])


def core_law(start: str, end: str | None, turns: str | None = None) -> Law:
    """The law of a core whose flux is the unknown ``flux``, its current flowing from ``start`` to ``end``.

    The values belong to the whole winding; ``turns`` names a ratio by which flux and current are referred to another.
    """

    def ratio(v: Values) -> float:
        return 1.0 if turns is None else v[turns]

    return Law(
        function=core_current,
        accept=core_accept,
        memory=STOPS,
        sums_freely=True,
        ports=(("flux", None),),
        flows=((start, end),),
        depends=((0,),),
        parameters=lambda v: (
            ratio(v) ** 2 / v["largest_h"],
            ratio(v) / v["saturation_flux_vs"],
            ratio(v) ** 2 * (1.0 / v["initial_h"] - 1.0 / v["largest_h"]),
            ratio(v) / v["reach_vs"],
        ),
        tolerances=lambda v: (v["saturation_flux_vs"] / ratio(v),),
    )
