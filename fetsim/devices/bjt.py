"""Bipolar transistor: Ebers-Moll in transport form with the Early effect.

I_T = I_S (exp(v_be / V_T) - exp(v_bc / V_T)) (1 - v_bc / V_A), base currents I_S (exp - 1) / beta.
Source: Ebers and Moll, Proc. IRE 42 (1954) 1761; Early effect as a linear factor in v_bc (Early 1952).
Left out: high-level injection, base resistance (a few per cent of the voltage gain of a 1 mA stage; 200 ohm would be
1.8 nV per root Hz in series with the base), charge storage beyond the constant junction capacitances.

For a pnp the same function is used with every port and current reversed.

With temperature the saturation current rises and the current gain goes as (T/T0)^1.5, which is +0.5 %/K at room
temperature: common practice, no source.
"""

from dataclasses import replace
from math import inf

from fetsim.devices.diode import CONDUCTING_A
from fetsim.devices.kind import AtRest, Kind, Roles, Stamp, Stress, Way, capacitance, turned
from fetsim.devices.law import Junction, Law, Values, Volts
from fetsim.devices.noise import FLICKER, SHOT, NoiseLaw, NoisePlace, shot_density
from fetsim.devices.sheet import Figures, Sheet, Warmth

SATURATION_SHARE = 0.1  # base current lost in the collector junction against the useful one; own choice
GAIN_EXPONENT = 1.5


def bjt(
    _v_be_v: float,
    v_bc_v: float,
    e_be: float,
    e_bc: float,
    i_sat_a: float,
    inv_gain: float,
    inv_reverse_gain: float,
    inv_early_v: float,
    inv_vt: float,
) -> tuple[float, float, float, float, float, float, float]:
    """Transport current collector to emitter [A] with its two derivatives [S], then the base currents.

    Returns (i_t, di_t/dv_be, di_t/dv_bc, i_be, di_be/dv_be, i_bc, di_bc/dv_bc).
    """
    early = 1.0 - v_bc_v * inv_early_v
    i_f = i_sat_a * e_be
    i_r = i_sat_a * e_bc
    g_f = i_f * inv_vt
    g_r = i_r * inv_vt
    difference = i_f - i_r
    return (
        difference * early,
        g_f * early,
        -g_r * early - difference * inv_early_v,
        (i_f - i_sat_a) * inv_gain,
        g_f * inv_gain,
        (i_r - i_sat_a) * inv_reverse_gain,
        g_r * inv_reverse_gain,
    )


def bjt_noise(
    _v_be_v: float,
    v_bc_v: float,
    e_be: float,
    e_bc: float,
    i_sat_a: float,
    inv_gain: float,
    inv_reverse_gain: float,
    inv_early_v: float,
    _inv_vt: float,
    flicker_hz: float,
) -> tuple[float, float, float, float]:
    """Density of the shot noise [A^2/Hz] of both halves of the transport current, then of the base currents, then at
    1 Hz that of the base current's 1/f noise, which without a current is none."""
    return (
        shot_density(i_sat_a * (e_be + e_bc) * (1.0 - v_bc_v * inv_early_v)),
        shot_density(i_sat_a * inv_gain * (e_be + 1.0)),
        shot_density(i_sat_a * inv_reverse_gain * (e_bc + 1.0)),
        flicker_hz * shot_density(i_sat_a * inv_gain * abs(e_be - 1.0)),
    )


def _stamp(stamp: Stamp, v: Values) -> None:
    capacitance(stamp, "base", "emitter", v["capacitance_be_f"])
    capacitance(stamp, "base", "collector", v["capacitance_bc_f"])


def _stress(usual: Stress, ways: list[Way], volts: Volts) -> Stress:
    """Volts from collector to emitter, amperes of the collector."""
    return replace(usual, volt=abs(volts["collector"] - volts["emitter"]), ampere=abs(ways[0].current_a))


def _values(figures: Figures, kt_q_v: float) -> dict[str, float]:
    return {
        "i_sat_a": figures["saturation_current"],
        "gain": figures["current_gain"],
        "reverse_gain": figures["reverse_current_gain"],
        "early_v": figures["early_voltage"],
        "thermal_v": kt_q_v,
        "capacitance_be_f": figures["base_emitter_capacitance"],
        "capacitance_bc_f": figures["base_collector_capacitance"],
        "flicker_hz": figures["noise_corner"],
    }


def _warmed(figures: Figures, warmth: Warmth) -> dict[str, float]:
    return {
        "saturation_current": warmth.saturation(figures, "saturation_current"),
        "current_gain": figures["current_gain"] * warmth.ratio**GAIN_EXPONENT,
        "reverse_current_gain": figures["reverse_current_gain"] * warmth.ratio**GAIN_EXPONENT,
    }


def _kind(polarity: str) -> Kind:
    mirrored = polarity == "pnp"
    law = Law(
        function=bjt,
        ports=turned(mirrored, ("base", "emitter"), ("base", "collector")),
        flows=turned(mirrored, ("collector", "emitter"), ("base", "emitter"), ("base", "collector")),
        depends=((0, 1), (0,), (1,)),
        parameters=lambda v: (
            v["i_sat_a"],
            1.0 / v["gain"],
            1.0 / v["reverse_gain"],
            0.0 if v["early_v"] == inf else 1.0 / v["early_v"],
            1.0 / v["thermal_v"],
        ),
        junctions=(
            Junction(port=0, slope_v="thermal_v", current_a="i_sat_a"),
            Junction(port=1, slope_v="thermal_v", current_a="i_sat_a"),
        ),
    )

    def at_rest(v: Values, volts: Volts) -> AtRest:
        transport, forward, reverse = (flow.current for flow in law.evaluate(v, volts))
        if max(abs(transport), forward, reverse) < CONDUCTING_A:
            return AtRest(state="cut off")
        if transport < 0.0:
            return AtRest(state="reversed")
        return AtRest(state="saturated" if reverse > SATURATION_SHARE * forward else "active")

    return Kind(
        terminals=("collector", "base", "emitter"),
        typical={
            "i_sat_a": 12e-15,
            "gain": 320.0,
            "reverse_gain": 4.0,
            "early_v": 80.0,
            "thermal_v": 26e-3,
            "capacitance_be_f": 18e-12,
            "capacitance_bc_f": 4e-12,
            "flicker_hz": 20.0,
        },
        linear=_stamp,
        conducts=(("collector", "emitter"), ("base", "emitter")),
        law=law,
        noise=NoiseLaw(
            function=bjt_noise,
            sources=(
                NoisePlace(SHOT, "collector", "emitter"),
                NoisePlace(SHOT, "base", "emitter"),
                NoisePlace(SHOT, "base", "collector"),
                NoisePlace(FLICKER, "base", "emitter", pink=True, only_with="flicker_hz"),
            ),
            parameters=lambda v, temperature_k: (v["flicker_hz"],),
        ),
        at_rest=at_rest,
        stress=_stress,
        roles=Roles(
            drives=("collector", "emitter"),
            listens=("base",),
            rectifies=("base", "emitter"),
            symbols=(("V_CE", "I_C"), ("V_BE", "I_B")),
        ),
        polarity=polarity,
        sheet=Sheet(values=_values, warmed=_warmed),
    )


BJT_NPN, BJT_PNP = _kind("npn"), _kind("pnp")
