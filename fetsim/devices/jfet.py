"""Junction FET: a channel in the square law with a diffusion tail (``jfet_channel``) and two gate junctions.

Each junction carries I_S (exp(v / (n V_T)) - 1) and, besides, what its depletion layer generates: I_L (exp(v / (2 V_T))
- 1), which is the leakage of a gate in reverse (Sah, Noyce and Shockley, Proc. IRE 45 (1957) 1228, from memory; that it
does not grow with reverse voltage is an approximation). For a p-channel type every port and current is reversed.
"""

from dataclasses import replace
from math import inf

from scipy.constants import k

from fetsim.devices.diode import CONDUCTING_A
from fetsim.devices.jfet_channel import JfetChannel, channel_current, channel_noise_s
from fetsim.devices.jfet_figures import SHEET
from fetsim.devices.kind import AtRest, Kind, Roles, Stamp, Stress, Way, capacitance, turned
from fetsim.devices.law import Junction, Law, Values, Volts
from fetsim.devices.noise import CHANNEL, FLICKER, SHOT, NoiseLaw, NoisePlace, shot_density

LEAST_SLOPE_S = 1e-15  # of a channel: less than any board's insulation, and told as none; own choice


def jfet(
    v_gs_v: float, v_gd_v: float,
    e_gs: float, e_gd: float, t_gs: float, t_gd: float, l_gs: float, l_gd: float,
    beta_a_v2: float, pinch_off_v: float, tail_slope_v: float, series_per_v: float, slope_per_v: float,
    i_gate_sat_a: float, g_gate_sat_s: float, i_leakage_a: float, g_leakage_s: float,
) -> tuple[float, float, float, float, float, float, float]:  # fmt: skip
    """Channel current drain to source [A] with derivatives by v_gs and v_gd [S], then both gate junctions.

    Exponentials: e of the junctions, t = exp(-|v - V_P| / tail slope), l of their leakage; currents and conductances of
    junctions and leakage without voltage.
    Returns (i_ch, di_ch/dv_gs, di_ch/dv_gd, i_gs, di_gs/dv_gs, i_gd, di_gd/dv_gd).
    """
    i_ch, by_gs, by_gd = channel_current(
        v_gs_v, v_gd_v, t_gs, t_gd, beta_a_v2, pinch_off_v, tail_slope_v, series_per_v, slope_per_v
    )
    return (
        i_ch,
        by_gs,
        by_gd,
        i_gate_sat_a * (e_gs - 1.0) + i_leakage_a * (l_gs - 1.0),
        g_gate_sat_s * e_gs + g_leakage_s * l_gs,
        i_gate_sat_a * (e_gd - 1.0) + i_leakage_a * (l_gd - 1.0),
        g_gate_sat_s * e_gd + g_leakage_s * l_gd,
    )


def jfet_noise(
    v_gs_v: float, v_gd_v: float,
    e_gs: float, e_gd: float, t_gs: float, t_gd: float, l_gs: float, l_gd: float,
    beta_a_v2: float, pinch_off_v: float, tail_slope_v: float, series_per_v: float, slope_per_v: float,
    i_gate_sat_a: float, _g_gate_sat_s: float, i_leakage_a: float, _g_leakage_s: float,
    four_kt_j: float, flicker_hz: float,
) -> tuple[float, float, float, float]:  # fmt: skip
    """Density of the channel's thermal noise, then of both gate junctions' shot noise [A^2/Hz], then at 1 Hz that of
    the channel's 1/f noise: a voltage at the gate, and so none without drain current, of 2/3 of 4 k T over the
    transconductance at its corner (common practice, no source)."""
    _, by_gs, by_gd = channel_current(
        v_gs_v, v_gd_v, t_gs, t_gd, beta_a_v2, pinch_off_v, tail_slope_v, series_per_v, slope_per_v
    )
    conductance_s = channel_noise_s(
        v_gs_v, v_gd_v, t_gs, t_gd, beta_a_v2, pinch_off_v, tail_slope_v, series_per_v, slope_per_v
    )
    return (
        four_kt_j * conductance_s,
        shot_density(i_gate_sat_a * (e_gs + 1.0) + i_leakage_a * (l_gs + 1.0)),
        shot_density(i_gate_sat_a * (e_gd + 1.0) + i_leakage_a * (l_gd + 1.0)),
        2.0 / 3.0 * flicker_hz * four_kt_j * abs(by_gs + by_gd),
    )


def _stamp(stamp: Stamp, v: Values) -> None:
    capacitance(stamp, "gate", "source", v["capacitance_gs_f"])
    capacitance(stamp, "gate", "drain", v["capacitance_gd_f"])


def _stress(usual: Stress, ways: list[Way], volts: Volts) -> Stress:
    """The largest volts between two terminals, amperes of the drain."""
    at = (volts["drain"], volts["gate"], volts["source"])
    return replace(usual, volt=max(at) - min(at), ampere=abs(ways[0].current_a))


def _kind(polarity: str) -> Kind:
    mirrored = polarity == "p"
    law = Law(
        function=jfet,
        ports=turned(mirrored, ("gate", "source"), ("gate", "drain")),
        flows=turned(mirrored, ("drain", "source"), ("gate", "source"), ("gate", "drain")),
        depends=((0, 1), (0,), (1,)),
        parameters=lambda v: (
            *JfetChannel.of(v).parameters,
            v["i_gate_sat_a"],
            v["i_gate_sat_a"] / v["gate_slope_v"],
            v["i_leakage_a"],
            v["i_leakage_a"] / v["leakage_slope_v"],
        ),
        junctions=(
            Junction(port=0, slope_v="gate_slope_v", current_a="i_gate_sat_a"),
            Junction(port=1, slope_v="gate_slope_v", current_a="i_gate_sat_a"),
            Junction(port=0, slope_v="tail_slope_v", offset_v="pinch_off_v", falls=True),
            Junction(port=1, slope_v="tail_slope_v", offset_v="pinch_off_v", falls=True),
            Junction(port=0, slope_v="leakage_slope_v"),
            Junction(port=1, slope_v="leakage_slope_v"),
        ),
    )

    def at_rest(v: Values, volts: Volts) -> AtRest:
        gate_source_v, gate_drain_v = law.port_voltages(volts)
        channel, gate_source, gate_drain = law.evaluate(v, volts)
        by_gate_source, by_gate_drain = channel.slopes
        pinch_off_v = JfetChannel.of(v).pinch_off_v
        above_v = max(gate_source_v, gate_drain_v) - pinch_off_v
        # the end of the channel that acts as the drain moves, the other one and the gate stay
        slope_s = -by_gate_drain if gate_source_v >= gate_drain_v else by_gate_source
        if above_v <= 0.0:
            state = "pinched off"
        elif min(gate_source_v, gate_drain_v) <= pinch_off_v:
            state = "constant current"
        else:
            state = "ohmic"
        if max(gate_source.current, gate_drain.current) > CONDUCTING_A:
            state += ", gate conducts"
        return AtRest(
            state=state,
            above_pinch_off_v=above_v,
            channel_resistance_ohm=1.0 / slope_s if slope_s > LEAST_SLOPE_S else inf,
        )

    return Kind(
        terminals=("drain", "gate", "source"),
        typical={
            "beta_a_v2": 740e-6,
            "pinch_off_v": -4.5,
            "tail_slope_v": 52e-3,
            "series_per_v": 30e-3,
            "slope_per_v": 6e-3,
            "i_gate_sat_a": 5e-15,
            "gate_slope_v": 26e-3,
            "i_leakage_a": 5e-12,
            "leakage_slope_v": 52e-3,
            "capacitance_gs_f": 9e-12,
            "capacitance_gd_f": 9e-12,
            "flicker_hz": 20.0,
        },
        linear=_stamp,
        conducts=(("drain", "source"), ("gate", "source")),
        law=law,
        noise=NoiseLaw(
            function=jfet_noise,
            sources=(
                NoisePlace(CHANNEL, "drain", "source"),
                NoisePlace(SHOT, "gate", "source"),
                NoisePlace(SHOT, "gate", "drain"),
                NoisePlace(FLICKER, "drain", "source", pink=True, only_with="flicker_hz"),
            ),
            parameters=lambda v, temperature_k: (4.0 * k * temperature_k, v["flicker_hz"]),
        ),
        at_rest=at_rest,
        stress=_stress,
        channel=JfetChannel.of,
        roles=Roles(
            drives=("drain", "source"),
            listens=("gate",),
            symbols=(("V_DS", "I_D"), ("V_GS", "I_G")),
        ),
        polarity=polarity,
        sheet=SHEET,
    )


JFET_N, JFET_P = _kind("n"), _kind("p")
