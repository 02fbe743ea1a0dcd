"""Picture of a render: levels in and out, and gain reduction, over time, for each channel.

A log has more rows than its picture needs: levels are shown over 50 ms, so that they do not follow the
waveform, and a long log has fewer columns than rows. Every column shows the mean and the largest of its rows, so
no peak is lost. What lies between rms and peak is a shade for the input and hatched for the output, so that the two
stay apart where they overlap, without colours too.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator
from numpy.typing import NDArray

from fetsim.audio.gain_log import GainLog
from fetsim.report.look.plots import AMBER, BLUE, GREY, WINE, decibel_axis, new_figure

Array = NDArray[np.float64]

LEVEL_INCH, REDUCTION_INCH, EDGES_INCH = 1.9, 1.3, 0.9
COLUMNS = 1000
LEVEL_WINDOW_S, LEAST_LEVELS = 0.05, 100
SHADED: dict[str, Any] = {"facecolor": AMBER, "alpha": 0.45, "linewidth": 0.0}
HATCHED: dict[str, Any] = {"facecolor": "none", "edgecolor": BLUE, "hatch": "/////", "linewidth": 0.0}
MEAN_SHADE = 0.28
SHOWN_RANGE_DB = 60.0
LEAST_REDUCTION_DB = 3.0
MINUTES_FROM_S = 120.0


def draw_render(logs: Sequence[GainLog], title: str, named: Sequence[str] = ()) -> Figure:
    """Two panels a channel: rms and peak level of input and output [dBu], gain reduction [dB]. ``named``: what the
    channels are called, where they are not by their numbers.

    >>> import fetsim
    >>> import numpy as np
    >>> tone = 0.1 * np.sin(0.1 * np.arange(4800))
    >>> done = fetsim.render(tone, 48000, unit="teaching", quality="draft")
    >>> len(fetsim.draw_render(done.logs, "A tone").axes) > 0
    True
    """
    with new_figure(title, EDGES_INCH + len(logs) * (LEVEL_INCH + REDUCTION_INCH)) as figure:
        panels = figure.subplots(
            2 * len(logs), sharex=True, squeeze=False, height_ratios=[LEVEL_INCH, REDUCTION_INCH] * len(logs)
        )[:, 0]
        for number, log in enumerate(logs):
            levels, reduction = panels[2 * number : 2 * number + 2]
            name = named[number].capitalize() if named else f"Channel {number + 1}"
            levels.set_title(name if len(logs) > 1 else "", loc="left")
            _draw_levels(levels, log)
            _draw_reduction(reduction, log)
        _name_time(panels[-1], float(logs[0].time_s[-1]))
        figure.align_ylabels(panels)
    return figure


def draw_on(ax: Axes, logs: Sequence[GainLog]) -> None:
    """The gain reduction of all channels alone."""
    for log in logs:
        _draw_reduction(ax, log)
    _name_time(ax, float(logs[0].time_s[-1]))


def column_starts(rows: int, rows_each: int = 1) -> NDArray[np.int64]:
    """First row of every column of the picture, each at least ``rows_each`` wide."""
    columns = min(COLUMNS, max(rows // rows_each, 1))
    return np.linspace(0, rows, columns, endpoint=False).astype(np.int64)


def _draw_levels(panel: Axes, log: GainLog) -> None:
    rows = len(log.time_s)
    row_s = 2.0 * float(log.time_s[0])
    window_s = min(LEVEL_WINDOW_S, rows * row_s / LEAST_LEVELS)
    starts = column_starts(rows, max(1, round(window_s / row_s)))
    time_s = _means(log.time_s, starts)
    top, bottom, keys = -np.inf, np.inf, []
    for colour, look, rms_dbu, peak_dbu in (
        (AMBER, SHADED, log.input_rms_dbu, log.input_peak_dbu),
        (BLUE, HATCHED, log.output_rms_dbu, log.output_peak_dbu),
    ):
        rms = 10.0 * np.log10(_means(10.0 ** (rms_dbu / 10.0), starts))
        peak = np.maximum.reduceat(peak_dbu, starts)
        shade = panel.fill_between(time_s, rms, peak, step="mid", **look)
        (line,) = panel.plot(time_s, rms, color=colour, drawstyle="steps-mid")
        keys.append((shade, line))
        top, bottom = max(top, float(peak.max())), min(bottom, float(rms.min()))
    panel.set_ylim(max(bottom, top - SHOWN_RANGE_DB) - 2.0, top + 2.0)
    panel.set_ylabel("Level (dBu)")
    each_s = rows * row_s / len(starts)
    each = f"{1e3 * each_s:.0f} ms" if each_s < 1.0 else f"{each_s:.1f} s"
    panel.set_title(f"line: rms over {each}; shade or hatching: up to the peak", loc="right", color=GREY)
    panel.legend(
        keys, ["input", "output"], loc="lower left", bbox_to_anchor=(0.13, 0.99), ncols=2, borderaxespad=0.1
    )
    decibel_axis(panel, count=5)


def _draw_reduction(panel: Axes, log: GainLog) -> None:
    starts = column_starts(len(log.time_s))
    time_s = _means(log.time_s, starts)
    mean = _means(log.gain_reduction_mean_db, starts)
    largest = np.maximum.reduceat(log.gain_reduction_max_db, starts)
    panel.fill_between(time_s, 0.0, mean, color=WINE, alpha=MEAN_SHADE, linewidth=0.0)
    panel.plot(time_s, largest, color=WINE, linewidth=0.9)
    row = int(np.argmax(log.gain_reduction_max_db))
    deepest_db, at_s = float(log.gain_reduction_max_db[row]), float(log.time_s[row])
    caption = "shade: mean; line: largest"
    if deepest_db > 0.0:
        panel.plot(at_s, deepest_db, "o", color=WINE, markersize=4.5, markerfacecolor="white", clip_on=False)
        caption += f"; dot: deepest, {deepest_db:.1f} dB at {_instant(at_s)}"
    panel.set_title(caption, loc="right", color=GREY)
    low = min(0.0, float(mean.min()))
    panel.set_ylim(1.08 * max(float(largest.max()), LEAST_REDUCTION_DB), low)  # downwards, as meters show it
    panel.set_ylabel("Gain reduction\n(dB)")
    decibel_axis(panel, count=5)


def _instant(at_s: float) -> str:
    return f"{at_s:.2f} s" if at_s < MINUTES_FROM_S else f"{int(at_s) // 60}:{at_s % 60.0:04.1f}"


def _name_time(panel: Axes, end_s: float) -> None:
    panel.set_xlim(0.0, end_s)
    if end_s < MINUTES_FROM_S:
        panel.set_xlabel("Time (s)")
        return
    panel.set_xlabel("Time (min:s)")
    panel.xaxis.set_major_locator(MaxNLocator(8, steps=[1, 1.2, 3, 6, 10]))
    panel.xaxis.set_major_formatter(FuncFormatter(lambda t, _: f"{int(t) // 60}:{int(t) % 60:02d}"))


def _means(values: Array, starts: NDArray[np.int64]) -> Array:
    return np.add.reduceat(values, starts) / np.diff([*starts, len(values)])
