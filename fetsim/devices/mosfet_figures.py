"""From a MOSFET's datasheet to the values of its law (``mosfet``), and back.

Figures stand under the keys of a device sheet, in SI units, voltages with the sign of the polarity. With o the opening
of the channel at the drain current I of the transconductance g, and R the resistance of the drain region,

    g / I = (2 - I R / o) / o,    so    o = (1 + sqrt(1 - g R)) I / g,    b = I / (o (o - I R));

the threshold is where the gate voltage at its own small current says; R is what the channel resistance says.

With temperature b goes as T^-1.5, R as T^1.5 (mobility, as in a JFET) and the threshold falls by 2 mV/K: common
practice, no source.
"""

from dataclasses import replace
from math import copysign, expm1, log, sqrt

from scipy.optimize import brentq

from fetsim.devices.jfet_channel import JfetChannel
from fetsim.devices.jfet_figures import MOBILITY_EXPONENT
from fetsim.devices.sheet import Figures, Sheet, Warmth, thermal_voltage

THRESHOLD_DRIFT_V_K = -2e-3
SMALLEST_GATE_V = 0.3  # of a sheet's gate voltages: keeps the sign of the polarity at all temperatures
LARGEST_SHARE = 0.999  # of 1 / g that R may be
ROUNDED = 0.99  # of the law's own channel resistance: taken as that
USUAL_GATE_V = 10.0  # at which sheets give the channel resistance; own choice


def channel_of(figures: Figures, kt_q_v: float) -> JfetChannel:
    """The channel that the figures describe, voltages as of an n-channel type."""
    if "r_ds_on" not in figures:
        return _channel(figures, 0.0, kt_q_v)

    def excess_ohm(series_ohm: float) -> float:
        return _on_ohm(figures, _channel(figures, series_ohm, kt_q_v)) - figures["r_ds_on"]

    ohm = 0.0 if excess_ohm(0.0) >= 0.0 else brentq(excess_ohm, 0.0, LARGEST_SHARE / figures["g_fs"])
    return _channel(figures, float(ohm), kt_q_v)


def _channel(figures: Figures, series_ohm: float, kt_q_v: float) -> JfetChannel:
    """The one with this resistance in the drain."""
    g, ampere, tail_v = figures["g_fs"], figures["g_fs_current"], 2.0 * figures["ideality"] * kt_q_v
    open_v = (1.0 + sqrt(1.0 - g * series_ohm)) * ampere / g
    beta = ampere / (open_v * (open_v - ampere * series_ohm))
    channel = JfetChannel(
        beta_a_v2=beta,
        pinch_off_v=0.0,
        tail_slope_v=tail_v,
        series_per_v=beta * series_ohm,
        slope_per_v=figures["channel_slope"],
    )
    small_v = _opening(channel, figures["v_gs_th_current"])
    return replace(channel, pinch_off_v=abs(figures["v_gs_th"]) - tail_v * _inverse_softplus(small_v / tail_v))


def _opening(channel: JfetChannel, ampere: float) -> float:
    """How far the source's end is open [V] at a current in saturation, its rise with V_DS left out."""
    part = ampere / channel.beta_a_v2
    return 0.5 * (channel.series_per_v * part + sqrt((channel.series_per_v * part) ** 2 + 4.0 * part))


def _inverse_softplus(opening: float) -> float:
    """a of ln(1 + exp(a)) = ``opening``."""
    return log(expm1(opening)) if opening < 30.0 else opening


def _on_ohm(figures: Figures, channel: JfetChannel) -> float:
    return 1.0 / float(channel.small_signal_s(abs(figures["r_ds_on_gate_voltage"])))


def _mistakes(figures: Figures, polarity: str, kt_q_v: float) -> list[tuple[str, str]]:
    for key in ("v_gs_th", "r_ds_on_gate_voltage"):
        volt = figures.get(key, copysign(1.0, figures["v_gs_th"]))
        if abs(volt) < SMALLEST_GATE_V:
            return [(key, f"{volt:g} V is nearer to zero than {SMALLEST_GATE_V:g} V")]
        if (volt > 0.0) != (polarity == "n"):
            return [(key, "is positive in an n-channel MOSFET and negative in a p-channel one")]
    if not figures["v_gs_th_current"] < figures["g_fs_current"]:
        return [("v_gs_th_current", f"must be below g_fs_current = {figures['g_fs_current']:.4g} A")]
    pair = [key for key in ("r_ds_on", "r_ds_on_gate_voltage") if key in figures]
    if len(pair) == 1:
        other = "r_ds_on_gate_voltage" if pair == ["r_ds_on"] else "r_ds_on"
        return [(pair[0], f"says nothing without {other}; give both")]
    if not pair:
        return []
    if not abs(figures["r_ds_on_gate_voltage"]) > abs(figures["v_gs_th"]):
        return [("r_ds_on_gate_voltage", f"must be beyond v_gs_th = {figures['v_gs_th']:g} V; give r_ds_on at such")]
    least, most = (
        _on_ohm(figures, _channel(figures, share * LARGEST_SHARE / figures["g_fs"], kt_q_v)) for share in (0.0, 1.0)
    )
    if ROUNDED * least <= figures["r_ds_on"] <= most:
        return []
    told = f"{figures['r_ds_on']:.4g} ohm is not to be had with this g_fs and v_gs_th"
    if most < least:  # so little g_fs that at the gate voltage less current than that of g_fs flows
        return [("r_ds_on", f"{told}; that g_fs_current does not flow at r_ds_on_gate_voltage")]
    return [("r_ds_on", f"{told}, only {least:.3g} to {most:.3g} ohm")]


def _values(figures: Figures, kt_q_v: float) -> dict[str, float]:
    channel = channel_of(figures, kt_q_v)
    return {
        "beta_a_v2": channel.beta_a_v2,
        "threshold_v": channel.pinch_off_v,
        "tail_slope_v": channel.tail_slope_v,
        "series_per_v": channel.series_per_v,
        "slope_per_v": channel.slope_per_v,
        "i_body_sat_a": figures["body_saturation_current"],
        "body_slope_v": figures["body_ideality"] * kt_q_v,
        "capacitance_gs_f": figures["gate_source_capacitance"],
        "capacitance_gd_f": figures["gate_drain_capacitance"],
        "capacitance_ds_f": figures["drain_source_capacitance"],
        "flicker_hz": figures["noise_corner"],
    }


def _warmed(figures: Figures, warmth: Warmth) -> dict[str, float]:
    cold = channel_of(figures, thermal_voltage(warmth.reference_c))
    warm = replace(
        cold,
        beta_a_v2=cold.beta_a_v2 * warmth.ratio**MOBILITY_EXPONENT,
        pinch_off_v=cold.pinch_off_v + THRESHOLD_DRIFT_V_K * warmth.rise_k,
        tail_slope_v=2.0 * figures["ideality"] * thermal_voltage(warmth.temperature_c),
    )
    ampere = figures["g_fs_current"]
    open_v = _opening(warm, ampere)
    small_v = _opening(warm, figures["v_gs_th_current"])
    threshold_v = warm.pinch_off_v + warm.tail_slope_v * _inverse_softplus(small_v / warm.tail_slope_v)
    return {
        "v_gs_th": copysign(threshold_v, figures["v_gs_th"]),
        "g_fs": ampere * (2.0 - ampere * warm.series_per_v / (warm.beta_a_v2 * open_v)) / open_v,
        **({"r_ds_on": _on_ohm(figures, warm)} if "r_ds_on" in figures else {}),
        "body_saturation_current": warmth.saturation(figures, "body_saturation_current", figures["body_ideality"]),
    }


def _follows(figures: Figures, kt_q_v: float) -> dict[str, float]:
    """The channel resistance that follows from the law where none is given."""
    at = {"r_ds_on_gate_voltage": copysign(USUAL_GATE_V, figures["v_gs_th"]), **figures}
    return {**at, "r_ds_on": _on_ohm(at, channel_of(figures, kt_q_v))}


SHEET = Sheet(values=_values, warmed=_warmed, mistakes=_mistakes, follows=_follows)
