"""From what a datasheet or a meter tells of a junction FET to the values of its law (``jfet_channel``), and back.

Figures stand under the keys of a device sheet, in SI units, voltages with the sign of the polarity. V_GS(off) is read
at a small drain current, and with that current it tells the pinch-off voltage: the channel whose saturation current is
I_DSS at V_GS = 0 and this current at V_GS(off). A channel resistance, where one is given, is met by resistances in
drain and source (R in ``jfet_channel``): with o = o(0) and w = o'(0),

    R = 2 (r w - o / (2 I_DSS)),    b = I_DSS / (o^2 (1 - I_DSS R / o)).

With temperature beta goes as T^-1.5, the mobility of lattice scattering (Sze, from memory; measured exponents run to
-2.4), R as T^1.5, and the pinch-off voltage moves by 2 mV/K further from zero, as the built-in voltage of the gate
junction falls (common practice, no source). Together they put the gate voltage of no drift 0.8 V above pinch-off;
textbooks say 0.6-0.8 V.

The gate's capacitances are constant, or those of depletion layers (``depletion``) where a sheet tells at which reverse
voltage they were read; their built-in potential falls by the same 2 mV/K.

Gate leakage is what the depletion layer generates, a junction of ideality 2: its current goes with the carrier density
of the bare semiconductor and so doubles every 9 to 11 K between 25 and 60 C in silicon; common practice says 10 K.
"""

from dataclasses import replace
from math import copysign, exp, log, sqrt

from scipy.optimize import brentq

from fetsim.devices.depletion import without_voltage_f
from fetsim.devices.jfet_channel import JfetChannel
from fetsim.devices.sheet import Beside, Figures, Sheet, Warmth, thermal_voltage

MOBILITY_EXPONENT = -1.5
PINCH_OFF_DRIFT_V_K = 2e-3
SMALLEST_PINCH_OFF_V = 0.25  # of a sheet: keeps its sign over all temperatures
SHEET_ALLOWANCE = 0.2  # how far the law without R may miss a sheet's channel resistance and transconductance
LARGEST_LOSS = 0.8
"""Share of V_P that I_DSS may lose in R; beyond, drain and source would be most of the device."""
LEAST_PART, FORWARD_V = 0.2, 1.0
"""A negative R may multiply the current by no more than 5, up to this far forward at the gate."""
LEAKAGE_IDEALITY = 2.0
DEEPEST_V = 1e3
"""Pinch-off voltages are looked for down to this."""
LEAST_A = 1e-300  # so far below pinch-off the tail is rounded to nothing
READ = {end: f"gate_{end}_capacitance" for end in ("source", "drain")}
"""Keys of the gate's capacitances,"""
READ_AT = {end: f"{key}_voltage" for end, key in READ.items()}
"""and of the reverse voltages that they were read at."""


def channel_of(figures: Figures, kt_q_v: float) -> JfetChannel:
    """The channel that complete figures describe, at the temperature that they hold at."""
    return _channel(figures, abs(figures["pinch_off_voltage"]), kt_q_v)


def _channel(figures: Figures, depth_v: float, kt_q_v: float) -> JfetChannel:
    """The one that pinches off at this distance from zero."""
    plain = JfetChannel(
        beta_a_v2=1.0,
        pinch_off_v=-depth_v,
        tail_slope_v=2.0 * figures["ideality"] * kt_q_v,
        slope_per_v=figures["channel_slope"],
    )
    open_v = float(plain.open_v(0.0))
    lost = 0.0
    if "r_ds_on" in figures:
        least, most = _shares_lost(open_v)
        lost = min(max(figures["r_ds_on"] / _ohm_without_loss(figures, plain) - 1.0, least), most)
    beta = figures["i_dss"] / (open_v**2 * (1.0 - lost))
    return replace(plain, beta_a_v2=beta, series_per_v=lost / (open_v * (1.0 - lost)))


def _ohm_without_loss(figures: Figures, plain: JfetChannel) -> float:
    """Channel resistance at V_GS = 0 of the law without R; ``plain`` has a beta of 1."""
    open_v = float(plain.open_v(0.0))
    return open_v**2 * plain.on_ohm / figures["i_dss"]


def _shares_lost(open_v: float) -> tuple[float, float]:
    """Least and largest I_DSS R that a channel may have, as a share of how far it is open at V_GS = 0."""
    bent = 0.5 * (1.0 - LEAST_PART) * open_v / (open_v + FORWARD_V)
    return -bent / (1.0 - bent), LARGEST_LOSS


def completed(figures: Figures, kt_q_v: float) -> Figures:
    """With the pinch-off voltage, where V_GS(off) and its current stand for it."""
    if "v_gs_off" not in figures:
        return figures
    least, most = log(SMALLEST_PINCH_OFF_V), log(DEEPEST_V)
    depth_v = exp(float(brentq(lambda log_v: _excess(figures, exp(log_v), kt_q_v), least, most, xtol=1e-14)))
    return {**figures, "pinch_off_voltage": copysign(depth_v, figures["v_gs_off"])}


def _excess(figures: Figures, depth_v: float, kt_q_v: float) -> float:
    """By how much, as a logarithm, the current at V_GS(off) is above the one it was read at."""
    ampere = _channel(figures, depth_v, kt_q_v).saturated_a(-abs(figures["v_gs_off"]))
    return log(max(ampere, LEAST_A) / figures["v_gs_off_current"])


def mistakes(figures: Figures, polarity: str, kt_q_v: float) -> list[tuple[str, str]]:
    """What is wrong between the figures, as (key, sentence)."""
    return _about_pinch_off(figures, polarity, kt_q_v) or _about_resistance(completed(figures, kt_q_v), kt_q_v)


def _about_pinch_off(figures: Figures, polarity: str, kt_q_v: float) -> list[tuple[str, str]]:
    key = "v_gs_off" if "v_gs_off" in figures else "pinch_off_voltage"
    if key not in figures:
        alone = [("v_gs_off_current", "goes with v_gs_off, which is missing")] * ("v_gs_off_current" in figures)
        return alone or [(key, "is missing; give it, or v_gs_off with v_gs_off_current")]
    if key == "pinch_off_voltage" and "v_gs_off_current" in figures:
        return [("v_gs_off_current", "goes with v_gs_off, not with pinch_off_voltage; leave it out or give v_gs_off")]
    if key == "v_gs_off" and "pinch_off_voltage" in figures:
        return [(key, "says the same as pinch_off_voltage; give one of them")]
    if key == "v_gs_off" and "v_gs_off_current" not in figures:
        return [(key, "says nothing without the drain current at which it was read; give v_gs_off_current too")]
    volt = figures[key]
    if abs(volt) < SMALLEST_PINCH_OFF_V:
        return [(key, f"{volt:g} V is nearer to zero than {SMALLEST_PINCH_OFF_V:g} V")]
    if (volt < 0.0) != (polarity == "n"):
        told = "is negative in an n-channel JFET and positive in a p-channel one"
        return [(key, f"{told}; this one is {polarity}-channel")]
    if key == "pinch_off_voltage":
        return []
    if not figures["v_gs_off_current"] < figures["i_dss"]:
        return [("v_gs_off_current", f"must be below i_dss = {figures['i_dss']:.4g} A")]
    if _excess(figures, SMALLEST_PINCH_OFF_V, kt_q_v) > 0.0 or _excess(figures, DEEPEST_V, kt_q_v) < 0.0:
        return [(key, f"no channel of this i_dss carries {figures['v_gs_off_current']:.4g} A at {volt:g} V")]
    return []


def _about_resistance(figures: Figures, kt_q_v: float) -> list[tuple[str, str]]:
    if "r_ds_on" not in figures:
        return []
    plain = replace(channel_of(figures, kt_q_v), beta_a_v2=1.0, series_per_v=0.0)
    ohm = _ohm_without_loss(figures, plain)
    least, most = (ohm * (1.0 + lost) for lost in _shares_lost(float(plain.open_v(0.0))))
    if least <= figures["r_ds_on"] <= most:
        return []
    told = f"{figures['r_ds_on']:.4g} ohm is not to be had with this i_dss and pinch-off voltage"
    return [("r_ds_on", f"{told}, only {least:.3g} to {most:.3g} ohm")]


def values(figures: Figures, kt_q_v: float) -> dict[str, float]:
    """Values of an element out of complete figures at the unit's temperature."""
    channel = channel_of(figures, kt_q_v)
    return {
        "beta_a_v2": channel.beta_a_v2,
        "pinch_off_v": channel.pinch_off_v,
        "tail_slope_v": channel.tail_slope_v,
        "series_per_v": channel.series_per_v,
        "slope_per_v": channel.slope_per_v,
        "i_gate_sat_a": figures["gate_saturation_current"],
        "gate_slope_v": figures["gate_ideality"] * kt_q_v,
        "flicker_hz": figures["noise_corner"],
        "i_leakage_a": 0.5 * figures["gate_leakage"],
        "leakage_slope_v": LEAKAGE_IDEALITY * kt_q_v,
        **{f"capacitance_g{end[0]}_f": 0.0 if READ_AT[end] in figures else figures[READ[end]] for end in READ},
    }


def depletion_layers(figures: Figures, polarity: str) -> tuple[Beside, ...]:
    """The gate's capacitances that fall with reverse voltage: those of which the sheet tells where they were read."""
    found = []
    for end in READ:
        if READ_AT[end] in figures:
            built_in_v = figures["gate_built_in_potential"]
            farad = without_voltage_f(figures[READ[end]], figures[READ_AT[end]], built_in_v)
            ends = ("gate", end) if polarity == "n" else (end, "gate")
            found.append(Beside(f"gate_{end}", "depletion", ends, {"capacitance_f": farad, "built_in_v": built_in_v}))
    return tuple(found)


def warmed(figures: Figures, warmth: Warmth) -> dict[str, float]:
    """Channel and leakage move; V_GS(off) stays as it was read, at the sheet's temperature."""
    cold, kt_q_v = channel_of(figures, thermal_voltage(warmth.reference_c)), thermal_voltage(warmth.temperature_c)
    pinch_off_v = figures["pinch_off_voltage"]
    pinch_off_v += copysign(PINCH_OFF_DRIFT_V_K, pinch_off_v) * warmth.rise_k
    warm = replace(
        cold,
        beta_a_v2=cold.beta_a_v2 * warmth.ratio**MOBILITY_EXPONENT,
        pinch_off_v=-abs(pinch_off_v),
        tail_slope_v=2.0 * figures["ideality"] * kt_q_v,
    )
    resistance = {"r_ds_on": warm.on_ohm} if "r_ds_on" in figures else {}
    built_in_v = figures["gate_built_in_potential"]
    warm_built_in_v = built_in_v - PINCH_OFF_DRIFT_V_K * warmth.rise_k
    layers = {
        READ[end]: figures[READ[end]] * sqrt((figures[at] + built_in_v) / (figures[at] + warm_built_in_v))
        for end, at in READ_AT.items()
        if at in figures
    }
    return {
        **resistance,
        **layers,
        "gate_built_in_potential": warm_built_in_v,
        "pinch_off_voltage": pinch_off_v,
        "i_dss": float(warm.saturated_a(0.0)),
        "gate_saturation_current": warmth.saturation(figures, "gate_saturation_current", figures["gate_ideality"]),
        "gate_leakage": warmth.saturation(figures, "gate_leakage", LEAKAGE_IDEALITY),
    }


def follows(figures: Figures, kt_q_v: float) -> dict[str, float]:
    """Lines of a datasheet that follow from the law. Where no V_GS(off) is given, the pinch-off voltage stands for it,
    with the current that flows there: about a microampere."""
    channel = channel_of(figures, kt_q_v)
    return {
        "v_gs_off": figures["pinch_off_voltage"],
        "v_gs_off_current": float(channel.saturated_a(channel.pinch_off_v)),
        "r_ds_on": channel.on_ohm,
        "g_fs": channel.transconductance_s,
    }


SHEET = Sheet(
    completed=completed,
    values=values,
    beside=depletion_layers,
    warmed=warmed,
    follows=follows,
    mistakes=mistakes,
    allowance={"r_ds_on": SHEET_ALLOWANCE, "g_fs": SHEET_ALLOWANCE},
)
