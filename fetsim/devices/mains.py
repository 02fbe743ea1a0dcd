"""Mains: the voltage of an input, behind a resistance, with its current as an unknown of its own.

What it stands for is a sine that the engine makes by itself (``engine/signals``). Nothing else of the mains is
modelled: no harmonics, no wander of frequency or voltage, and no capacitance from its side to the rest of the unit.
"""

from dataclasses import replace

from fetsim.devices.kind import Kind, Stamp, Stress, Way, solved
from fetsim.devices.law import Values, Volts
from fetsim.devices.noise import johnson_in_series


def _stamp(stamp: Stamp, v: Values) -> None:
    # unknown `current`, from a through the source to b
    stamp.g("a", "current", 1.0)
    stamp.g("b", "current", -1.0)
    stamp.g("current", "current", v["resistance_ohm"])
    stamp.g("current", "a", -1.0)
    stamp.g("current", "b", 1.0)
    stamp.b("current", 0.0, -1.0)


def _ways(v: Values, volts: Volts) -> list[Way]:
    return [solved(volts, "", "a", "b", volts["current"], v["resistance_ohm"])]


def _stress(usual: Stress, ways: list[Way], volts: Volts) -> Stress:
    """Its watts are those that it delivers."""
    return replace(usual, watt=sum(abs(way.emf_v * way.current_a) for way in ways))


MAINS = Kind(
    terminals=("a", "b"),
    typical={"resistance_ohm": 2.0},
    linear=_stamp,
    inner=("current",),
    conducts=(("a", "b"),),
    noise=lambda v, volts, temperature_k: [johnson_in_series("current", v["resistance_ohm"], temperature_k)],
    ways=_ways,
    stress=_stress,
)
