"""Capacitance of a junction's depletion layer: it falls with the square root of the reverse voltage.

    C = C_0 / sqrt(1 - v / v_bi),   so   v = x (1 - x / (4 v_bi)),   x = q / C_0

with v_bi the built-in potential: an abrupt junction (Shockley, Bell Syst. Tech. J. 28 (1949) 435; Sze, Physics of
Semiconductor Devices; from memory). The charge is the unknown, so none is lost or made however the voltage moves.
From half the built-in potential forward the capacitance rises no further, since the formula's infinity at v_bi is not
that of a real junction (common practice). Left out: the charge that a forward current stores.
"""

from math import sqrt

from fetsim.devices.kind import AtRest, Kind, Roles, Stamp, Way
from fetsim.devices.law import Law, Values, Volts
from fetsim.devices.noise import Noiseless

LEAST_SLOPE = sqrt(0.5)
"""dv/dx at half the built-in potential."""


def depletion(x_v: float, built_in_v: float, inv_twice_v: float) -> tuple[float, float]:
    """Voltage [V] that a charge of ``x_v`` C_0 has, and its derivative by ``x_v``; parameters v_bi and 1 / (2 v_bi)."""
    slope = 1.0 - x_v * inv_twice_v
    beyond = 0.5 * (LEAST_SLOPE - slope + abs(LEAST_SLOPE - slope))  # how far under the least slope, else 0
    held = slope + beyond
    return built_in_v * (1.0 - held * held + 2.0 * LEAST_SLOPE * beyond), held


def without_voltage_f(capacitance_f: float, reverse_v: float, built_in_v: float) -> float:
    """C_0 of a junction that has a capacitance at a reverse voltage.

    >>> without_voltage_f(5e-12, 7.2, 0.9)
    1.5e-11
    """
    return capacitance_f * sqrt(1.0 + reverse_v / built_in_v)


def _stamp(stamp: Stamp, v: Values) -> None:
    # row of `charge`: the law's voltage is that across the part
    stamp.c("anode", "charge", v["capacitance_f"])
    stamp.c("cathode", "charge", -v["capacitance_f"])
    stamp.g("charge", "anode", -1.0)
    stamp.g("charge", "cathode", 1.0)


def _at_rest(v: Values, volts: Volts) -> AtRest:
    x_v = volts["charge"]
    return AtRest(stored_energy_j=v["capacitance_f"] * x_v**2 * (0.5 - x_v / (12.0 * v["built_in_v"])))


DEPLETION = Kind(
    terminals=("anode", "cathode"),
    typical={"capacitance_f": 15e-12, "built_in_v": 0.8},
    linear=_stamp,
    inner=("charge",),
    law=Law(
        function=depletion,
        ports=(("charge", None),),
        flows=(("charge", None),),
        depends=((0,),),
        parameters=lambda v: (v["built_in_v"], 0.5 / v["built_in_v"]),
    ),
    noise=Noiseless("a capacitance turns nothing to heat; the junction's shot noise is that of its current"),
    ways=lambda v, volts: [Way("", "anode", "cathode", 0.0 * (volts["anode"] - volts["cathode"]))],
    at_rest=_at_rest,
    roles=Roles(passes_signal=True),
)
"""The unknown ``charge`` is counted in volts of C_0."""
