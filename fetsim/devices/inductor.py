"""Inductor: ideal, with the resistance of its winding; its current is an unknown of its own."""

from fetsim.devices.kind import Kind, Roles, Stamp, solved
from fetsim.devices.law import Values
from fetsim.devices.noise import johnson_in_series


def _stamp(stamp: Stamp, v: Values) -> None:
    stamp.g("a", "current", 1.0)
    stamp.g("b", "current", -1.0)
    stamp.c("current", "current", v["inductance_h"])
    stamp.g("current", "current", v["resistance_ohm"])
    stamp.g("current", "a", -1.0)
    stamp.g("current", "b", 1.0)


INDUCTOR = Kind(
    terminals=("a", "b"),
    typical={"inductance_h": 0.1, "resistance_ohm": 30.0},
    linear=_stamp,
    inner=("current",),
    conducts=(("a", "b"),),
    noise=lambda v, volts, temperature_k: [johnson_in_series("current", v["resistance_ohm"], temperature_k)],
    ways=lambda v, volts: [solved(volts, "", "a", "b", volts["current"], v["resistance_ohm"])],
    roles=Roles(passes_direct=True),
)
