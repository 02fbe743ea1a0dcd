"""Picture of sensitivities: for each figure the values that move it most, as bars to either side."""

from collections.abc import Mapping

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fetsim.measurements.sensitivity.procedure import SensitivityMeasurement, SmallFigure
from fetsim.measurements.sensitivity.tables import FIGURES, LARGEST, scaled
from fetsim.report.look.plots import AMBER, BLUE, GREY, new_figure

PANELS_A_ROW = 2
PANEL_INCH, HEAD_INCH = 2.0, 0.5


def draw(measured: Mapping[str, SensitivityMeasurement], title: str) -> Figure:
    """A panel for each figure of each version that any value moves."""
    panels = [(label, one, figure) for label, one in measured.items() for figure in one.figures if any(scaled(figure))]
    rows = max(1, -(-len(panels) // PANELS_A_ROW))
    with new_figure(title, HEAD_INCH + PANEL_INCH * rows) as picture:
        axes = np.atleast_1d(picture.subplots(rows, PANELS_A_ROW)).ravel()
        for ax, (label, one, figure) in zip(axes, panels, strict=False):
            _bars(ax, one, figure, label)
        for ax in axes[len(panels) :]:
            ax.set_visible(False)
        if not panels:
            picture.text(0.01, 0.5, "No value moves anything but volts at rest.")
    return picture


def draw_on(ax: Axes, measured: Mapping[str, SensitivityMeasurement]) -> None:
    """The first version's gain alone."""
    label, one = next(iter(measured.items()))
    _bars(ax, one, one.figures[0], label)


def _bars(ax: Axes, one: SensitivityMeasurement, figure: SmallFigure, label: str) -> None:
    names, moves = list(one.values), scaled(figure)
    order = [k for k in np.argsort(-np.abs(moves), kind="stable")[:LARGEST] if moves[k] != 0.0][::-1]
    by = [float(moves[k]) for k in order]
    ax.barh([names[k] for k in order], by, color=[BLUE if move > 0.0 else AMBER for move in by], height=0.65)
    ax.axvline(0.0, color=GREY, linewidth=0.6)
    heading, unit = FIGURES[figure.key]
    ax.set_title(f"{label}: {heading}" if label else heading, loc="left", color=GREY)
    ax.set_xlabel(f"1 % more moves it by ({unit})")
    ax.set_ylim(len(order) - LARGEST - 0.4, len(order) - 0.4)
    ax.grid(axis="y", visible=False)
    ax.locator_params(axis="x", nbins=5)
