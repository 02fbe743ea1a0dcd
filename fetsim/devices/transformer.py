"""Transformer of two windings: resistances, leakage, winding capacitances and a core that saturates.

Magnetising current i_m = (phi / L_m) (1 + (phi / phi_0)^6): a linear core with a steep single-valued rise beyond the
saturation flux phi_0. An approximation of our own choice: hysteresis (distortion proportional to level at low levels,
the Rayleigh region) is not modelled, nor is core loss, so only the windings are noisy. ``transformer_core`` has both.
"""

from dataclasses import replace

from fetsim.devices.kind import AtRest, Kind, Magnetics, Stamp, Stress, Way, capacitance, conductance, ohmic, solved
from fetsim.devices.law import Law, Values, Volts
from fetsim.devices.noise import Noise, johnson, johnson_in_series


def core(phi_vs: float, inv_henry: float, inv_saturation_vs: float) -> tuple[float, float]:
    """Magnetising current [A] and its derivative by flux [A/(Vs)]."""
    ratio = phi_vs * inv_saturation_vs
    square = ratio * ratio
    sixth = square * square * square
    linear = phi_vs * inv_henry
    return linear * (1.0 + sixth), inv_henry * (1.0 + 7.0 * sixth)


def transformer_stamp(stamp: Stamp, v: Values) -> None:
    """Windings, leakage and capacitances, and the flux as an unknown; all but the magnetising current."""
    # Chain: primary resistance and leakage (unknown `current`), ideal n:1, core on the secondary side (unknown
    # `flux`, volt-seconds per secondary turn ratio), node `core` inside the secondary winding, secondary resistance.
    n = v["ratio"]
    stamp.g("p1", "current", 1.0)
    stamp.g("p2", "current", -1.0)
    stamp.c("current", "current", v["leakage_h"])
    stamp.c("current", "flux", n)
    stamp.g("current", "current", v["primary_resistance_ohm"])
    stamp.g("current", "p1", -1.0)
    stamp.g("current", "p2", 1.0)
    stamp.c("flux", "flux", 1.0)
    stamp.g("flux", "core", -1.0)
    stamp.g("flux", "s2", 1.0)
    stamp.g("core", "current", -n)
    stamp.g("s2", "current", n)
    conductance(stamp, "core", "s1", 1.0 / v["secondary_resistance_ohm"])
    capacitance(stamp, "p1", "p2", v["primary_capacitance_f"])
    capacitance(stamp, "core", "s2", v["secondary_capacitance_f"])


def transformer_noise(v: Values, volts: Volts, temperature_k: float) -> list[Noise]:
    """That of the windings."""
    return [
        johnson_in_series("current", v["primary_resistance_ohm"], temperature_k),
        johnson("core", "s1", v["secondary_resistance_ohm"], temperature_k),
    ]


def _ways(v: Values, volts: Volts) -> list[Way]:
    """Resistances, behind what the core induces: nothing, at rest."""
    return [
        solved(volts, "primary", "p1", "p2", volts["current"], v["primary_resistance_ohm"]),
        ohmic(volts, "secondary", "s1", "s2", v["secondary_resistance_ohm"], volts["core"] - volts["s2"]),
    ]


def _stress(usual: Stress, ways: list[Way], volts: Volts) -> Stress:
    """Volts between the windings; its watts are those that it passes on, which is nothing at rest."""
    between = max(abs(volts[p] - volts[s]) for p in ("p1", "p2") for s in ("s1", "s2"))
    return replace(usual, volt=between, watt=0.0)


TRANSFORMER = Kind(
    terminals=("p1", "p2", "s1", "s2"),
    typical={
        "ratio": 2.5,
        "primary_resistance_ohm": 50.0,
        "leakage_h": 2e-3,
        "magnetising_h": 20.0,
        "saturation_flux_vs": 60e-3,
        "secondary_resistance_ohm": 30.0,
        "primary_capacitance_f": 300e-12,
        "secondary_capacitance_f": 60e-12,
    },
    linear=transformer_stamp,
    inner=("current", "flux", "core"),
    conducts=(("p1", "p2"), ("s1", "s2")),
    law=Law(
        function=core,
        ports=(("flux", None),),
        flows=(("core", "s2"),),
        depends=((0,),),
        # magnetising branch seen from the secondary: L / n^2, flux / n, current n i_m
        parameters=lambda v: (v["ratio"] ** 2 / v["magnetising_h"], v["ratio"] / v["saturation_flux_vs"]),
        tolerances=lambda v: (v["saturation_flux_vs"] / v["ratio"],),
    ),
    noise=transformer_noise,
    ways=_ways,
    at_rest=lambda v, volts: AtRest(core_flux_share=abs(volts["flux"]) * v["ratio"] / v["saturation_flux_vs"]),
    stress=_stress,
    magnetics=lambda v: Magnetics(turns=v["ratio"]),
)
