"""Pictures of the hum: its lines at the output, and the parts that it comes in by."""

from collections.abc import Iterator, Mapping

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fetsim.measurements.hum.procedure import SILENT_DBU, HumMeasurement, HumState
from fetsim.report.look.plots import decibel_axis, legend_below, line_styles, new_figure

HEIGHT_INCH = 3.8
LINES = 20
BELOW_DB = 70.0  # of the loudest line, or of the noise: what is lower is left out
MOST_WAYS = 8


def draw(measured: Mapping[str, HumMeasurement], title: str) -> Figure:
    """Lines on the left; on the right by which parts the hum of the first version at rest comes in."""
    with new_figure(title, HEIGHT_INCH) as figure:
        lines, ways = figure.subplots(1, 2, width_ratios=(3, 2))
        draw_on(lines, measured)
        _draw_ways(ways, measured)
        legend_below(figure, lines)
    return figure


def draw_on(ax: Axes, measured: Mapping[str, HumMeasurement]) -> None:
    """Each line as a stem, those of several versions and states side by side."""
    series = list(_states(measured))
    top = max(level for _, one, _ in series for level in (one.noise_dbu, *(line.level_dbu for line in one.lines)))
    floor, width = top - BELOW_DB, 0.8 / len(series)
    for number, ((name, one, mains_hz), style) in enumerate(zip(series, line_styles(), strict=False)):
        shown = [line for line in one.lines[:LINES] if line.level_dbu > floor]
        place = np.array([line.frequency_hz for line in shown]) + ((number + 0.5) * width - 0.4) * mains_hz
        ax.bar(place, [line.level_dbu - floor for line in shown], 0.9 * width * mains_hz, bottom=floor, label=name,
               color=style["color"])  # fmt: skip
        if number == 0:
            ax.axhline(one.noise_dbu, color="0.45", linewidth=0.8, linestyle=":")
            ax.annotate("noise of the parts", (1.0, one.noise_dbu), xycoords=("axes fraction", "data"), ha="right",
                        va="bottom", fontsize=7.0, color="0.35")  # fmt: skip
    ax.set_xlim(0.0, (LINES + 1) * series[0][2])
    ax.set_ylim(floor, top + 5.0)
    decibel_axis(ax)
    ax.set_xlabel("Frequency (Hz)")
    ax.set_ylabel("Hum at the output (dBu)")


def _draw_ways(ax: Axes, measured: Mapping[str, HumMeasurement]) -> None:
    name, one, _ = next(_states(measured))
    shown = [way for way in one.entries if way.level_dbu > max(one.hum_dbu - BELOW_DB, SILENT_DBU)][:MOST_WAYS]
    if not shown:
        ax.set_axis_off()
        ax.text(0.5, 0.5, "next to no hum comes in", ha="center", transform=ax.transAxes)
        return
    floor = min(way.level_dbu for way in shown) - 10.0
    place = np.arange(len(shown))
    ax.barh(place, [way.level_dbu - floor for way in shown], 0.7, left=floor, color="0.6")
    ax.set_yticks(place, [f"{way.part} from {way.rail}" for way in shown])
    ax.invert_yaxis()
    ax.grid(visible=False, axis="y")
    ax.axvline(one.hum_dbu, color="0.2", linewidth=0.8)
    ax.annotate("all hum", (one.hum_dbu, 1.0), xycoords=("data", "axes fraction"), ha="center", va="bottom",
                fontsize=7.0)  # fmt: skip
    decibel_axis(ax, "x", 5)
    ax.set_xlabel("\n".join(filter(None, ("Brings to the output (dBu)", name))))


def _states(measured: Mapping[str, HumMeasurement]) -> Iterator[tuple[str, HumState, float]]:
    for label, found in measured.items():
        for one in found.states:
            yield ", ".join(filter(None, (label, one.state))), one, found.mains_hz
