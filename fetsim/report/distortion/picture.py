"""Pictures of distortion: against level and gain reduction."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

from fetsim.measurements.distortion.procedure import DistortionMeasurement, DistortionPoint
from fetsim.measurements.distortion.tables import LEAST_SHOWN
from fetsim.report.look.plots import GREY, decibel_axis, legend_below, line_styles, new_figure

HEIGHT_INCH, MORE_INCH = 3.8, 2.4
THD_KEY = "dots: THD; thin: second harmonic; dotted: third"
ROOM = 3.0  # below the least THD, for the larger ones of its harmonics


def draw(measured: Mapping[str, DistortionMeasurement], title: str) -> Figure:
    """THD with its second and third harmonic; intermodulation and THD+N below, where there are any."""
    more = [label for label, one in measured.items() if one.two_tones or one.with_noise]
    with new_figure(title, HEIGHT_INCH + MORE_INCH * bool(more)) as figure:
        panels = figure.subplots(1 + bool(more), 2, sharey="row", squeeze=False)
        level, reduction = panels[0]
        _draw_levels(level, measured, "level_dbu")
        _draw_levels(reduction, measured, "gain_reduction_db")
        _name_levels(level)
        if more:
            _draw_more(panels[1], {label: measured[label] for label in more})
        panels[-1][0].set_xlabel("Input (dBu)")
        panels[-1][1].set_xlabel("Gain reduction (dB)")
        for panel in panels.flat:
            decibel_axis(panel, "x")
        legend_below(figure, level)
    return figure


def draw_on(ax: Axes, measured: Mapping[str, DistortionMeasurement]) -> None:
    """THD with its second and third harmonic against the level alone."""
    _draw_levels(ax, measured, "level_dbu")
    _name_levels(ax)
    ax.set_xlabel("Input (dBu)")
    decibel_axis(ax, "x")


def _draw_levels(panel: Axes, measured: Mapping[str, DistortionMeasurement], x: str) -> None:
    for (name, points), style in zip(_lines(measured).items(), line_styles(), strict=False):
        draw_harmonics(panel, [getattr(p, x) for p in points], points, name, style)


def _name_levels(panel: Axes) -> None:
    percent_axis(panel)
    panel.set_ylabel("Over the fundamental")
    panel.set_title(THD_KEY, loc="left", color=GREY)


def _draw_more(panels: Sequence[Axes], measured: Mapping[str, DistortionMeasurement]) -> None:
    """Intermodulation (sums) and THD+N of each version, against level and gain reduction."""
    for one, style in zip(measured.values(), line_styles(), strict=False):
        colour = style["color"]
        for x, panel in (("level_dbu", panels[0]), ("gain_reduction_db", panels[1])):
            at = [getattr(p, x) for p in one.two_tones]
            panel.plot(at, [100.0 * p.smpte.summed for p in one.two_tones], "-", color=colour, linewidth=0.8)
            panel.plot(at, [100.0 * p.difference_tone.summed for p in one.two_tones], ":", color=colour)
            panel.plot(
                [getattr(p, x) for p in one.with_noise], [100.0 * p.ratio for p in one.with_noise],
                marker="o", markersize=2.5, **style,
            )  # fmt: skip
    percent_axis(panels[0])
    panels[0].set_ylabel("Ratio")
    panels[0].set_title("dots: THD+N; thin: SMPTE; dotted: difference tone", loc="left", color=GREY)


def _lines(measured: Mapping[str, DistortionMeasurement]) -> dict[str, list[DistortionPoint]]:
    """Points of one frequency under the name of their line: version and frequency, where there are several."""
    found: dict[str, list[DistortionPoint]] = {}
    for label, one in measured.items():
        several = len({point.frequency_hz for point in one.tones}) > 1
        for point in one.tones:
            name = ", ".join(filter(None, (label, f"{point.frequency_hz:.6g} Hz" if several else "")))
            found.setdefault(name or one.provenance.unit, []).append(point)
    return found


def draw_harmonics(
    panel: Axes, x: Sequence[float], points: Sequence[DistortionPoint], name: str, style: Mapping[str, Any]
) -> None:
    """THD as a named line, second and third harmonic as thin ones of its colour."""
    panel.plot(x, [100.0 * p.thd_f for p in points], label=name, marker="o", markersize=2.5, **style)
    for order, dashes in ((2, "-"), (3, ":")):
        share = [100.0 * p.harmonic[order - 2] for p in points if p.harmonic.size > order - 2]
        panel.plot(x[: len(share)], share, dashes, color=style["color"], linewidth=0.8)


def _percent(value: float) -> str:
    """``0.00001 %``: never in powers of ten."""
    return f"{np.format_float_positional(float(f'{value:.3g}'), trim='-')} %"


def percent_axis(panel: Axes) -> None:
    """A logarithmic axis of ratios in per cent, down to the least of the named lines (of all, where none has a name):
    harmonics far below their THD would leave little room for it."""
    panel.set_yscale("log")
    named = [line for line in panel.lines if not str(line.get_label()).startswith("_")] or panel.lines
    drawn = [float(y) for line in named for y in np.asarray(line.get_ydata()) if y > 100.0 * LEAST_SHOWN]
    high = panel.get_ylim()[1]
    low = min(drawn, default=high) / ROOM
    panel.set_ylim(low, high)
    subs = (1.0, 2.0, 5.0) if high < 200.0 * low else (1.0,)
    panel.yaxis.set_major_locator(LogLocator(base=10.0, subs=subs, numticks=20))
    panel.yaxis.set_major_formatter(FuncFormatter(lambda value, _: _percent(value)))
    panel.yaxis.set_minor_formatter(NullFormatter())
