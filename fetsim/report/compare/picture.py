"""One picture of a comparison: gain reduction of all versions, how loud each is after matching, where each differs."""

from collections.abc import Iterator
from itertools import islice
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fetsim.measurements.traces.checks import Samples
from fetsim.report.look.plots import COLOURS, GREY, decibel_axis, legend_below, line_styles, new_figure
from fetsim.studies.compare.comparison import Comparison, Outline

HEIGHT_INCH = 5.6
SHOWN_RANGE_DB = 36.0
SMOOTHING_S = 0.1  # of the levels; the ear takes about as long to judge one
MARKS, MARK_POINTS, MARK_SPACING = ("", "o", "s", "^"), 3.5, 0.1  # spacing: share of the figure's diagonal
LONGEST_NAME = 48  # characters in the legend


def draw_comparison(comparison: Comparison) -> Figure:
    """Three panels under one time axis; a version that could not be played is left out.

    >>> import fetsim
    >>> import numpy as np, soundfile
    >>> soundfile.write("in.wav", 0.1 * np.sin(0.1 * np.arange(48000)), 48000)
    >>> versions = {"larger": {"C2": "330n"}}
    >>> found = fetsim.compare("in.wav", versions, folder="heard", unit="teaching", quality="draft")
    >>> len(fetsim.draw_comparison(found).axes) > 0
    True
    """
    heard = [one for one in comparison.versions if not one.error]
    with new_figure(_literal(comparison.title), HEIGHT_INCH) as figure:
        reduction, level, difference = figure.subplots(3, sharex=True, height_ratios=[1.2, 1.0, 1.0])
        draw_on(reduction, comparison)
        for one, style in zip(heard, islice(_styles(), len(heard)), strict=True):
            if one.activity is None or one.outline is None:
                continue
            level.plot(*_level_db(one.outline), **style)
            if one.difference is not None and one.difference.audible_at_all:
                difference.plot(*_level_db(one.difference.outline), **style)
        matched = "as they came out" if comparison.matching == "none" else f"matched by {comparison.matching}"
        for panel, title in ((level, f"level in the files, {matched}"), (difference, "what each change adds")):
            panel.set_title(f"{title}; rms over {SMOOTHING_S:g} s", loc="left", color=GREY)
            panel.set_ylabel("Level (dBFS)")
            _limit(panel)
        difference.set_xlim(0.0, comparison.duration_s)
        difference.set_xlabel("Time (s)")
        for panel in (reduction, level, difference):
            decibel_axis(panel)
        figure.align_ylabels()
        legend_below(figure, reduction)
    return figure


def draw_on(ax: Axes, comparison: Comparison) -> None:
    """The gain reduction of the versions that were played alone."""
    heard = [one for one in comparison.versions if not one.error]
    for one, style in zip(heard, _styles(), strict=False):
        if one.activity is not None and one.outline is not None:
            name = one.label if len(one.label) <= LONGEST_NAME else f"{one.label[: LONGEST_NAME - 3]}..."
            ax.plot(one.activity.time_s, one.activity.gain_reduction_mean_db, label=_literal(name), **style)
    ax.invert_yaxis()
    ax.set_ylabel("Gain reduction (dB)")


def _styles() -> Iterator[dict[str, Any]]:
    """As in all figures; marks of their own tell a colour apart from the same one five lines before."""
    for number, style in enumerate(line_styles()):
        mark = MARKS[number // len(COLOURS) % len(MARKS)]
        yield {**style, "marker": mark, "markersize": MARK_POINTS, "markevery": (0.02 * (number % 5), MARK_SPACING)}


def _level_db(shape: Outline) -> tuple[Samples, Samples]:
    """Time and level, smoothed over some columns; a full-scale sine is 0 dBFS."""
    width = max(1, round(SMOOTHING_S / shape.column_s))
    power = np.convolve(2.0 * shape.rms**2, np.ones(width), "same")
    power /= np.convolve(np.ones(len(shape.rms)), np.ones(width), "same")
    time_s = np.asarray(np.arange(len(power)) + 0.5, dtype=np.float64) * shape.column_s
    return time_s, 10.0 * np.log10(np.maximum(power, 1e-20))


def _limit(panel: Axes) -> None:
    """From the loudest instant down as far as it matters."""
    drawn = [float(np.max(line.get_ydata())) for line in panel.lines]
    if drawn:
        panel.set_ylim(max(drawn) - SHOWN_RANGE_DB, max(drawn) + 2.0)


def _literal(text: str) -> str:
    """A user's text as it is, without formulas; a leading underscore would hide it from the legend."""
    shown = text.replace("$", r"\$")
    return f" {shown}" if shown.startswith("_") else shown
