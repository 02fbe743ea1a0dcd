"""Picture of suspects: bars of probability and of how much better than a good unit each explains everything; what is
left of each recording over time and frequency; what the recording and each of the first suspects make of the dry sound,
as gain over time and level out by level in; and how far each reading is off what each of them foretells."""

from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from itertools import chain
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure, FigureBase
from matplotlib.ticker import FuncFormatter

from fetsim.engine.assembly import Array
from fetsim.report.look.panels import Panel, stacked
from fetsim.report.look.plots import (
    AMBER,
    BLUE,
    COLOURS,
    GREY,
    decibel_axis,
    legend_below,
    line_styles,
    plain_log_axis,
)
from fetsim.safe_text import printable
from fetsim.studies.suspects.record import Foretold, HeardBefore, Suspicion

MOST_BARS, BAR_INCH, BAR = 20, 0.17, 0.7
LONGEST_NAME = 34
LEAST_SPAN = 0.2
"""Probability that the bars' axis reaches at the least."""
FAR = 5.0
"""Standard deviations beyond which the axis is logarithmic."""
BARS_INCH, LEFT_INCH, CURVES_INCH, READ_INCH = 0.75, 2.2, 3.2, 2.5
WIDTHS, HEIGHTS = (3, 2), (5, 4)
TICKS = (20.0, 100.0, 1e3, 10e3)
MARKERS = "so^vDP"
DASHED = (0, (5, 1.5))
RECORDED: dict[str, Any] = {"color": "0.1", "linewidth": 2.2, "alpha": 0.35, "label": "recorded"}


def draw(measured: Mapping[str, Suspicion], title: str) -> Figure:
    """The one unit, under whatever label."""
    (found,) = measured.values()
    return stacked(title, panels(found))


def panels(found: Suspicion) -> list[Panel]:
    """The bars, what is left of each recording, its curves beside those foretold, and the readings."""
    every = [
        Panel(beside="suspects", height_inch=BAR_INCH * len(_shown(found)) + BARS_INCH,
              caption="How probable each suspect is, and by how many powers of ten it explains everything better than "
              "a good unit does; colours change from group to group.",
              draw=partial(_bars, found=found)),
    ]  # fmt: skip
    for number, one in enumerate(found.heard):
        every.append(Panel(
            beside="heard", height_inch=LEFT_INCH, draw=partial(_left, one=one),
            caption=f"What is left of {one.name} over time and by frequency, as drawn and with the first suspect.",
        ))  # fmt: skip
        if found.foretold:
            every.append(Panel(
                beside="heard", height_inch=CURVES_INCH, draw=partial(_curves, found=found, number=number),
                caption=f"{one.name} beside what the unit as drawn and each of the first suspects foretell: gain over "
                "time, and the curve that the music draws; below, by how much each is off.",
            ))  # fmt: skip
    if found.readings:
        every.append(Panel(
            beside="readings", height_inch=READ_INCH, draw=partial(_read, found=found),
            caption="How far each reading is off what the unit as drawn and each of the first suspects foretell; grey "
            "is two standard deviations either way.",
        ))  # fmt: skip
    return every


def _left(place: FigureBase, one: HeardBefore) -> None:
    time, frequency = place.subplots(1, 2, width_ratios=WIDTHS)
    _time(time, one)
    _frequency(frequency, one)
    legend_below(place, time)


def _curves(place: FigureBase, found: Suspicion, number: int) -> None:
    one = found.heard[number]
    panels = place.subplots(2, 2, width_ratios=WIDTHS, height_ratios=HEIGHTS, sharex="col")
    gains = [(each, each.gains_db[number]) for each in found.foretold]
    _beside(panels[:, 0], one.window_s, one.gain_db, gains)
    panels[0, 0].set(ylabel="Gain (dB)", title="Gain over time, at levels that match")
    panels[1, 0].set(xlabel="Time (s)", ylabel="Off (dB)")
    levels = [(each, each.out_db[number]) for each in found.foretold]
    _beside(panels[:, 1], one.in_db, one.out_db, levels)
    panels[0, 1].set(ylabel="Level out (dB)", title="Curve that the music draws")
    panels[1, 1].set(xlabel="Level in (dBFS)", ylabel="Off (dB)")
    legend_below(place, panels[0, 0], 6)


def _read(place: FigureBase, found: Suspicion) -> None:
    panel = place.subplots()
    _readings(panel, found)
    legend_below(place, panel, 6)


def draw_on(ax: Axes, measured: Mapping[str, Suspicion]) -> None:
    """The bars of probability."""
    (found,) = measured.values()
    _probability(ax, found)


def _shown(found: Suspicion) -> list[tuple[str, float, float, str]]:
    """Name, probability, powers of ten and colour of each bar."""
    every = [("nothing wrong", found.healthy, 0.0, GREY)]
    for number, group in enumerate(found.groups):
        colour = COLOURS[number % len(COLOURS)]
        every += [(_name(one.name), one.probability, one.decades, colour) for one in group.suspects]
    return every[: MOST_BARS + 1]


def _name(name: str) -> str:
    name = printable(name)
    half = (LONGEST_NAME - 3) // 2
    return name if len(name) <= LONGEST_NAME else f"{name[:half]}...{name[-half:]}"


def _bars(place: FigureBase, found: Suspicion) -> None:
    """Probability, and how much better than a good unit, side by side."""
    probability, better = place.subplots(1, 2, sharey=True)
    _probability(probability, found)
    shown = _shown(found)
    better.barh(range(len(shown)), [one[2] for one in shown], color=[one[-1] for one in shown], height=BAR)
    for row, (_, _, decades, _) in enumerate(shown):
        _beside_bar(better, row, decades, f"{round(decades, 1) + 0.0:+.1f}")
    better.axvline(0.0, color=GREY, linewidth=0.8)
    better.tick_params(labelleft=False)
    better.margins(x=0.15)
    better.set(xlabel="Better than a good unit (powers of ten)")


def _probability(ax: Axes, found: Suspicion) -> None:
    """Of health and of each suspect; the groups apart by shade."""
    shown = _shown(found)
    ax.barh(range(len(shown)), [100.0 * one[1] for one in shown], color=[one[-1] for one in shown], height=BAR)
    ax.set_yticks(range(len(shown)), [name for name, *_ in shown])
    for row, (_, chance, _, _) in enumerate(shown):
        _beside_bar(ax, row, 100.0 * chance, f"{100.0 * chance:.1f}")
    ax.invert_yaxis()
    most = 100.0 * max(LEAST_SPAN, *(chance for _, chance, *_ in shown))
    ax.set_xlim(0.0, 1.15 * most)
    ax.set(xlabel="Probability (%)")


def _beside_bar(ax: Axes, row: int, value: float, text: str) -> None:
    """The figure behind the end of its bar."""
    way, side = (1, "left") if value >= 0.0 else (-1, "right")
    ax.annotate(text, (value, row), xytext=(3 * way, 0), textcoords="offset points", ha=side, va="center", fontsize=6.5)


def _time(ax: Axes, one: HeardBefore) -> None:
    ax.plot(one.time_s, one.before_time_db, color=AMBER, linestyle=DASHED, label="as drawn")
    ax.plot(one.time_s, one.after_time_db, color=BLUE, label="with the first suspect")
    ax.axhline(one.noise_db, color=GREY, linewidth=0.8, linestyle=(0, (1.5, 1)), label="noise of the recording")
    decibel_axis(ax)
    ax.set(xlabel="Time (s)", ylabel="Left over (dB re\nits level)", title=_name(one.name))


def _frequency(ax: Axes, one: HeardBefore) -> None:
    ax.plot(one.band_hz, one.before_band_db, color=AMBER, linestyle=DASHED)
    ax.plot(one.band_hz, one.after_band_db, color=BLUE)
    ax.plot(one.band_hz, one.noise_band_db, color=GREY, linewidth=0.8, linestyle=(0, (1.5, 1)))
    plain_log_axis(ax, "x", TICKS)
    decibel_axis(ax)
    ax.set(xlabel="Frequency (Hz)", ylabel="Left over (dB re\nloudest band)")


def _styles(told: Sequence[Foretold]) -> Iterator[dict[str, Any]]:
    """A line for each; the unit as drawn in grey."""
    for one, style in zip(told, chain([{"color": GREY, "linestyle": DASHED}], line_styles()), strict=False):
        yield {**style, "linewidth": 0.9, "label": _name(one.name)}


def _beside(both: Sequence[Axes], along: Array, recorded: Array, told: Sequence[tuple[Foretold, Array]]) -> None:
    """What was recorded and what is foretold, and under it by how much that is off."""
    upper, lower = both
    upper.plot(along, recorded, **RECORDED)
    lower.axhline(0.0, **{**RECORDED, "label": None})
    for (_, curve), style in zip(told, _styles([one for one, _ in told]), strict=True):
        upper.plot(along, curve, **style)
        lower.plot(along, curve - recorded, **style)
    decibel_axis(upper)
    decibel_axis(lower, count=3)


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
        decades = 10.0 ** np.arange(int(np.log10(farthest / FAR)) + 1)
        steps = (FAR * np.outer(decades, (1.0, 2.0))).ravel().tolist()
        ax.set_yticks([*(-one for one in reversed(steps)), 0.0, *steps])
        ax.minorticks_off()
    ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    ax.margins(y=0.1)
    ax.set_xticks(places, [_name(name) for name in names], rotation=45, ha="right")
    ax.set(ylabel="Read less foretold\n(standard deviations)", title="Readings")
