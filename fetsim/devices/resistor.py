"""Resistor: Ohm's law."""

from fetsim.devices.kind import Kind, Roles, Stamp, conductance, ohmic
from fetsim.devices.law import Values
from fetsim.devices.noise import johnson


def _stamp(stamp: Stamp, v: Values) -> None:
    conductance(stamp, "a", "b", 1.0 / v["resistance_ohm"])


RESISTOR = Kind(
    terminals=("a", "b"),
    typical={"resistance_ohm": 4.7e3},
    linear=_stamp,
    conducts=(("a", "b"),),
    noise=lambda v, volts, temperature_k: [johnson("a", "b", v["resistance_ohm"], temperature_k)],
    ways=lambda v, volts: [ohmic(volts, "", "a", "b", v["resistance_ohm"])],
    roles=Roles(passes_direct=True),
)
