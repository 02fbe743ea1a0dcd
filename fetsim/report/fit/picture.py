"""Picture of a fit: each value with its interval, what goes together, and what is left over of each recording by time
and frequency and of each reading, as in the file and fitted."""

from collections.abc import Mapping
from functools import partial

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import QuadMesh
from matplotlib.figure import Figure, FigureBase
from matplotlib.image import AxesImage
from matplotlib.ticker import FuncFormatter

from fetsim.engine.assembly import Array
from fetsim.report.look.panels import Panel, stacked
from fetsim.report.look.plots import AMBER, BLUE, legend_below, short
from fetsim.safe_text import printable
from fetsim.studies.fit.record import Fit, Residual, Value

VALUES_INCH, VALUE_INCH = 1.2, 0.2
MAP_INCH, READINGS_INCH, READING_INCH = 2.9, 1.1, 0.17
FAR = 4.0
"""Accuracies off beyond which the axis is logarithmic."""
LOWEST_DB, HIGHEST_DB = -90.0, -10.0
COLOURS = "cividis"
"""Perceived as even, by those too who do not see red and green apart."""
WAYS = "RdBu_r"


def draw(measured: Mapping[str, Fit], title: str) -> Figure:
    """The one fit, under whatever label."""
    (found,) = measured.values()
    return stacked(title, panels(found))


def panels(found: Fit) -> list[Panel]:
    """Values, correlations, recordings and readings, as far as there are any."""
    every = [
        Panel(beside="values", height_inch=VALUES_INCH + VALUE_INCH * len(found.values),
              caption="How far each value is off the file, with the interval that holds it in 95 of 100 cases, and its "
              "correlation with each other: near 1 or -1 the data do not tell the two apart.",
              draw=partial(_known, found=found)),
    ]  # fmt: skip
    every += [
        Panel(beside="recordings", height_inch=MAP_INCH, draw=partial(_maps, one=one),
              caption=f"What is left of {one.name} over time and frequency, as in the file and fitted.")
        for one in found.recordings
    ]  # fmt: skip
    if found.readings:
        every.append(Panel(
            beside="readings", height_inch=READINGS_INCH + READING_INCH * len(found.readings),
            caption="How far each reading is off the model, as in the file and fitted; grey is two accuracies either "
            "way.",
            draw=partial(_read, found=found),
        ))  # fmt: skip
    return every


def draw_on(ax: Axes, measured: Mapping[str, Fit]) -> None:
    """What is left over of the first recording, fitted; of readings alone how far they are off."""
    (found,) = measured.values()
    if found.recordings:
        _map(ax, found.recordings[0], found.recordings[0].after_cells_db)
    else:
        _readings(ax, found)


def _known(place: FigureBase, found: Fit) -> None:
    """Values with their intervals, and beside them how they go together."""
    if len(found.values) == 1:
        _values(place.subplots(), found)
        return
    values, together = place.subplots(1, 2, width_ratios=(3, 2))
    _values(values, found)
    image = _together(together, found)
    place.colorbar(image, ax=together)


def _values(ax: Axes, found: Fit) -> None:
    for row, one in enumerate(found.values):
        low, middle, high = (_off(one, at) for at in (one.low, one.value, one.high))
        ax.plot([low, high], [row, row], color=BLUE, linewidth=2.0)
        ax.plot(middle, row, "D", color=BLUE, markersize=4.0)
    ax.axvline(0.0, color="0.45", linewidth=0.8)
    ax.set_yticks(range(len(found.values)), [printable(one.name) for one in found.values])
    ax.set_ylim(len(found.values) - 0.5, -0.5)
    ax.set(xlabel="Off the file (%; controls: % of their turn)", title="Values, with 95 %")


def _off(one: Value, at: float) -> float:
    return 100.0 * (at - one.before if one.quantity == "plain" else at / one.before - 1.0)


def _together(ax: Axes, found: Fit) -> AxesImage:
    names = [one.name for one in found.values]
    table = np.eye(len(names))
    for one, other, correlation in found.correlations:
        row, column = names.index(one), names.index(other)
        table[row, column] = table[column, row] = correlation
    image = ax.imshow(table, cmap=WAYS, vmin=-1.0, vmax=1.0, aspect="auto")
    ax.set_xticks(range(len(names)), [printable(name) for name in names], rotation=60, ha="right", fontsize=6)
    ax.set_yticks(range(len(names)), [""] * len(names))
    ax.grid(visible=False)
    ax.set_title("Correlations")
    return image


def _maps(place: FigureBase, one: Residual) -> None:
    pair = (("as in the file", one.before_cells_db, one.before_db), ("fitted", one.after_cells_db, one.after_db))
    axes = place.subplots(1, 2)
    for ax, (label, cells, level_db) in zip(axes, pair, strict=True):
        mesh = _map(ax, one, cells)
        ax.set_title(f"{printable(one.name)}, {label}: {level_db:.1f} dB", loc="left")
    place.colorbar(mesh, ax=list(axes), label="Left over (dB)", extend="both")


def _map(ax: Axes, one: Residual, cells: Array) -> QuadMesh:
    times = one.slice_s * np.arange(len(cells) + 1)
    mesh = ax.pcolormesh(times, one.edges_hz, cells.T, cmap=COLOURS, vmin=LOWEST_DB, vmax=HIGHEST_DB, rasterized=True)
    ax.set_yscale("log")
    ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: short(value)))
    ax.set(xlabel="Time (s)", ylabel="Frequency (Hz)")
    return mesh


def _read(place: FigureBase, found: Fit) -> None:
    ax = place.subplots()
    _readings(ax, found)
    legend_below(place, ax)


def _readings(ax: Axes, found: Fit) -> None:
    names = [
        printable(", ".join([one.figure.key, *(f"{name}={value}" for name, value in one.settings.items())]))
        for one in found.readings
    ]
    places = np.arange(len(names))
    ax.axvspan(-2.0, 2.0, color="0.92")
    for marker, colour, label, values in (
        ("o", AMBER, "as in the file", [one.before for one in found.readings]),
        ("D", BLUE, "fitted", [one.after for one in found.readings]),
    ):
        off = [(one.read - value) / one.accuracy for one, value in zip(found.readings, values, strict=True)]
        ax.plot(off, places, marker, color=colour, label=label, markersize=4.0 if marker == "D" else 7.0,
                markerfacecolor="none" if marker == "o" else None)  # fmt: skip
    ax.set_yticks(places, names)
    if max(map(abs, ax.dataLim.intervalx)) > FAR:
        ax.set_xscale("symlog", linthresh=FAR)
    ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    ax.invert_yaxis()
    ax.margins(y=0.15)
    ax.set(xlabel="Read less model, in accuracies (grey: two of them)")
