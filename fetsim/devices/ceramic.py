"""Ceramic capacitor of class 2: its capacitance falls with the voltage across it.

    v = x (1 + (x / x_s)^2),   x = q / C_0

A ferroelectric above its Curie point has a field that goes with polarisation and its third power (Devonshire, Phil.
Mag. 40 (1949) 1040), from which C = C_0 / (1 + 3 (x / x_s)^2): a parabola at little voltage, v^(-2/3) at much (Johnson,
J. Appl. Phys. 33 (1962) 2826; both from memory). The charge is the unknown, so none is lost or made however the voltage
moves. It meets a sheet at one voltage; how near to real types it is between, was not tried. Left out: the loop of a
ferroelectric (loss and a few per cent more capacitance at a large alternating voltage), ageing, and the change with
temperature.
"""

from math import sqrt

from fetsim.devices.capacitor import polarity
from fetsim.devices.kind import AtRest, Kind, Roles, Stamp, Way
from fetsim.devices.law import Law, Values, Volts
from fetsim.devices.noise import Noiseless


def ceramic(x_v: float, inv_soft_v: float) -> tuple[float, float]:
    """Voltage [V] that a charge of ``x_v`` C_0 has, and its derivative by ``x_v``."""
    ratio = x_v * inv_soft_v
    square = ratio * ratio
    return x_v * (1.0 + square), 1.0 + 3.0 * square


def soft_v(loss: float, bias_v: float) -> float:
    """x_s of a capacitor that has lost this share of its capacitance at a direct voltage.

    >>> round(soft_v(0.6, 25.0), 2)
    23.57
    """
    ratio = sqrt(loss / (1.0 - loss) / 3.0)
    return bias_v / (1.0 + ratio**2) / ratio


def _stamp(stamp: Stamp, v: Values) -> None:
    # row of `charge`: the law's voltage is that across the part
    stamp.c("a", "charge", v["capacitance_f"])
    stamp.c("b", "charge", -v["capacitance_f"])
    stamp.g("charge", "a", -1.0)
    stamp.g("charge", "b", 1.0)


def _at_rest(v: Values, volts: Volts) -> AtRest:
    ratio = volts["charge"] / v["soft_v"]
    energy_j = 0.5 * v["capacitance_f"] * volts["charge"] ** 2 * (1.0 + 0.5 * ratio**2)
    return AtRest(state=polarity(volts), stored_energy_j=energy_j)


CERAMIC = Kind(
    terminals=("a", "b"),
    typical={"capacitance_f": 1e-6, "soft_v": 24.0},
    linear=_stamp,
    inner=("charge",),
    law=Law(
        function=ceramic,
        ports=(("charge", None),),
        flows=(("charge", None),),
        depends=((0,),),
        parameters=lambda v: (1.0 / v["soft_v"],),
    ),
    noise=Noiseless("its loss is not modelled, so it turns nothing to heat"),
    ways=lambda v, volts: [Way("", "a", "b", 0.0 * (volts["a"] - volts["b"]))],
    at_rest=_at_rest,
    roles=Roles(passes_signal=True),
)
"""``soft_v`` is x_s, a voltage; the unknown ``charge`` is counted in volts of C_0."""
