"""Junction diode.

Exponential law i = I_S (exp(v / (n V_T)) - 1); source: any textbook on semiconductor devices (Shockley 1949).
Series resistance is left out (0.6 ohm in a small-signal diode: 6 mV at 10 mA).
"""

from dataclasses import replace

from fetsim.devices.kind import AtRest, Kind, Roles, Stamp, Stress, Way, capacitance
from fetsim.devices.law import Junction, Law, Values, Volts
from fetsim.devices.noise import SHOT, NoiseLaw, NoisePlace, shot_density
from fetsim.devices.sheet import Figures, Sheet, Warmth

CONDUCTING_A = 1e-6  # below this a junction or transistor counts as off; own choice


def diode(_v_v: float, e: float, i_sat_a: float, slope_v: float) -> tuple[float, float]:
    """Current anode to cathode [A] and conductance [S]; ``e`` = exp(v / slope_v)."""
    return i_sat_a * (e - 1.0), i_sat_a * e / slope_v


def junction_capacitance(stamp: Stamp, v: Values) -> None:
    """The constant capacitance of anode to cathode."""
    capacitance(stamp, "anode", "cathode", v["capacitance_f"])


def diode_noise(_v_v: float, e: float, i_sat_a: float, _slope_v: float) -> tuple[float]:
    """Density of the shot noise [A^2/Hz]."""
    return (shot_density(i_sat_a * (e + 1.0)),)


def _at_rest(v: Values, volts: Volts) -> AtRest:
    (flow,) = LAW.evaluate(v, volts)
    return AtRest(state="conducts" if flow.current > CONDUCTING_A else "blocks")


def _stress(usual: Stress, ways: list[Way], volts: Volts) -> Stress:
    """Volts backwards, amperes forwards."""
    return replace(usual, volt=max(volts["cathode"] - volts["anode"], 0.0), ampere=max(ways[0].current_a, 0.0))


def values(figures: Figures, kt_q_v: float) -> dict[str, float]:
    """Values of the junction out of its sheet."""
    return {
        "i_sat_a": figures["saturation_current"],
        "slope_v": figures["ideality"] * kt_q_v,
        "capacitance_f": figures["junction_capacitance"],
    }


def warmed(figures: Figures, warmth: Warmth) -> dict[str, float]:
    """The saturation current rises."""
    return {"saturation_current": warmth.saturation(figures, "saturation_current", figures["ideality"])}


LAW = Law(
    function=diode,
    ports=(("anode", "cathode"),),
    flows=(("anode", "cathode"),),
    depends=((0,),),
    parameters=lambda v: (v["i_sat_a"], v["slope_v"]),
    junctions=(Junction(port=0, slope_v="slope_v", current_a="i_sat_a"),),
)

DIODE = Kind(
    terminals=("anode", "cathode"),
    typical={"i_sat_a": 0.5e-9, "slope_v": 45e-3, "capacitance_f": 2e-12},
    linear=junction_capacitance,
    conducts=(("anode", "cathode"),),
    law=LAW,
    noise=NoiseLaw(function=diode_noise, sources=(NoisePlace(SHOT, "anode", "cathode"),)),
    at_rest=_at_rest,
    stress=_stress,
    roles=Roles(drives=("cathode",), rectifies=("anode", "cathode")),
    sheet=Sheet(values=values, warmed=warmed),
)
