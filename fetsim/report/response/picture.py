"""Picture of small-signal responses: gain re 1 kHz, gain reduction against frequency, phase, group delay."""

from collections.abc import Mapping
from itertools import islice
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from fetsim.measurements.response.procedure import Response, ResponseMeasurement
from fetsim.measurements.response.tables import named_responses
from fetsim.report.look.plots import GREY, decibel_axis, legend_below, line_styles, new_figure, plain_log_axis

EDGES_INCH = 0.9  # title, legend, axis
AUDIO_HZ = (20.0, 20e3)
TICKS_HZ = (0.1, 1.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 10e3, 20e3, 50e3, 100e3, 1e6)
LEAST_DB = 1.0  # that a panel in dB shows either way, so that a flat response looks flat
ROOM = 0.3  # share of what happens in the audio band that is added above and below it
LEAST_DEGREES = 30.0  # that the phase's panel shows either way
DELAY_MATTERS_S = 20e-6  # between 20 Hz and 20 kHz: a sample at 48 kHz; less is not drawn
FEW = 30  # frequencies from which on single points are not marked
DELAY_TICKS_MS = (1e-5, 1e-4, 0.001, 0.01, 0.1, 1.0, 10.0, 100.0)
DELAY_UNITS_S = {"ms": 1e-3, "us": 1e-6, "ns": 1e-9}


def draw(measured: Mapping[str, ResponseMeasurement], title: str) -> Figure:
    """Label of the version -> measurement; all responses in one figure.

    Panels in dB are scaled to what happens between 20 Hz and 20 kHz.
    """
    lines = named_responses(measured)
    heights = {"gain": 2.6, "phase": 1.3}
    if any(one.reduction_db for one in lines.values()):
        heights = {"gain": 2.6, "reduction": 1.4, "phase": 1.3}
    if any(_is_late(one) for one in lines.values()):
        heights["delay"] = 1.3
    with new_figure(title, EDGES_INCH + sum(heights.values())) as figure:
        panels = dict(
            zip(heights, figure.subplots(len(heights), sharex=True, height_ratios=list(heights.values())), strict=True)
        )
        shown = _styled(lines)
        _draw_gain(panels["gain"], shown)
        _draw_phase(panels["phase"], shown)
        if "reduction" in panels:
            _draw_reduction(panels["reduction"], shown)
        if "delay" in panels:
            _draw_delay(panels["delay"], shown)
        for panel in panels.values():
            _frequency_axis(panel, lines)
        list(panels.values())[-1].set_xlabel("Frequency (Hz)")
        figure.align_ylabels(list(panels.values()))
        legend_below(figure, panels["gain"], 3)
    return figure


def draw_on(ax: Axes, measured: Mapping[str, ResponseMeasurement]) -> None:
    """Gain re 1 kHz alone."""
    lines = named_responses(measured)
    _draw_gain(ax, _styled(lines))
    _frequency_axis(ax, lines)
    ax.set_xlabel("Frequency (Hz)")


def _frequency_axis(panel: Axes, lines: Mapping[str, Response]) -> None:
    low, high = _range(np.concatenate([one.frequency_hz for one in lines.values()]))
    plain_log_axis(panel, "x", TICKS_HZ)
    panel.axvspan(*AUDIO_HZ, color="0.965", linewidth=0.0, zorder=0.0)
    panel.set_xlim(0.97 * low, 1.03 * high)


def _styled(lines: Mapping[str, Response]) -> "_Shown":
    return dict(zip(lines, zip(lines.values(), islice(line_styles(), len(lines)), strict=True), strict=True))


_Shown = Mapping[str, tuple[Response, dict[str, Any]]]
"""Label -> response and the style of its line."""


def _plot(panel: Axes, one: Response, values: np.ndarray, style: dict[str, Any], **more: Any) -> None:
    dots: dict[str, Any] = {"marker": "o", "markersize": 3.0} if len(one.frequency_hz) < FEW else {}
    panel.plot(one.frequency_hz, values, **style, **dots, **more)


def _draw_gain(panel: Axes, shown: _Shown) -> None:
    for label, (one, style) in shown.items():
        _plot(panel, one, _re_1khz(one), style, label=f"{label} ({_gain(one)} dB)")
    only = next(iter(shown.values()))[0] if len(shown) == 1 else None
    value = "in brackets: gain at 1 kHz" if only is None else f"gain at 1 kHz {_gain(only)} dB"
    panel.set_title(f"shaded: 20 Hz to 20 kHz; {value} re the source", loc="left", color=GREY)
    panel.set_ylabel("Gain re 1 kHz (dB)")
    _scale_decibels(panel, [_in_band(one, _re_1khz(one)) for one, _ in shown.values()])


def _draw_reduction(panel: Axes, shown: _Shown) -> None:
    reduced = [(one, style) for one, style in shown.values() if one.reduction_db]
    for one, style in reduced:
        _plot(panel, one, _reduction_re_1khz(one), style)
    panel.set_ylabel("Gain reduction\nre 1 kHz (dB)")
    _scale_decibels(panel, [_in_band(one, _reduction_re_1khz(one)) for one, _ in reduced])


def _draw_phase(panel: Axes, shown: _Shown) -> None:
    for one, style in shown.values():
        _plot(panel, one, one.phase_deg, style)
    low, high = panel.get_ylim()
    panel.set_ylim(min(low, -LEAST_DEGREES), max(high, LEAST_DEGREES))
    panel.set_ylabel("Phase (deg)")
    panel.yaxis.set_major_locator(MaxNLocator(5, steps=[1.5, 3.0, 4.5, 9.0]))


def _draw_delay(panel: Axes, shown: _Shown) -> None:
    """Logarithmic in ms where all delays are positive, otherwise linear in a unit that fits."""
    known = [(one, style) for one, style in shown.values() if one.level_dbu is None]
    low, high = _range(np.concatenate([one.group_delay_s for one, _ in known]))
    name, unit_s = "ms", DELAY_UNITS_S["ms"]
    if low <= 0.0:
        largest = max(-low, high)
        name, unit_s = next(((n, unit) for n, unit in DELAY_UNITS_S.items() if largest >= unit), ("ns", 1e-9))
    for one, style in known:
        _plot(panel, one, one.group_delay_s / unit_s, style)
    panel.set_ylabel(f"Group delay ({name})")
    if low > 0.0:
        plain_log_axis(panel, "y", DELAY_TICKS_MS)


def _is_late(one: Response) -> bool:
    """Whether a response has a group delay that says something in the audio band."""
    delay_s = np.abs(_in_band(one, one.group_delay_s))
    return one.level_dbu is None and bool(np.ptp(delay_s) > DELAY_MATTERS_S)


def _gain(one: Response) -> str:
    return f"{round(one.gain_1khz_db, 2) + 0.0:+.2f}"


def _re_1khz(one: Response) -> np.ndarray:
    return one.gain_db - one.gain_1khz_db


def _reduction_re_1khz(one: Response) -> np.ndarray:
    at_1khz = np.interp(np.log(1e3), np.log(one.frequency_hz), one.gain_reduction_db)
    return np.asarray(one.gain_reduction_db - at_1khz)


def _in_band(one: Response, values: np.ndarray) -> np.ndarray:
    inside = (one.frequency_hz >= AUDIO_HZ[0]) & (one.frequency_hz <= AUDIO_HZ[1])
    return np.asarray(values[inside] if np.any(inside) else values)


def _scale_decibels(panel: Axes, shown: list[np.ndarray]) -> None:
    low, high = _range(np.concatenate([*shown, [0.0]]))
    room = ROOM * (high - low)
    panel.set_ylim(min(low - room, -LEAST_DB), max(high + room, LEAST_DB))
    decibel_axis(panel)


def _range(values: np.ndarray) -> tuple[float, float]:
    return float(np.min(values)), float(np.max(values))
