"""Capacitor: ideal, without leakage or series resistance."""

from fetsim.devices.kind import AtRest, Kind, Roles, Stamp, Way, capacitance
from fetsim.devices.law import Values, Volts
from fetsim.devices.noise import Noiseless

LOADED_V = 0.1  # with less than this across it there is no polarity worth telling


def _stamp(stamp: Stamp, v: Values) -> None:
    capacitance(stamp, "a", "b", v["capacitance_f"])


def polarity(volts: Volts) -> str:
    """Which end is positive, in words; empty where that is not worth telling."""
    volt = volts["a"] - volts["b"]
    positive = "{a}" if volt > 0.0 else "{b}"
    return f"positive at {positive}" if abs(volt) >= LOADED_V else ""


def _at_rest(v: Values, volts: Volts) -> AtRest:
    return AtRest(
        state=polarity(volts), stored_energy_j=0.5 * v["capacitance_f"] * (volts["a"] - volts["b"]) ** 2
    )


CAPACITOR = Kind(
    terminals=("a", "b"),
    typical={"capacitance_f": 100e-9},
    linear=_stamp,
    noise=Noiseless("an ideal capacitor turns nothing to heat; kT/C is the noise of the resistance that it is met by"),
    ways=lambda v, volts: [Way("", "a", "b", 0.0 * (volts["a"] - volts["b"]))],
    at_rest=_at_rest,
    roles=Roles(passes_signal=True),
)
