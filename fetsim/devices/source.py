"""Source: an electromotive force, constant and by the input, behind its own resistance."""

from fetsim.devices.kind import Kind, Stamp, conductance, ohmic
from fetsim.devices.law import Values
from fetsim.devices.noise import johnson


def _stamp(stamp: Stamp, v: Values) -> None:
    siemens = 1.0 / v["resistance_ohm"]
    conductance(stamp, "a", "b", siemens)
    stamp.b("a", v["emf_v"] * siemens, v["emf_per_input"] * siemens)
    stamp.b("b", -v["emf_v"] * siemens, -v["emf_per_input"] * siemens)


SOURCE = Kind(
    terminals=("a", "b"),
    typical={"resistance_ohm": 600.0, "emf_v": 15.0, "emf_per_input": 1.0},
    linear=_stamp,
    conducts=(("a", "b"),),
    # noise on a rail beyond that of its inner resistance is not modelled
    noise=lambda v, volts, temperature_k: [johnson("a", "b", v["resistance_ohm"], temperature_k)],
    ways=lambda v, volts: [ohmic(volts, "", "a", "b", v["resistance_ohm"], v["emf_v"])],
)
