"""Picture of a unit's faults: every fault against every figure, how far off it is in the unit's own spread."""

from collections.abc import Mapping
from functools import partial

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure, FigureBase
from matplotlib.image import AxesImage

from fetsim.engine.assembly import Array
from fetsim.report.look.panels import Panel, stacked
from fetsim.studies.faults.apart import LOST
from fetsim.studies.faults.record import FaultsFound, Symptoms, column
from fetsim.studies.faults.tables import SOUND

ROW_INCH, HEAD_INCH, MOST_ROWS = 0.16, 1.6, 300
BAR_INCH = 4.0
TALL = 40
"""Rows beyond which the figures are named above them, too."""
VOLTS = "idle volts, worst node"


def draw(measured: Mapping[str, FaultsFound], title: str) -> Figure:
    """One fault of each group that can be told from the sound unit, or those that fit best what was read; rows."""
    (found,) = measured.values()
    return stacked(title, panels(found))


def panels(found: FaultsFound) -> list[Panel]:
    """The one there is."""
    rows = _shown(found)
    return [Panel(
        beside="fits" if found.reported else "symptoms", height_inch=HEAD_INCH + ROW_INCH * len(rows),
        caption="How far each fault moves each figure from the sound unit's, in spreads and accuracies.",
        draw=partial(_with_scale, found=found, rows=rows),
    )]  # fmt: skip


def _with_scale(place: FigureBase, found: FaultsFound, rows: list[Symptoms]) -> None:
    panel = place.subplots()
    image = _draw(panel, found, rows)
    shrink = min(1.0, BAR_INCH / (ROW_INCH * max(len(rows), 1)))
    bar = place.colorbar(image, ax=panel, shrink=shrink, anchor=(0.0, 1.0), pad=0.01)
    bar.set_label("off the sound unit,\nin spreads and accuracies\n(grey: not to be had)", fontsize=7)


def draw_on(ax: Axes, measured: Mapping[str, FaultsFound]) -> None:
    """The same without its scale."""
    (found,) = measured.values()
    _draw(ax, found, _shown(found))


def _shown(found: FaultsFound) -> list[Symptoms]:
    """What is reported has its order; else those that can be told from the sound unit, the first of each group, or all
    where none can."""
    rows = list(found.rows)
    if found.reported:
        return rows[:MOST_ROWS]
    first = {number: k for k, number in reversed(list(enumerate(found.groups))) if number}
    return [rows[k] for k in sorted(first.values())[:MOST_ROWS]] or rows[:MOST_ROWS]


def _draw(ax: Axes, found: FaultsFound, rows: list[Symptoms]) -> AxesImage:
    keys = [one.key for one in found.figures if one.kind != "volts"]
    table = np.array([_off(found, rows, key) for key in keys] + [_volts_off(found, rows)]).T
    image = ax.imshow(np.ma.masked_invalid(table), cmap="RdBu_r", vmin=-LOST, vmax=LOST, aspect="auto")
    ax.set_facecolor("0.75")
    headings = [*(one.heading for one in found.figures if one.key in keys), VOLTS]
    ax.set_xticks(range(len(headings)), headings, rotation=40, ha="right")
    if len(rows) > TALL:
        above = ax.secondary_xaxis("top")
        above.set_xticks(range(len(headings)), headings, rotation=40, ha="left")
    ax.set_yticks(range(len(rows)), [row.name or SOUND for row in rows], fontsize=6)
    ax.grid(visible=False)
    return image


def _off(found: FaultsFound, rows: list[Symptoms], key: str) -> Array:
    sound = column((found.sound,), key)[0]
    scale = max(found.spread[key], 0.02 * abs(sound), 1e-12)
    return np.asarray((column(tuple(rows), key) - sound) / scale).clip(-LOST, LOST)


def _volts_off(found: FaultsFound, rows: list[Symptoms]) -> Array:
    every = []
    for node in found.nodes:
        name = f"volts@{node}"
        sound = column((found.sound,), name)[0]
        every.append((column(tuple(rows), name) - sound) / max(found.spread[name], 0.01 * abs(sound), 1e-3))
    table = np.array(every)
    worst = np.argmax(np.abs(np.nan_to_num(table)), axis=0)
    return table[worst, np.arange(table.shape[1])].clip(-LOST, LOST)
