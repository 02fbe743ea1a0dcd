"""Picture of suspects: bars of probability and evidence; what is left of each recording over time and frequency; what
the recording and each of the first suspects make of the dry sound, as gain over time and level out by level in; and how
far each reading is off what each of them foretells."""

from collections.abc import Iterator, Mapping, Sequence
from itertools import chain
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.gridspec import SubplotSpec
from matplotlib.ticker import FuncFormatter

from fetsim.engine.assembly import Array
from fetsim.report.look.plots import (
    AMBER,
    BLUE,
    GREY,
    decibel_axis,
    legend_below,
    line_styles,
    new_figure,
    plain_log_axis,
)
from fetsim.safe_text import printable
from fetsim.studies.suspects.record import Foretold, HeardBefore, Suspicion

MOST_BARS, BAR_INCH = 20, 0.17
LONGEST_NAME = 34
LEAST_SPAN = 0.2
"""Probability that the bars' axis reaches at the least."""
FAR = 5.0
"""Standard deviations beyond which the axis is logarithmic."""
LEFT_INCH, GAIN_INCH, OFF_INCH, READ_INCH = 1.9, 1.5, 1.2, 2.1
TICKS = (20.0, 100.0, 1e3, 10e3)
MARKERS = "so^vDP"
DASHED = (0, (5, 1.5))
RECORDED: dict[str, Any] = {"color": "0.1", "linewidth": 2.2, "alpha": 0.35, "label": "recorded"}


def draw(measured: Mapping[str, Suspicion], title: str) -> Figure:
    """The one unit, under whatever label."""
    (found,) = measured.values()
    bars = BAR_INCH * len(_shown(found)) + 0.75
    curves = [GAIN_INCH, OFF_INCH] if found.foretold else []
    rows = [bars, *(inch for _ in found.heard for inch in (LEFT_INCH, *curves)),
            *([READ_INCH] if found.readings else [])]  # fmt: skip
    with new_figure(title, sum(rows) + 0.9) as figure:
        grid = figure.add_gridspec(len(rows), 5, height_ratios=rows)
        _bars(figure.add_subplot(grid[0, :]), found)
        row, named = 1, None
        for number, one in enumerate(found.heard):
            first = figure.add_subplot(grid[row, :3])
            _time(first, one)
            _frequency(figure.add_subplot(grid[row, 3:]), one)
            if number == 0:
                first.legend(loc="best", fontsize=6.5)
            row += 1
            if curves:
                gains = [(each, each.gains_db[number]) for each in found.foretold]
                named = _beside(figure, grid[row : row + 2, :3], one.window_s, one.gain_db, gains)
                named.set(ylabel="Gain (dB)", title="Gain over time, at levels that match")
                figure.axes[-1].set(xlabel="Time (s)", ylabel="Off (dB)")
                levels = [(each, each.out_db[number]) for each in found.foretold]
                curve = _beside(figure, grid[row : row + 2, 3:], one.in_db, one.out_db, levels)
                curve.set(ylabel="Level out (dB)", title="Curve that the music draws")
                figure.axes[-1].set(xlabel="Level in (dBFS)", ylabel="Off (dB)")
                row += 2
        if found.readings:
            last = figure.add_subplot(grid[row, :])
            _readings(last, found)
            named = last if named is None else named
        if named is not None:
            legend_below(figure, named, 6)
    return figure


def draw_on(ax: Axes, measured: Mapping[str, Suspicion]) -> None:
    """The bars."""
    (found,) = measured.values()
    _bars(ax, found)


def _shown(found: Suspicion) -> list[tuple[str, float, float, str]]:
    """Name, probability, evidence and colour of each bar."""
    every = [("nothing wrong", found.healthy, 0.0, GREY)]
    for number, group in enumerate(found.groups):
        colour = BLUE if number % 2 == 0 else AMBER
        every += [(_name(one.name), one.probability, one.log_evidence, colour) for one in group.suspects]
    return every[: MOST_BARS + 1]


def _name(name: str) -> str:
    name = printable(name)
    half = (LONGEST_NAME - 3) // 2
    return name if len(name) <= LONGEST_NAME else f"{name[:half]}...{name[-half:]}"


def _bars(ax: Axes, found: Suspicion) -> None:
    """Probability of health and of each suspect, with its evidence in figures; the groups apart by shade."""
    shown = _shown(found)
    places = np.arange(len(shown))
    ax.barh(places, [100.0 * chance for _, chance, _, _ in shown], color=[one[-1] for one in shown], height=0.7)
    ax.set_yticks(places, [name for name, *_ in shown])
    for place, (_, chance, evidence, _) in zip(places, shown, strict=True):
        told = f"{100.0 * chance:.1f} %, {round(evidence, 1) + 0.0:+.1f} nat"
        ax.annotate(told, (100.0 * chance, place), xytext=(3, 0), textcoords="offset points", va="center", fontsize=6.5)
    ax.invert_yaxis()
    most = 100.0 * max(LEAST_SPAN, *(chance for _, chance, *_ in shown))
    ax.set_xlim(0.0, 1.25 * most)
    ax.set(xlabel="Probability (%), and evidence over nothing wrong; colours change from group to group",
           title="Suspects")  # fmt: skip


def _time(ax: Axes, one: HeardBefore) -> None:
    ax.plot(one.time_s, one.before_time_db, color=AMBER, linestyle=DASHED, label="as drawn")
    ax.plot(one.time_s, one.after_time_db, color=BLUE, label="with the first suspect")
    ax.axhline(one.noise_db, color=GREY, linewidth=0.8, linestyle=(0, (1.5, 1)), label="noise of the recording")
    decibel_axis(ax)
    ax.set(xlabel="Time (s)", ylabel="Left over (dB re its level)", title=_name(one.name))


def _frequency(ax: Axes, one: HeardBefore) -> None:
    ax.plot(one.band_hz, one.before_band_db, color=AMBER, linestyle=DASHED)
    ax.plot(one.band_hz, one.after_band_db, color=BLUE)
    ax.plot(one.band_hz, one.noise_band_db, color=GREY, linewidth=0.8, linestyle=(0, (1.5, 1)))
    plain_log_axis(ax, "x", TICKS)
    decibel_axis(ax)
    ax.set(xlabel="Frequency (Hz)", ylabel="Left over (dB re loudest band)")


def _styles(told: Sequence[Foretold]) -> Iterator[dict[str, Any]]:
    """A line for each; the unit as drawn in grey."""
    for one, style in zip(told, chain([{"color": GREY, "linestyle": DASHED}], line_styles()), strict=False):
        yield {**style, "linewidth": 0.9, "label": _name(one.name)}


def _beside(
    figure: Figure, place: SubplotSpec, along: Array, recorded: Array, told: Sequence[tuple[Foretold, Array]]
) -> Axes:
    """What was recorded and what is foretold, and under it by how much that is off."""
    grid, rows, columns = place.get_gridspec(), place.rowspan, place.colspan
    across = slice(columns.start, columns.stop)
    upper = figure.add_subplot(grid[rows.start, across])
    lower = figure.add_subplot(grid[rows.start + 1, across], sharex=upper)
    upper.plot(along, recorded, **RECORDED)
    lower.axhline(0.0, **{**RECORDED, "label": None})
    for (_, curve), style in zip(told, _styles([one for one, _ in told]), strict=True):
        upper.plot(along, curve, **style)
        lower.plot(along, curve - recorded, **style)
    upper.tick_params(labelbottom=False)
    decibel_axis(upper)
    decibel_axis(lower, count=3)
    return upper


def _readings(ax: Axes, found: Suspicion) -> None:
    """How far off each reading is, in its accuracy, from what each suspect foretells."""
    names = [name for name, *_ in found.readings]
    places = np.arange(len(names))
    told = found.foretold or (Foretold(name="as drawn", readings=tuple(one[3] for one in found.readings), gains_db=(),
                                       out_db=()),)  # fmt: skip
    farthest = 0.0
    for number, (one, style) in enumerate(zip(told, _styles(told), strict=True)):
        off = [
            (value - foretold) / accuracy
            for (_, value, accuracy, *_), foretold in zip(found.readings, one.readings, strict=True)
        ]
        farthest = max([farthest, *map(abs, off)])
        aside = 0.6 * ((number + 0.5) / len(told) - 0.5)
        ax.plot(places + aside, off, MARKERS[number % len(MARKERS)], color=style["color"], markersize=3.5,
                label=style["label"])  # fmt: skip
    ax.axhspan(-2.0, 2.0, color="0.93")
    if farthest > FAR:
        ax.set_yscale("symlog", linthresh=FAR)
    ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    ax.margins(y=0.1)
    ax.set_xticks(places, [_name(name) for name in names], rotation=45, ha="right")
    ax.set(ylabel="Read less foretold\n(standard deviations)", title="Readings")
