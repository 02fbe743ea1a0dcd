"""Breakdown (zener) diode: a junction with one more exponential backwards, whose slope gives the sheet's dynamic
resistance at its test current.

Of its noise only the shot noise is modelled, not that of the avalanche. The zener voltage moves with the sheet's own
temperature coefficient, linearly.
"""

from fetsim.devices import diode
from fetsim.devices.diode import CONDUCTING_A
from fetsim.devices.kind import AtRest, Kind, Roles
from fetsim.devices.law import Junction, Law, Values, Volts
from fetsim.devices.noise import SHOT, NoiseLaw, NoisePlace, shot_density
from fetsim.devices.sheet import Figures, Sheet, Warmth


def zener(
    _v_v: float,
    _reverse_v: float,
    e: float,
    e_reverse: float,
    i_sat_a: float,
    slope_v: float,
    i_test_a: float,
    reverse_slope_v: float,
) -> tuple[float, float, float, float]:
    """Forward current [A] and conductance [S] of the junction, then the same of the breakdown branch.

    ``e_reverse`` = exp((v_reverse - v_zener) / reverse_slope_v), so the branch carries ``i_test_a`` at the zener
    voltage with dynamic resistance ``reverse_slope_v / i_test_a``.
    """
    return (
        i_sat_a * (e - 1.0),
        i_sat_a * e / slope_v,
        i_test_a * e_reverse,
        i_test_a * e_reverse / reverse_slope_v,
    )


def zener_noise(
    _v_v: float,
    _reverse_v: float,
    e: float,
    e_reverse: float,
    i_sat_a: float,
    _slope_v: float,
    i_test_a: float,
    _reverse_slope_v: float,
) -> tuple[float, float]:
    """Density of the shot noise of the junction and of the breakdown branch [A^2/Hz]."""
    return shot_density(i_sat_a * (e + 1.0)), shot_density(i_test_a * e_reverse)


def _at_rest(v: Values, volts: Volts) -> AtRest:
    forward, backward = LAW.evaluate(v, volts)
    current = forward.current - backward.current
    if current < -CONDUCTING_A:
        return AtRest(state="breaks down")
    return AtRest(state="conducts" if current > CONDUCTING_A else "blocks")


def _values(figures: Figures, kt_q_v: float) -> dict[str, float]:
    return {
        **diode.values(figures, kt_q_v),
        "zener_v": figures["zener_voltage"],
        "i_test_a": figures["test_current"],
        "reverse_slope_v": figures["dynamic_resistance"] * figures["test_current"],
    }


def _warmed(figures: Figures, warmth: Warmth) -> dict[str, float]:
    drift_v = figures["temperature_coefficient"] * warmth.rise_k
    return {**diode.warmed(figures, warmth), "zener_voltage": figures["zener_voltage"] + drift_v}


LAW = Law(
    function=zener,
    ports=(("anode", "cathode"), ("cathode", "anode")),
    flows=(("anode", "cathode"), ("cathode", "anode")),
    depends=((0,), (1,)),
    parameters=lambda v: (v["i_sat_a"], v["slope_v"], v["i_test_a"], v["reverse_slope_v"]),
    junctions=(
        Junction(port=0, slope_v="slope_v", current_a="i_sat_a"),
        Junction(port=1, slope_v="reverse_slope_v", current_a="i_test_a", offset_v="zener_v"),
    ),
)

ZENER = Kind(
    terminals=("anode", "cathode"),
    typical={
        "i_sat_a": 10e-15,
        "slope_v": 26e-3,
        "zener_v": 12.0,
        "i_test_a": 5e-3,
        "reverse_slope_v": 50e-3,
        "capacitance_f": 100e-12,
    },
    linear=diode.junction_capacitance,
    conducts=(("anode", "cathode"),),
    law=LAW,
    noise=NoiseLaw(
        function=zener_noise, sources=(NoisePlace(SHOT, "anode", "cathode"), NoisePlace(SHOT, "cathode", "anode"))
    ),
    at_rest=_at_rest,
    roles=Roles(drives=("cathode",)),
    sheet=Sheet(values=_values, warmed=_warmed),
)
