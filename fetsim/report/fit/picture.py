"""Picture of a fit: what is left over of each recording by time and frequency, as in the file and fitted."""

from collections.abc import Mapping

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import QuadMesh
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter

from fetsim.engine.assembly import Array
from fetsim.report.look.plots import new_figure, short
from fetsim.studies.fit.record import Fit, Residual

HEIGHT_INCH, READINGS_INCH = 3.2, 2.6
LOWEST_DB, HIGHEST_DB = -90.0, -10.0
COLOURS = "cividis"
"""Perceived as even, by those too who do not see red and green apart."""


def draw(measured: Mapping[str, Fit], title: str) -> Figure:
    """A row for each recording, and one for the readings where there are any."""
    (found,) = measured.values()
    rows = len(found.recordings) + bool(found.readings)
    heights = [HEIGHT_INCH] * len(found.recordings) + [READINGS_INCH] * bool(found.readings)
    with new_figure(title, sum(heights)) as figure:
        grid = figure.add_gridspec(rows, 2, height_ratios=heights)
        for row, one in enumerate(found.recordings):
            before = ("as in the file", one.before_cells_db, one.before_db)
            pair = (before, ("fitted", one.after_cells_db, one.after_db))
            panels = []
            for column, (label, cells, level_db) in enumerate(pair):
                ax = figure.add_subplot(grid[row, column])
                mesh = _map(ax, one, cells)
                ax.set_title(f"{one.name}, {label}: {level_db:.1f} dB", loc="left")
                panels.append(ax)
            figure.colorbar(mesh, ax=panels, label="Left over (dB)", extend="both")
        if found.readings:
            _readings(figure.add_subplot(grid[rows - 1, :]), found)
    return figure


def draw_on(ax: Axes, measured: Mapping[str, Fit]) -> None:
    """What is left over of the first recording, fitted; of readings alone how far they are off."""
    (found,) = measured.values()
    if found.recordings:
        _map(ax, found.recordings[0], found.recordings[0].after_cells_db)
    else:
        _readings(ax, found)


def _map(ax: Axes, one: Residual, cells: Array) -> QuadMesh:
    times = one.slice_s * np.arange(len(cells) + 1)
    mesh = ax.pcolormesh(times, one.edges_hz, cells.T, cmap=COLOURS, vmin=LOWEST_DB, vmax=HIGHEST_DB)
    ax.set_yscale("log")
    ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: short(value)))
    ax.set(xlabel="Time (s)", ylabel="Frequency (Hz)")
    return mesh


def _readings(ax: Axes, found: Fit) -> None:
    names = [
        ", ".join([one.figure.key, *(f"{name}={value}" for name, value in one.settings.items())])
        for one in found.readings
    ]
    places = np.arange(len(names))
    ax.axvspan(-2.0, 2.0, color="0.92")
    for marker, label, values in (
        ("o", "as in the file", [one.before for one in found.readings]),
        ("D", "fitted", [one.after for one in found.readings]),
    ):
        off = [(one.read - value) / one.accuracy for one, value in zip(found.readings, values, strict=True)]
        ax.plot(off, places, marker, label=label, markersize=5.0, markerfacecolor="none" if marker == "o" else None)
    ax.set_yticks(places, names)
    ax.set_xscale("symlog", linthresh=4.0)
    ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    ax.invert_yaxis()
    ax.margins(y=0.15)
    ax.legend()
    ax.set(xlabel="Read less model, in accuracies (grey: two of them)")
