"""Picture of a unit at rest: where the heat is, and how much of their ratings parts use."""

from collections.abc import Mapping

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fetsim.measurements.idle.procedure import NEAR, IdlePoint
from fetsim.report.look.plots import COLOURS, GREY, legend_below, new_figure

HEIGHT_INCH = 3.6
SHOWN = 10  # bars in a panel
GROUP = 0.78  # height of the bars of one part, of the distance between two


def draw(measured: Mapping[str, IdlePoint], title: str) -> Figure:
    """Label of the version -> its point of rest."""
    with new_figure(title, HEIGHT_INCH) as figure:
        heat, ratings = figure.subplots(1, 2)
        draw_on(heat, measured)
        used = {
            label: {
                f"{one.designator} {one.rating}": 100.0 * one.share for part in point.parts for one in part.loadings
            }
            for label, point in measured.items()
        }
        _bars(ratings, used)
        ratings.axvline(100.0 * NEAR, color=GREY, linewidth=0.8, linestyle=":")
        ratings.axvline(100.0, color=GREY, linewidth=0.8)
        ratings.set_xlabel(f"Used of a rating (%); dotted: {100.0 * NEAR:.0f} %")
        legend_below(figure, heat)
    return figure


def draw_on(ax: Axes, measured: Mapping[str, IdlePoint]) -> None:
    """The warmest parts alone."""
    heat = {
        label: {part.designator: 1e3 * part.dissipation_w for part in point.parts} for label, point in measured.items()
    }
    _bars(ax, heat)
    ax.set_xlabel("Heat (mW)")


def _bars(panel: Axes, tables: Mapping[str, Mapping[str, float]]) -> None:
    """Label -> name -> amount; the largest of all, one group of bars for each name."""
    most = {name: max(table.get(name, 0.0) for table in tables.values()) for table in tables.values() for name in table}
    names = [name for name in sorted(most, key=lambda name: -most[name]) if most[name] > 0.0][:SHOWN]
    height = GROUP / len(tables)
    for number, (label, table) in enumerate(tables.items()):
        at = np.arange(len(names)) - 0.5 * GROUP + (number + 0.5) * height
        colour = COLOURS[number % len(COLOURS)]
        panel.barh(at, [table.get(name, 0.0) for name in names], height, color=colour, linewidth=0.0, label=label)
    panel.set_yticks(range(len(names)), names)
    panel.invert_yaxis()
    panel.grid(axis="y", visible=False)
