"""MOSFET, enhancement type, its body joined to the source: the channel in the square law with a diffusion tail
(``jfet_channel``, for whose form the law was made), its threshold in the place of the pinch-off voltage, and the body
diode from source to drain. For a p-channel type every port and current is reversed.

R stands for the drain region, which makes most of the channel resistance of a switching type. Velocity saturation, the
gate's capacitance against voltage (constant here) and breakdown are left out. The gate carries no current. Noise: that
of the channel, thermal and 1/f, and the body diode's shot noise.
"""

from dataclasses import replace

from scipy.constants import k

from fetsim.devices.diode import CONDUCTING_A
from fetsim.devices.jfet_channel import JfetChannel, channel_current, channel_noise_s
from fetsim.devices.kind import AtRest, Kind, Roles, Stamp, Stress, Way, capacitance, turned
from fetsim.devices.law import Junction, Law, Values, Volts
from fetsim.devices.mosfet_figures import SHEET
from fetsim.devices.noise import CHANNEL, FLICKER, SHOT, NoiseLaw, NoisePlace, shot_density


def mosfet(
    v_gs_v: float, v_gd_v: float, _v_sd_v: float, t_gs: float, t_gd: float, e_body: float,
    beta_a_v2: float, threshold_v: float, tail_slope_v: float, series_per_v: float, slope_per_v: float,
    i_body_sat_a: float, g_body_sat_s: float,
) -> tuple[float, float, float, float, float]:  # fmt: skip
    """Channel current drain to source [A] with derivatives by v_gs and v_gd [S], then the body diode's, source to
    drain, with its own; exponentials as in ``jfet``."""
    i_ch, by_gs, by_gd = channel_current(
        v_gs_v, v_gd_v, t_gs, t_gd, beta_a_v2, threshold_v, tail_slope_v, series_per_v, slope_per_v
    )
    return i_ch, by_gs, by_gd, i_body_sat_a * (e_body - 1.0), g_body_sat_s * e_body


def mosfet_noise(
    v_gs_v: float, v_gd_v: float, _v_sd_v: float, t_gs: float, t_gd: float, e_body: float,
    beta_a_v2: float, threshold_v: float, tail_slope_v: float, series_per_v: float, slope_per_v: float,
    i_body_sat_a: float, _g_body_sat_s: float, four_kt_j: float, flicker_hz: float,
) -> tuple[float, float, float]:  # fmt: skip
    """Density of the channel's thermal noise, then of the body diode's shot noise [A^2/Hz], then at 1 Hz that of the
    channel's 1/f noise, as in ``jfet``."""
    _, by_gs, by_gd = channel_current(
        v_gs_v, v_gd_v, t_gs, t_gd, beta_a_v2, threshold_v, tail_slope_v, series_per_v, slope_per_v
    )
    conductance_s = channel_noise_s(
        v_gs_v, v_gd_v, t_gs, t_gd, beta_a_v2, threshold_v, tail_slope_v, series_per_v, slope_per_v
    )
    return (
        four_kt_j * conductance_s,
        shot_density(i_body_sat_a * (e_body + 1.0)),
        2.0 / 3.0 * flicker_hz * four_kt_j * abs(by_gs + by_gd),
    )


def _stamp(stamp: Stamp, v: Values) -> None:
    capacitance(stamp, "gate", "source", v["capacitance_gs_f"])
    capacitance(stamp, "gate", "drain", v["capacitance_gd_f"])
    capacitance(stamp, "drain", "source", v["capacitance_ds_f"])


def _stress(usual: Stress, ways: list[Way], volts: Volts) -> Stress:
    """Volts from drain to source, amperes of the drain."""
    return replace(usual, volt=abs(volts["drain"] - volts["source"]), ampere=abs(ways[0].current_a))


def _channel(v: Values) -> JfetChannel:
    return JfetChannel(
        beta_a_v2=v["beta_a_v2"],
        pinch_off_v=v["threshold_v"],
        tail_slope_v=v["tail_slope_v"],
        series_per_v=v["series_per_v"],
        slope_per_v=v["slope_per_v"],
    )


def _kind(polarity: str) -> Kind:
    mirrored = polarity == "p"
    law = Law(
        function=mosfet,
        ports=turned(mirrored, ("gate", "source"), ("gate", "drain"), ("source", "drain")),
        flows=turned(mirrored, ("drain", "source"), ("source", "drain")),
        depends=((0, 1), (2,)),
        parameters=lambda v: (*_channel(v).parameters, v["i_body_sat_a"], v["i_body_sat_a"] / v["body_slope_v"]),
        junctions=(
            Junction(port=0, slope_v="tail_slope_v", offset_v="threshold_v", falls=True),
            Junction(port=1, slope_v="tail_slope_v", offset_v="threshold_v", falls=True),
            Junction(port=2, slope_v="body_slope_v", current_a="i_body_sat_a"),
        ),
    )

    def at_rest(v: Values, volts: Volts) -> AtRest:
        v_gs, v_gd, _ = law.port_voltages(volts)
        _, body = law.evaluate(v, volts)
        above = [gate - v["threshold_v"] for gate in (v_gs, v_gd)]
        if max(above) <= 0.0:
            state = "off"
        elif min(above) <= 0.0:
            state = "constant current"
        else:
            state = "ohmic"
        return AtRest(state=state + (", body diode conducts" if body.current > CONDUCTING_A else ""))

    return Kind(
        terminals=("drain", "gate", "source"),
        typical={
            "beta_a_v2": 0.13,
            "threshold_v": 2.0,
            "tail_slope_v": 0.1,
            "series_per_v": 0.09,
            "slope_per_v": 0.01,
            "i_body_sat_a": 1e-15,
            "body_slope_v": 26e-3,
            "capacitance_gs_f": 16e-12,
            "capacitance_gd_f": 4e-12,
            "capacitance_ds_f": 7e-12,
            "flicker_hz": 1e3,
        },
        linear=_stamp,
        conducts=(("drain", "source"),),
        law=law,
        noise=NoiseLaw(
            function=mosfet_noise,
            sources=(
                NoisePlace(CHANNEL, "drain", "source"),
                NoisePlace(SHOT, "source", "drain"),
                NoisePlace(FLICKER, "drain", "source", pink=True, only_with="flicker_hz"),
            ),
            parameters=lambda v, temperature_k: (4.0 * k * temperature_k, v["flicker_hz"]),
        ),
        at_rest=at_rest,
        stress=_stress,
        roles=Roles(drives=("drain", "source"), listens=("gate",), symbols=(("V_DS", "I_D"), ("V_GS", "I_G"))),
        polarity=polarity,
        sheet=SHEET,
    )


MOSFET_N, MOSFET_P = _kind("n"), _kind("p")
