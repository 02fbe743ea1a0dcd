"""Picture of a drawer: gain reduction of every FET over level, its difference, and where the FETs lie as read."""

from collections.abc import Mapping
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter

from fetsim.report.look.plots import GREY, decibel_axis, legend_below, line_styles, new_figure
from fetsim.schematic.values import format_value
from fetsim.studies.drawer.record import Drawer, FetFound

NAMED = 6  # FETs with a colour of their own, the likest first
HEIGHT_INCH = 7.2


def draw(measured: Mapping[str, Drawer], title: str) -> Figure:
    """The one drawer, under whatever label."""
    (found,) = measured.values()
    with new_figure(title, HEIGHT_INCH) as figure:
        curves, apart, plane = figure.subplots(3, 1, height_ratios=(3, 2, 3))
        _curves(curves, found)
        _apart(apart, found)
        _plane(plane, found)
        legend_below(figure, curves, 4)
    return figure


def draw_on(ax: Axes, measured: Mapping[str, Drawer]) -> None:
    """The differences from the reference."""
    (found,) = measured.values()
    _apart(ax, found)


def _styled(found: Drawer) -> list[tuple[FetFound, dict[str, Any]]]:
    """The likest with colours, the others behind them in grey."""
    styles = line_styles()
    named = [(one, {**next(styles), "label": one.fet.name}) for one in found.fets[:NAMED]]
    others = [(one, {"color": "0.8", "linewidth": 0.7, "zorder": 1.5}) for one in found.fets[NAMED:]]
    return [*others, *named]


def _curves(ax: Axes, found: Drawer) -> None:
    for one, style in _styled(found):
        ax.plot(found.level_dbu, one.reduction_db, **style)
    ax.plot(found.level_dbu, found.present.reduction_db, color="black", linewidth=0.8, label=found.reference)
    ax.set(ylabel="Gain reduction (dB)")
    decibel_axis(ax)


def _apart(ax: Axes, found: Drawer) -> None:
    for one, style in _styled(found):
        ax.plot(found.level_dbu, one.reduction_db - found.present.reduction_db, **style)
    ax.axhline(0.0, color="black", linewidth=0.8)
    ax.set(xlabel="Level at the source (dBu)", ylabel=f"Against\n{found.reference} (dB)")


def _plane(ax: Axes, found: Drawer) -> None:
    for one, style in _styled(found):
        ax.plot(one.fet.v_gs_off_v, one.fet.i_dss_a, "o", color=style["color"], markersize=4.0)
        ax.annotate(
            one.fet.name, (one.fet.v_gs_off_v, one.fet.i_dss_a), xytext=(4, 3), textcoords="offset points",
            fontsize=7.0, color=GREY,
        )  # fmt: skip
    present = found.present.fet
    ax.plot(present.v_gs_off_v, present.i_dss_a, "D", color="black", fillstyle="none", markersize=5.0)
    ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: format_value(value, "ampere", 3)))
    ax.set(xlabel="V_GS(off) as read (V)", ylabel="I_DSS")
    ax.set_title(f"the FETs as they were read; diamond: {found.reference}", loc="left", color=GREY)
    ax.margins(0.08)
