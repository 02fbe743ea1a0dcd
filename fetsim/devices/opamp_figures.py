"""From an operational amplifier's datasheet to the values of its law (``opamp``).

The input stage saturates at v_s = slew / (2 pi GBW), which a real one does by its own physics: about 52 mV where it is
a bare bipolar pair, more with emitter resistors or FETs.

With temperature the offset voltage drifts, and the bias currents double with every so many kelvin where the sheet says
so (10 K for junction FETs: common practice). All else stays.
"""

from math import pi

from fetsim.devices.sheet import Figures, Sheet, Warmth

FET_DOUBLING_K = 10.0  # common practice, no source
SHEET_SUPPLY_V = 30.0
"""From rail to rail, at which a sheet tells the offset voltage: +-15 V (common practice)."""
LEAST_RANGE_V, LARGEST_RANGE_V = 5e-3, 100.0
"""Of v_s: nothing real lies outside."""


def _range_v(figures: Figures) -> float:
    return 1e6 * figures["slew_rate"] / (2.0 * pi * figures["gain_bandwidth"])


def _values(figures: Figures, kt_q_v: float) -> dict[str, float]:
    half_offset_a = 0.5 * figures["input_offset_current"]
    # a sheet's rejection is that of both rails moved at once, each by so much
    supply_share = 0.5 * 10.0 ** (-figures["supply_rejection"] / 20.0) if "supply_rejection" in figures else 0.0
    return {
        "slew_v_s": 1e6 * figures["slew_rate"],
        "half_range_v": 0.5 * _range_v(figures),
        "gain": figures["open_loop_gain"],
        "offset_v": figures["offset_voltage"] + supply_share * SHEET_SUPPLY_V,
        "supply_share": supply_share,
        "upper_drop_v": figures["upper_drop"],
        "lower_drop_v": figures["lower_drop"],
        "limit_a": figures["output_current"],
        "half_drop_v": 0.5 * figures["output_current"] * figures["output_resistance"],
        "idle_a": figures["supply_current"],
        "bias_plus_a": figures["input_bias_current"] + half_offset_a,
        "bias_minus_a": figures["input_bias_current"] - half_offset_a,
        "input_ohm": figures["input_resistance"],
        "input_f": figures["input_capacitance"],
        "noise_v": figures["noise_voltage"],
        "voltage_corner_hz": figures["noise_voltage_corner"],
        "noise_a": figures["noise_current"],
        "current_corner_hz": figures["noise_current_corner"],
    }


def _warmed(figures: Figures, warmth: Warmth) -> dict[str, float]:
    moved = {"offset_voltage": figures["offset_voltage"] + figures["offset_drift"] * warmth.rise_k}
    if "bias_doubling_k" in figures:
        more = 2.0 ** (warmth.rise_k / figures["bias_doubling_k"])
        moved |= {key: more * figures[key] for key in ("input_bias_current", "input_offset_current")}
    return moved


def _mistakes(figures: Figures, polarity: str, kt_q_v: float) -> list[tuple[str, str]]:
    range_v = _range_v(figures)
    if LEAST_RANGE_V <= range_v <= LARGEST_RANGE_V:
        return []
    told = f"slew rate over 2 pi gain_bandwidth is {range_v:.3g} V"
    return [("slew_rate", f"{told}, which no input stage has; {LEAST_RANGE_V:g} to {LARGEST_RANGE_V:g} V is taken")]


SHEET = Sheet(
    values=_values,
    warmed=_warmed,
    mistakes=_mistakes,
    follows=lambda figures, kt_q_v: {"bias_doubling_k": FET_DOUBLING_K},  # what a page offers where none is given
)
