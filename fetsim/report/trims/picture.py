"""Picture of an alignment: what each step reads along the way of its trim, what it must be, and where it was set."""

from collections.abc import Mapping

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter

from fetsim.report.look.plots import GREY, SHADE, legend_below, line_styles, new_figure
from fetsim.schematic.alignment import READINGS
from fetsim.schematic.values import format_value
from fetsim.studies.trims.record import Alignment, StepTaken

PANEL_INCH, HEAD_INCH = 2.3, 0.7
SHOWN_DECADES = 4.0  # of a loss, below what it must be


def draw(measured: Mapping[str, Alignment], title: str) -> Figure:
    """Label of the version -> alignment; a panel a step."""
    names = list(dict.fromkeys(one.step.name for alignment in measured.values() for one in alignment.steps))
    with new_figure(title, HEAD_INCH + PANEL_INCH * len(names)) as figure:
        panels = np.atleast_1d(figure.subplots(len(names), 1))
        for panel, name in zip(panels, names, strict=True):
            _draw_step(panel, measured, name)
        legend_below(figure, panels[0], 3)
    return figure


def draw_on(ax: Axes, measured: Mapping[str, Alignment]) -> None:
    """The first step alone."""
    _draw_step(ax, measured, next(iter(measured.values())).steps[0].step.name)


def _draw_step(ax: Axes, measured: Mapping[str, Alignment], name: str) -> None:
    styles = line_styles()
    shown: list[StepTaken] = []
    for label, alignment in measured.items():
        style = next(styles)
        for one in alignment.steps:
            if one.step.name != name:
                continue
            shown.append(one)
            order = np.argsort([*one.swept, one.value])
            values, figures = np.append(one.swept, one.value)[order], np.append(one.figures, one.figure)[order]
            low = _lowest(one)
            ax.plot(values, np.maximum(figures, low), label=label or one.step.read, **style)
            mark = {"color": style["color"], "markersize": 4.0}
            ax.plot(one.value, max(one.figure, low), "o", **mark)
            ax.plot(one.before, max(one.figure_before, low), "D", fillstyle="none", **mark)
    first = shown[0]
    step, quantity = first.step, READINGS[first.step.read].quantity
    if step.must_be is not None:
        ax.axhline(step.must_be, color=GREY, linewidth=0.7)
        if step.accepted is not None:
            ax.axhspan(step.must_be - step.accepted, step.must_be + step.accepted, color=GREY, alpha=SHADE, linewidth=0)
    elif step.accepted is not None:
        ax.axhspan(0.0, step.accepted, color=GREY, alpha=SHADE, linewidth=0)
    if step.read == "loss_at_rest" and step.must_be is not None:
        ax.set_yscale("log")
        ax.set_ylim(bottom=_lowest(first) / 2.0)
    if not first.is_turn and first.value > 0.0 and first.swept[-1] > 10.0 * first.swept[0]:
        ax.set_xscale("log")
    ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: format_value(value, quantity, 3)))
    if not first.is_turn:
        ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: format_value(value, first.quantity, 3)))
    ax.set(ylabel=step.read.replace("_", " "), xlabel=step.set + (" (position)" if first.is_turn else ""))
    ax.set_title(f"{step.name}: dot where it is set, diamond where it stood", loc="left", color=GREY)


def _lowest(one: StepTaken) -> float:
    """What lies lower is drawn there: a loss, on a logarithmic axis, goes over ten decades and more."""
    must_be = one.step.must_be
    return must_be * 10.0**-SHOWN_DECADES if one.step.read == "loss_at_rest" and must_be is not None else -np.inf
