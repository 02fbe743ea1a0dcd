"""Ideal amplifier: a difference of two voltages, many times, behind an output resistance. No pole, no rails."""

from fetsim.devices.kind import Kind, Roles, Stamp, Way, conductance, ohmic
from fetsim.devices.law import Values, Volts
from fetsim.devices.noise import Noiseless


def _stamp(stamp: Stamp, v: Values) -> None:
    siemens = 1.0 / v["resistance_ohm"]
    conductance(stamp, "out", "reference", siemens)
    for row, sign in (("out", -siemens), ("reference", siemens)):
        stamp.g(row, "plus", sign * v["gain"])
        stamp.g(row, "minus", -sign * v["gain"])


def _ways(v: Values, volts: Volts) -> list[Way]:
    emf_v = v["gain"] * (volts["plus"] - volts["minus"])
    return [ohmic(volts, "", "out", "reference", v["resistance_ohm"], emf_v)]


AMPLIFIER = Kind(
    terminals=("out", "reference", "plus", "minus"),
    typical={"gain": 25.0, "resistance_ohm": 75.0},
    linear=_stamp,
    conducts=(("out", "reference"),),
    noise=Noiseless(
        "its output resistance stands for a regulated output, not for a resistor, and noise of its inputs is not given"
    ),
    ways=_ways,
    roles=Roles(drives=("out",), listens=("plus", "minus")),
)
