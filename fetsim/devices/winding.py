"""Another winding on the core of a transformer: a third one, or the half behind a centre tap.

It is tied to the transformer at the unknown of its core and at the lower end of its secondary, between which there is
the voltage that the flux induces in each secondary turn. Leakage is the winding's own: what two windings share with
each other but not with a third is not told apart, nor is there capacitance between windings.
"""

from fetsim.devices.kind import Kind, Stamp, Way, solved
from fetsim.devices.law import Values, Volts
from fetsim.devices.noise import johnson_in_series


def _stamp(stamp: Stamp, v: Values) -> None:
    # unknown `current`, from a through the winding to b; it leaves the core as so many secondary turns' worth
    turns = v["turns"]
    stamp.g("a", "current", 1.0)
    stamp.g("b", "current", -1.0)
    stamp.c("current", "current", v["leakage_h"])
    stamp.g("current", "current", v["resistance_ohm"])
    stamp.g("current", "a", -1.0)
    stamp.g("current", "b", 1.0)
    stamp.g("current", "core", turns)
    stamp.g("current", "s2", -turns)
    stamp.g("core", "current", -turns)
    stamp.g("s2", "current", turns)


def _ways(v: Values, volts: Volts) -> list[Way]:
    """Its current as solved, through its resistance, behind what the core and its leakage induce (nothing, at rest)."""
    return [solved(volts, "", "a", "b", volts["current"], v["resistance_ohm"])]


WINDING = Kind(
    terminals=("a", "b", "core", "s2"),
    typical={"turns": 0.8, "resistance_ohm": 20.0, "leakage_h": 1e-3},
    linear=_stamp,
    coupled=("core", "s2"),
    inner=("current",),
    conducts=(("a", "b"),),
    noise=lambda v, volts, temperature_k: [johnson_in_series("current", v["resistance_ohm"], temperature_k)],
    ways=_ways,
)
