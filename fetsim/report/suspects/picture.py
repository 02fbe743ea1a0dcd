"""Picture of suspects: evidence bars, what is left of each recording over time and frequency, readings against what the
first suspect would give."""

from collections.abc import Mapping

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter

from fetsim.report.look.plots import AMBER, BLUE, GREY, decibel_axis, legend_below, new_figure, plain_log_axis
from fetsim.studies.suspects.record import HeardBefore, Suspicion

BARS = 8
FAR = 5.0
"""Standard deviations beyond which the axis is logarithmic."""
BARS_INCH, HEARD_INCH, READ_INCH = 2.4, 2.0, 2.0
TICKS = (20.0, 100.0, 1e3, 10e3)


def draw(measured: Mapping[str, Suspicion], title: str) -> Figure:
    """The one unit, under whatever label."""
    (found,) = measured.values()
    rows = [BARS_INCH, *(HEARD_INCH for _ in found.heard), *([READ_INCH] if found.readings else [])]
    with new_figure(title, sum(rows) + 0.6) as figure:
        grid = figure.add_gridspec(len(rows), 2, height_ratios=rows)
        _bars(figure.add_subplot(grid[0, :]), found)
        for row, one in enumerate(found.heard, start=1):
            first = figure.add_subplot(grid[row, 0])
            _time(first, one)
            _frequency(figure.add_subplot(grid[row, 1]), one)
            if row == 1:
                legend_below(figure, first, 3)
        if found.readings:
            _readings(figure.add_subplot(grid[len(rows) - 1, :]), found)
    return figure


def draw_on(ax: Axes, measured: Mapping[str, Suspicion]) -> None:
    """The bars."""
    (found,) = measured.values()
    _bars(ax, found)


def _bars(ax: Axes, found: Suspicion) -> None:
    """Probability of each suspect, the groups apart by shade, and of health."""
    every = [("nothing wrong", found.healthy, GREY)]
    for number, group in enumerate(found.groups):
        every += [(one.name, one.probability, BLUE if number % 2 == 0 else AMBER) for one in group.suspects]
    shown = every[: BARS + 1]
    places = np.arange(len(shown))
    ax.barh(places, [100.0 * chance for _, chance, _ in shown], color=[colour for _, _, colour in shown], height=0.7)
    ax.set_yticks(places, [name for name, _, _ in shown])
    for place, (_, chance, _) in zip(places, shown, strict=True):
        ax.annotate(f"{100.0 * chance:.1f} %", (100.0 * chance, place), xytext=(3, 0), textcoords="offset points",
                    va="center", fontsize=7.0)  # fmt: skip
    ax.invert_yaxis()
    ax.set_xlim(0.0, 112.0)
    ax.set(xlabel="Probability (%); colours change from group to group", title="Suspects")


def _time(ax: Axes, one: HeardBefore) -> None:
    ax.plot(one.time_s, one.before_time_db, color=AMBER, linestyle=(0, (5, 1.5)), label="as drawn")
    ax.plot(one.time_s, one.after_time_db, color=BLUE, label="with the first suspect")
    ax.axhline(one.noise_db, color=GREY, linewidth=0.8, linestyle=(0, (1.5, 1)), label="noise of the recording")
    decibel_axis(ax)
    ax.set(xlabel="Time (s)", ylabel="Left over (dB re its level)", title=one.name)


def _frequency(ax: Axes, one: HeardBefore) -> None:
    ax.plot(one.band_hz, one.before_band_db, color=AMBER, linestyle=(0, (5, 1.5)))
    ax.plot(one.band_hz, one.after_band_db, color=BLUE)
    ax.plot(one.band_hz, one.noise_band_db, color=GREY, linewidth=0.8, linestyle=(0, (1.5, 1)))
    plain_log_axis(ax, "x", TICKS)
    decibel_axis(ax)
    ax.set(xlabel="Frequency (Hz)", ylabel="Left over (dB re loudest band)")


def _readings(ax: Axes, found: Suspicion) -> None:
    """How far off each reading is, in its accuracy, before and after."""
    names = [name for name, *_ in found.readings]
    places = np.arange(len(names))
    drawn = [(value - before) / accuracy for _, value, accuracy, before, *_ in found.readings]
    suspect = [(value - after) / accuracy for _, value, accuracy, _, after, _ in found.readings]
    for offset, off, colour, marker, label in (
        (-0.12, drawn, AMBER, "s", "as drawn"), (0.12, suspect, BLUE, "o", "with the first suspect"),
    ):  # fmt: skip
        ax.plot(places + offset, off, marker, color=colour, markersize=4.0, label=label)
    ax.axhspan(-2.0, 2.0, color="0.93")
    farthest = max(map(abs, [*drawn, *suspect]))
    if farthest > FAR:
        ax.set_yscale("symlog", linthresh=FAR)
    ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    ax.margins(y=0.1)
    ax.set_xticks(places, names, rotation=45, ha="right")
    ax.set(ylabel="Off (standard deviations)", title="Readings")
