"""Picture of small-signal responses: gain re 1 kHz, gain reduction against frequency, phase, group delay."""

from collections.abc import Mapping
from itertools import islice

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from fetsim.measurements.response import Response
from fetsim.report.plots import GREY, decibel_axis, legend_below, line_styles, new_figure, plain_log_axis

HEIGHT_INCH, REDUCTION_INCH = 5.4, 1.2
AUDIO_HZ = (20.0, 20e3)
TICKS_HZ = (0.1, 1.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 10e3, 20e3, 50e3, 100e3, 1e6)
LEAST_SPAN_DB = 0.2  # of a panel in dB
ROOM = 0.3  # share of what happens in the audio band that is added above and below it
FEW = 30  # frequencies from which on single points are not marked
LINEAR_MS = 0.001  # where delays are negative too, their axis is logarithmic beyond this, either way
DELAY_TICKS_MS = (-10.0, -1.0, -0.1, -0.01, 0.0, 0.01, 0.1, 1.0, 10.0, 100.0)
POSITIVE_TICKS_MS = (1e-5, 1e-4, 0.001, 0.01, 0.1, 1.0, 10.0, 100.0)


def draw_responses(lines: Mapping[str, Response], title: str) -> Figure:
    """Label -> response; all in one figure. Panels in dB are scaled to what happens between 20 Hz and 20 kHz."""
    reduced = [one for one in lines.values() if one.reduction_db]
    heights = [2.0, 1.1, 1.0, 1.0] if reduced else [2.0, 1.0, 1.0]
    with new_figure(title, HEIGHT_INCH + REDUCTION_INCH * bool(reduced)) as figure:
        panels = list(figure.subplots(len(heights), sharex=True, height_ratios=heights))
        gain, phase, delay = panels[0], panels[-2], panels[-1]
        for (label, one), style in zip(lines.items(), islice(line_styles(), len(lines)), strict=True):
            style |= {"marker": "o", "markersize": 3.0} if len(one.frequency_hz) < FEW else {}
            gain.plot(one.frequency_hz, _re_1khz(one), label=f"{label} ({one.gain_1khz_db:+.2f} dB)", **style)
            phase.plot(one.frequency_hz, one.phase_deg, **style)
            delay.plot(one.frequency_hz, 1e3 * one.group_delay_s, **style)
            if one.reduction_db:
                panels[1].plot(one.frequency_hz, _reduction_re_1khz(one), **style)
        gain.set_ylabel("Gain re 1 kHz (dB)")
        only = next(iter(lines.values())) if len(lines) == 1 else None
        value = "in brackets: gain at 1 kHz" if only is None else f"gain at 1 kHz {only.gain_1khz_db:+.2f} dB"
        gain.set_title(f"shaded: 20 Hz to 20 kHz; {value} re the source", loc="left", color=GREY)
        _scale_decibels(gain, [_in_band(one, _re_1khz(one)) for one in lines.values()])
        if reduced:
            panels[1].set_ylabel("Gain reduction\nre 1 kHz (dB)")
            _scale_decibels(panels[1], [_in_band(one, _reduction_re_1khz(one)) for one in reduced])
        phase.set_ylabel("Phase (deg)")
        phase.yaxis.set_major_locator(MaxNLocator(5, steps=[1.5, 3.0, 4.5, 9.0]))
        _scale_delay(delay, [one.group_delay_s for one in lines.values()])
        for panel in panels:
            plain_log_axis(panel, "x", TICKS_HZ)
            panel.axvspan(*AUDIO_HZ, color="0.965", linewidth=0.0, zorder=0.0)
            panel.set_xlim(*_range(np.concatenate([one.frequency_hz for one in lines.values()])))
        delay.set_xlabel("Frequency (Hz)")
        figure.align_ylabels(panels)
        legend_below(figure, gain, 3)
    return figure


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
    room = max(ROOM * (high - low), 0.5 * LEAST_SPAN_DB)
    panel.set_ylim(low - room, high + room)
    decibel_axis(panel)


def _scale_delay(panel: Axes, delays_s: list[np.ndarray]) -> None:
    panel.set_ylabel("Group delay (ms)")
    known = 1e3 * np.concatenate(delays_s)
    if np.all(known[np.isfinite(known)] > 0.0):
        plain_log_axis(panel, "y", POSITIVE_TICKS_MS)
        return
    panel.set_yscale("symlog", linthresh=LINEAR_MS, linscale=0.5)
    panel.yaxis.set_major_locator(FixedLocator(list(DELAY_TICKS_MS)))
    panel.yaxis.set_minor_locator(NullLocator())
    panel.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}".replace("-", "\u2212")))


def _range(values: np.ndarray) -> tuple[float, float]:
    return float(np.min(values)), float(np.max(values))
