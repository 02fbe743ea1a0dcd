"""Picture of static curves: output, gain reduction and local ratio against the input level."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fetsim.measurements.curve.analysis import LOW_THRESHOLD_DB
from fetsim.measurements.curve.procedure import SubsetCurve
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


def draw_curves(curves: Mapping[str, SubsetCurve], title: str) -> Figure:
    """Label -> curve; all in one figure."""
    with new_figure(title, HEIGHT_INCH) as figure:
        grid = figure.add_gridspec(2, 2, width_ratios=[1.25, 1.0])
        transfer = figure.add_subplot(grid[:, 0])
        reduction = figure.add_subplot(grid[0, 1])
        ratio = figure.add_subplot(grid[1, 1], sharex=reduction)
        for (label, one), style in zip(curves.items(), line_styles(), strict=False):
            _draw(one, label, style, transfer, reduction, ratio)
        _name(transfer, reduction, ratio, max(float(np.max(one.curve.output_dbu)) for one in curves.values()))
        legend_below(figure, transfer)
    return figure


def _draw(one: SubsetCurve, label: str, style: dict[str, Any], transfer: Axes, reduction: Axes, ratio: Axes) -> None:
    curve = one.curve
    x, y = curve.level_dbu, curve.output_dbu
    transfer.plot(x, y, label=label, **style)
    reduction.plot(x, curve.gain_reduction_db, **style)
    ratio.plot(curve.middle_in_dbu, 1.0 / np.maximum(curve.slope, 1.0 / LARGEST_SHOWN), **style)
    if curve.threshold_half_db_dbu is not None:
        at = curve.threshold_half_db_dbu
        transfer.plot(at, np.interp(at, x, y), "o", color=style["color"], markersize=4.0)
    transfer.plot(x, x + one.idle_gain_db, color=GREY, linewidth=0.6, zorder=1.0)


def _name(transfer: Axes, reduction: Axes, ratio: Axes, top_dbu: float) -> None:
    transfer.set(xlabel="Input (dBu)", ylabel="Output (dBu)")
    transfer.set_title(f"dot: {LOW_THRESHOLD_DB:g} dB of gain reduction; thin line: none", loc="left", color=GREY)
    transfer.set_ylim(transfer.get_ylim()[0], top_dbu + HEADROOM_DB)
    reduction.set_ylabel("Gain reduction (dB)")
    reduction.tick_params(labelbottom=False)
    ratio.set(xlabel="Input (dBu)", ylabel="Local ratio (dB per dB)", ylim=(0.9, 1.1 * LARGEST_SHOWN))
    plain_log_axis(ratio, "y", RATIO_TICKS)
    for panel in (transfer, reduction, ratio):
        decibel_axis(panel, "x")
        panel.margins(x=0.02)
    for panel in (transfer, reduction):
        decibel_axis(panel, "y", 8)
