"""Picture of static curves: output, gain reduction and local ratio against the input level."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fetsim.measurements.curve.analysis import LOW_THRESHOLD_DB
from fetsim.measurements.curve.procedure import CurveMeasurement, SubsetCurve
from fetsim.measurements.curve.tables import named_curves
from fetsim.report.look.plots import (
    GREY,
    decibel_axis,
    legend_below,
    line_styles,
    new_figure,
    plain_log_axis,
)

HEIGHT_INCH = 5.2
LARGEST_SHOWN = 50.0  # ratio; above it, or where the output falls, the line runs along the top
RATIO_TICKS = (1.0, 2.0, 3.0, 5.0, 10.0, 20.0, 50.0)
HEADROOM_DB = 6.0  # above the highest output


def draw(measured: Mapping[str, CurveMeasurement], title: str) -> Figure:
    """Label of the version -> measurement; all curves in one figure."""
    curves = named_curves(measured)
    with new_figure(title, HEIGHT_INCH) as figure:
        grid = figure.add_gridspec(2, 2, width_ratios=[1.25, 1.0])
        transfer = figure.add_subplot(grid[:, 0])
        reduction = figure.add_subplot(grid[0, 1])
        ratio = figure.add_subplot(grid[1, 1], sharex=reduction)
        for (label, one), style in zip(curves.items(), line_styles(), strict=False):
            _draw_transfer(transfer, one, label, style)
            _draw_reduction(one, style, reduction, ratio)
        _name_transfer(transfer, curves)
        _name_reduction(reduction, ratio)
        legend_below(figure, transfer)
    return figure


def draw_on(ax: Axes, measured: Mapping[str, CurveMeasurement]) -> None:
    """Output against input level alone."""
    curves = named_curves(measured)
    for (label, one), style in zip(curves.items(), line_styles(), strict=False):
        _draw_transfer(ax, one, label, style)
    _name_transfer(ax, curves)


def _draw_transfer(transfer: Axes, one: SubsetCurve, label: str, style: dict[str, Any]) -> None:
    curve = one.curve
    x, y = curve.level_dbu, curve.output_dbu
    transfer.plot(x, y, label=label, **style)
    if curve.threshold_half_db_dbu is not None:
        at = curve.threshold_half_db_dbu
        transfer.plot(at, np.interp(at, x, y), "o", color=style["color"], markersize=4.0)
    transfer.plot(x, x + one.idle_gain_db, color=GREY, linewidth=0.6, zorder=1.0)


def _draw_reduction(one: SubsetCurve, style: dict[str, Any], reduction: Axes, ratio: Axes) -> None:
    curve = one.curve
    reduction.plot(curve.level_dbu, curve.gain_reduction_db, **style)
    ratio.plot(curve.middle_in_dbu, 1.0 / np.maximum(curve.slope, 1.0 / LARGEST_SHOWN), **style)


def _name_transfer(transfer: Axes, curves: Mapping[str, SubsetCurve]) -> None:
    top_dbu = max(float(np.max(one.curve.output_dbu)) for one in curves.values())
    transfer.set(xlabel="Input (dBu)", ylabel="Output (dBu)")
    transfer.set_title(f"dot: {LOW_THRESHOLD_DB:g} dB of gain reduction; thin: gain at rest", loc="left", color=GREY)
    transfer.set_ylim(transfer.get_ylim()[0], top_dbu + HEADROOM_DB)
    _decibels(transfer, "xy")


def _name_reduction(reduction: Axes, ratio: Axes) -> None:
    reduction.set_ylabel("Gain reduction (dB)")
    reduction.tick_params(labelbottom=False)
    ratio.set(xlabel="Input (dBu)", ylabel="Local ratio (dB per dB)", ylim=(0.9, 1.1 * LARGEST_SHOWN))
    plain_log_axis(ratio, "y", RATIO_TICKS)
    _decibels(reduction, "xy")
    _decibels(ratio, "x")


def _decibels(panel: Axes, axes: str) -> None:
    decibel_axis(panel, "x")
    panel.margins(x=0.02)
    if "y" in axes:
        decibel_axis(panel, "y", 8)
