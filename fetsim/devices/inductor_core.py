"""Inductor on a core that remembers (``core``): a choke, with the resistance of its winding and eddy currents."""

from fetsim.devices.core import DEMAGNETISED, core_law
from fetsim.devices.kind import AtRest, Kind, Magnetics, Roles, Stamp, solved
from fetsim.devices.law import Values
from fetsim.devices.noise import johnson, johnson_in_series


def _stamp(stamp: Stamp, v: Values) -> None:
    # row of `current`: volts across the winding; row of `flux`: the current is that of the core and of the eddies
    stamp.g("a", "current", 1.0)
    stamp.g("b", "current", -1.0)
    stamp.c("current", "flux", 1.0)
    stamp.g("current", "current", v["resistance_ohm"])
    stamp.g("current", "a", -1.0)
    stamp.g("current", "b", 1.0)
    stamp.c("flux", "flux", 1.0 / v["eddy_ohm"])
    stamp.g("flux", "current", -1.0)


INDUCTOR_CORE = Kind(
    terminals=("a", "b"),
    typical={
        "initial_h": 2.0,
        "largest_h": 8.0,
        "reach_vs": 0.5e-3,
        "saturation_flux_vs": 20e-3,
        "eddy_ohm": 100e3,
        "resistance_ohm": 30.0,
    },
    linear=_stamp,
    inner=("current", "flux"),
    conducts=(("a", "b"),),
    law=core_law("flux", None),
    noise=lambda v, volts, temperature_k: [
        johnson_in_series("current", v["resistance_ohm"], temperature_k),
        johnson("flux", None, v["eddy_ohm"], temperature_k),
    ],
    ways=lambda v, volts: [solved(volts, "", "a", "b", volts["current"], v["resistance_ohm"])],
    at_rest=lambda v, volts: AtRest(core_flux_share=abs(volts["flux"]) / v["saturation_flux_vs"]),
    magnetics=lambda v: Magnetics(turns=1.0, eddy_s=1.0 / v["eddy_ohm"]),
    roles=Roles(passes_direct=True),
    starts=DEMAGNETISED,
)
"""``initial_h`` at vanishing level, ``largest_h`` between there and saturation, ``reach_vs`` the flux over which the
one becomes the other (y_c), ``eddy_ohm`` across the winding (infinite: none)."""
