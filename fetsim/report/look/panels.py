"""Pieces of a picture, each of which can stand alone beside the table that it belongs with."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from matplotlib.figure import Figure, FigureBase

from fetsim.report.look.plots import new_figure

Draw = Callable[[FigureBase], None]


@dataclass(frozen=True, kw_only=True)
class Panel:
    """One piece."""

    beside: str
    """Key of the table."""
    caption: str
    height_inch: float
    draw: Draw


def stacked(title: str, panels: Sequence[Panel]) -> Figure:
    """All of them as one picture."""
    heights = [one.height_inch for one in panels]
    with new_figure(title, sum(heights)) as figure:
        places = figure.subfigures(len(panels), 1, height_ratios=heights, squeeze=False)
        for place, one in zip(places[:, 0], panels, strict=True):
            one.draw(place)
    return figure


def alone(panel: Panel) -> Figure:
    """One of them; its caption stands elsewhere."""
    with new_figure("", panel.height_inch) as figure:
        panel.draw(figure)
    return figure
