"""Picture of a swept trim: second and third harmonic against its value."""

from collections.abc import Mapping

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter

from fetsim.measurements.trim_null.procedure import TrimNull
from fetsim.report.distortion.picture import percent_axis
from fetsim.report.look.plots import GREY, legend_below, line_styles, new_figure
from fetsim.schematic.values import format_value

HEIGHT_INCH = 3.4


def draw(measured: Mapping[str, TrimNull], title: str) -> Figure:
    """Label of the version -> swept trim, in one panel."""
    with new_figure(title, HEIGHT_INCH) as figure:
        panel = figure.subplots()
        draw_on(panel, measured)
        legend_below(figure, panel, 2)
    return figure


def draw_on(ax: Axes, measured: Mapping[str, TrimNull]) -> None:
    """Second (line) and third harmonic (thin) against the value of the trim."""
    for (label, one), style in zip(measured.items(), line_styles(), strict=False):
        name = f"{label}: " if label else ""
        order = np.argsort([*one.value, one.best])
        ax.plot(
            np.append(one.value, one.best)[order], 100.0 * np.append(one.second, one.best_second)[order],
            label=f"{name}second harmonic", **style,
        )  # fmt: skip
        ax.plot(one.value, 100.0 * one.third, label=f"{name}third harmonic", color=style["color"], linewidth=0.7)
        ax.plot(one.best, 100.0 * one.best_second, "o", color=style["color"], markersize=4.0)
        ax.plot(
            one.present, 100.0 * one.present_second, "D", color=style["color"], markersize=4.0, fillstyle="none"
        )
    first = next(iter(measured.values()))
    percent_axis(ax)
    ax.set(ylabel="Over the fundamental", xlabel=first.trimmed + " (position)" * (first.quantity == "plain"))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: format_value(value, first.quantity, 4)))
    ax.set_title("dot: least second harmonic; diamond: the present value", loc="left", color=GREY)
