"""Operational amplifier: an input stage that saturates, a gain stage with one pole, an output stage with its limits.

    C da/dt + a g / A_0 = i_t tanh((v_plus - v_minus - V_os) / v_s) - up(a) + lo(a),     i_t = slew C, g = 2 pi GBW C

with v_s = i_t / g. a is the voltage of the gain stage, the output's without load; C is 30 pF, and means nothing but the
scale of the currents inside. The saturating input stage is what limits the slew rate (Solomon, IEEE J. Solid-State
Circuits SC-9 (1974) 314, from memory). ``up`` and ``lo`` hold a at its distance from either rail: with x so much beyond
and w = 50 mV, i_t / w times 0 below -w, (x + w)^2 / (4 w) between, x above w. The output stage drives

    i = i_max tanh((a - v_out) / (i_max r_out)),     from the upper rail (i + sqrt(i^2 + 4 I_q^2)) / 2,

the rest from the lower one (class AB). I_q is the whole supply current without load, though in a real one a part of it
never goes through the output stage. So the rails carry what the output does.

The rails come in as an input voltage of so much of their distance apart, beyond that of the sheet, at every frequency;
a real one's rejection falls with frequency as its gain does, from some 100 Hz on, and is another for either rail. The
sign, which no sheet tells, is that of the plus input.

Left out: a second pole (the phase margin is better than real), rejection of common mode (infinite), limits of the
inputs' range and diodes across them, and that the input bias current moves with the inputs' voltage. Bias currents of
either sign are given back to the negative rail. Driven beyond its rails from outside, or with the rails the wrong way
round, the output stage keeps its limits and feeds that source, where a real one conducts through its substrate.
"""

from dataclasses import replace

import numpy as np

from fetsim.devices.kind import AtRest, Kind, Roles, Stamp, Stress, Way, capacitance, conductance, ohmic
from fetsim.devices.law import Bend, Flat, Junction, Law, Number, Values, Volts, clamp, select
from fetsim.devices.noise import NoiseLaw, NoisePlace
from fetsim.devices.opamp_figures import SHEET

STAGE_F = 30e-12
CLAMP_V = 0.05
"""w above; own choice."""
PER_CLAMP = 1.0 / CLAMP_V  # a division takes several times as long as a product
LIMITING_SHARE = 0.9  # of the largest output current, told as limiting; own choice
UNFED = (
    "without supply or with the rails the wrong way round; what such an operational amplifier draws and gives is not "
    "to be believed"
)
LEAST_DROP_V = 0.125
"""Half of the output stage's range over which the solver need know it no better than a node."""


def saturating(above_v: Number, t: Number) -> tuple[Number, Number]:
    """tanh(x) and its derivative by x; ``t`` = exp(-2 |x|), ``above_v`` has the sign of x."""
    inverse = 1.0 / (1.0 + t)
    size = (1.0 - t) * inverse
    return select(above_v > 0.0, size, -size), 4.0 * t * inverse * inverse


def held_back(beyond_v: Number) -> tuple[Number, Number]:
    """What a limit takes, in i_t, and its derivative [1/V]: nothing, a parabola, a straight line."""
    inside = clamp(beyond_v, CLAMP_V)
    rise = inside + CLAMP_V
    over = beyond_v - inside
    slope = 0.5 * PER_CLAMP * PER_CLAMP * rise
    return 0.5 * slope * rise + 0.5 * PER_CLAMP * (over + abs(over)), slope


def opamp(
    v_in: float, v_upper: float, v_lower: float, v_drop: float, t_in: float, t_out: float,
    offset_v: float, tail_a: float, inv_tail_v: float, upper_drop_v: float, lower_drop_v: float,
    limit_a: float, out_s: float, idle_a: float, bias_plus_a: float, bias_minus_a: float,
) -> tuple[float, ...]:  # fmt: skip
    """Current out of the gain stage with its three derivatives, then from the upper rail to the output and from there
    to the lower one, each with its derivative, then the bias currents [A, S].

    Voltages: plus less minus, gain stage less upper rail, lower rail less gain stage, gain stage less output.
    """
    pull, pull_slope = saturating(v_in - offset_v, t_in)
    upper, upper_slope = held_back(v_upper + upper_drop_v)
    lower, lower_slope = held_back(v_lower + lower_drop_v)
    share, share_slope = saturating(v_drop, t_out)
    current = limit_a * share
    root = np.sqrt(current * current + 4.0 * idle_a * idle_a)
    slope = out_s * share_slope
    part = 0.5 * (1.0 + current / root) * slope
    sourced = 0.5 * (current + root)
    return (
        tail_a * (upper - lower - pull),
        -tail_a * inv_tail_v * pull_slope,
        tail_a * upper_slope,
        -tail_a * lower_slope,
        sourced,
        part,
        sourced - current,
        part - slope,
        bias_plus_a,
        bias_minus_a,
    )


def opamp_noise(
    v_in: float, _v_upper: float, _v_lower: float, _v_drop: float, t_in: float, _t_out: float,
    offset_v: float, tail_a: float, inv_tail_v: float, _upper_drop_v: float, _lower_drop_v: float,
    _limit_a: float, _out_s: float, _idle_a: float, _bias_plus_a: float, _bias_minus_a: float,
    voltage_v2_hz: float, voltage_v2: float, current_a2_hz: float, current_a2: float,
) -> tuple[float, float, float, float, float, float]:  # fmt: skip
    """White density and that at 1 Hz of 1/f noise, of the input voltage and of both input currents [A^2/Hz]. The
    voltage acts behind the input stage, and so less while that is saturated."""
    _, slope = saturating(v_in - offset_v, t_in)
    square = (tail_a * inv_tail_v * slope) ** 2
    return square * voltage_v2_hz, square * voltage_v2, current_a2_hz, current_a2, current_a2_hz, current_a2


NOISE = NoiseLaw(
    function=opamp_noise,
    sources=(
        NoisePlace("input voltage", "stage", None),
        NoisePlace("input voltage", "stage", None, pink=True, only_with="voltage_corner_hz"),
        NoisePlace("input current", "plus", "negative"),
        NoisePlace("input current", "plus", "negative", pink=True, only_with="current_corner_hz"),
        NoisePlace("input current", "minus", "negative"),
        NoisePlace("input current", "minus", "negative", pink=True, only_with="current_corner_hz"),
    ),
    parameters=lambda v, temperature_k: (
        v["noise_v"] ** 2,
        v["noise_v"] ** 2 * v["voltage_corner_hz"],
        v["noise_a"] ** 2,
        v["noise_a"] ** 2 * v["current_corner_hz"],
    ),
)

LAW = Law(
    function=opamp,
    ports=(("plus", "minus"), ("stage", "positive"), ("negative", "stage"), ("stage", "out")),
    flows=(("stage", None), ("positive", "out"), ("out", "negative"), ("plus", "negative"), ("minus", "negative")),
    depends=((0, 1, 2), (3,), (3,), (), ()),
    parameters=lambda v: (
        v["offset_v"],
        STAGE_F * v["slew_v_s"],
        0.5 / v["half_range_v"],
        v["upper_drop_v"],
        v["lower_drop_v"],
        v["limit_a"],
        0.5 * v["limit_a"] / v["half_drop_v"],
        v["idle_a"],
        v["bias_plus_a"],
        v["bias_minus_a"],
    ),
    junctions=(
        Junction(port=0, slope_v="half_range_v", offset_v="offset_v", falls=True),
        Junction(port=3, slope_v="half_drop_v", falls=True),
    ),
    bends=(
        Bend(port=0, scale_v=lambda v: v["half_range_v"]),
        Bend(port=3, scale_v=lambda v: v["half_drop_v"]),
    ),
    flats=(
        Flat(port=1, below_v=lambda v: -v["upper_drop_v"] - CLAMP_V),
        Flat(port=2, below_v=lambda v: -v["lower_drop_v"] - CLAMP_V),
    ),
    tolerances=lambda v: (1.0, 1.0, 1.0, max(1.0, v["half_drop_v"] / LEAST_DROP_V)),
)


def _gain_s(v: Values) -> float:
    """Of the input stage, into the capacitance of the gain stage."""
    return 0.5 * STAGE_F * v["slew_v_s"] / v["half_range_v"]


def _stamp(stamp: Stamp, v: Values) -> None:
    stamp.g("stage", "stage", _gain_s(v) / v["gain"])
    stamp.g("stage", "positive", -_gain_s(v) * v["supply_share"])
    stamp.g("stage", "negative", _gain_s(v) * v["supply_share"])
    stamp.c("stage", "stage", STAGE_F)
    conductance(stamp, "plus", "minus", 1.0 / v["input_ohm"])
    capacitance(stamp, "plus", "minus", v["input_f"])


def _ways(v: Values, volts: Volts) -> list[Way]:
    _, sourced, sunk, plus, minus = (flow.current for flow in LAW.evaluate(v, volts))
    return [
        _way(volts, "sinks", "out", "negative", sunk),
        _way(volts, "sources", "positive", "out", sourced),
        _way(volts, "bias +", "plus", "negative", plus),
        _way(volts, "bias -", "minus", "negative", minus),
        ohmic(volts, "input", "plus", "minus", v["input_ohm"]),
    ]


def _way(volts: Volts, label: str, start: str, end: str, current: Number) -> Way:
    """One that would take negative heat holds a source: driven from beyond the rails, or bias out of an input."""
    across = volts[start] - volts[end]
    return Way(label, start, end, current, emf_v=select(across * current < 0.0, across, 0.0))


def _at_rest(v: Values, volts: Volts) -> AtRest:
    _, sourced, sunk, *_ = (flow.current for flow in LAW.evaluate(v, volts))
    stage_v, positive_v, negative_v = volts["stage"], volts["positive"], volts["negative"]
    if positive_v - negative_v < v["upper_drop_v"] + v["lower_drop_v"]:
        return AtRest(state="without supply", doubt=UNFED, passes=False)
    if abs(sourced - sunk) > LIMITING_SHARE * v["limit_a"]:
        return AtRest(state="limits its current", passes=False)
    if stage_v > positive_v - v["upper_drop_v"] - CLAMP_V:
        return AtRest(state="stands at {positive}", passes=False)
    if stage_v < negative_v + v["lower_drop_v"] + CLAMP_V:
        return AtRest(state="stands at {negative}", passes=False)
    return AtRest(state="in range")


def _stress(usual: Stress, ways: list[Way], volts: Volts) -> Stress:
    """Volts between its rails, amperes of its output."""
    sunk, sourced, *_ = ways
    return replace(
        usual, volt=abs(volts["positive"] - volts["negative"]), ampere=abs(sourced.current_a - sunk.current_a)
    )


OPAMP = Kind(
    terminals=("out", "plus", "minus", "positive", "negative"),
    inner=("stage",),
    typical={
        "slew_v_s": 13e6,
        "half_range_v": 0.345,
        "gain": 2e5,
        "offset_v": 3e-3,
        "supply_share": 0.0,
        "upper_drop_v": 1.5,
        "lower_drop_v": 1.5,
        "limit_a": 40e-3,
        "half_drop_v": 2.5,
        "idle_a": 1.4e-3,
        "bias_plus_a": 65e-12,
        "bias_minus_a": 70e-12,
        "input_ohm": 1e12,
        "input_f": 2e-12,
        "noise_v": 18e-9,
        "voltage_corner_hz": 50.0,
        "noise_a": 1e-14,
        "current_corner_hz": 0.0,
    },
    linear=_stamp,
    conducts=(("out", "negative"), ("positive", "out")),
    law=LAW,
    noise=NOISE,
    ways=_ways,
    at_rest=_at_rest,
    stress=_stress,
    roles=Roles(drives=("out",), listens=("plus", "minus")),
    sheet=SHEET,
)
