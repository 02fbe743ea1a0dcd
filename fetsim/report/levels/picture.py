"""Picture of level plans: noise floor, nominal level and clip level, stage by stage."""

from collections.abc import Mapping
from itertools import cycle
from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from fetsim.measurements.levels.procedure import LevelPlan, StageLevel
from fetsim.measurements.noise.tables import BAND
from fetsim.report.look.plots import COLOURS, GREY, decibel_axis, new_figure

HEIGHT_INCH = 4.4
GROUP = 0.72  # width of what is drawn at a stage, of the distance between stages
ROOM_DB = 10.0  # under the noise floors, for their figures
GAP = 0.1  # between the bars of two plans, of the width of one
NOISE_SHADE, HEADROOM_SHADE = 0.16, 0.5  # opacities


def draw(measured: Mapping[str, LevelPlan], title: str) -> Figure:
    """Label -> plan of the same stages. A light bar runs from noise to nominal level, a dark one on to clipping."""
    with new_figure(title, HEIGHT_INCH) as figure:
        panel = figure.subplots()
        draw_on(panel, measured)
        handles = _meanings(COLOURS[0] if len(measured) == 1 else GREY)
        if len(measured) > 1:
            handles += panel.get_legend_handles_labels()[0]
        figure.legend(handles=handles, loc="outside lower center", ncols=3)
    return figure


def draw_on(ax: Axes, measured: Mapping[str, LevelPlan]) -> None:
    """The plans alone, without what the marks mean."""
    stages = next(iter(measured.values())).stages
    width = GROUP / len(measured)
    for number, ((label, plan), colour) in enumerate(zip(measured.items(), cycle(COLOURS), strict=False)):
        centre = np.arange(1, len(stages) + 1) - 0.5 * GROUP + (number + 0.5) * width
        _draw(ax, plan, label, colour, centre, width * (1.0 - GAP))
    ax.set_xticks(range(len(stages) + 1), ["source", *(_name(one) for one in stages)])
    ax.set_xlim(-0.4, len(stages) + 0.6)
    ax.grid(axis="x", visible=False)
    ax.set_ylabel("Level (dBu)")
    ax.set_ylim(bottom=ax.get_ylim()[0] - ROOM_DB)  # bars would else stand on the axis
    decibel_axis(ax, "y", 9)


def _name(stage: StageLevel) -> str:
    return stage.stage if stage.stage == stage.point else f"{stage.stage}\n{stage.point}"


def _meanings(colour: str) -> list[Artist]:
    return [
        Line2D([], [], color=colour, marker="o", markersize=3.0, label="nominal level"),
        Patch(color=colour, alpha=NOISE_SHADE, linewidth=0.0, label=f"down to the noise floor, in dBu, {BAND}"),
        Patch(color=colour, alpha=HEADROOM_SHADE, linewidth=0.0, label="headroom, in dB above the bar"),
        Line2D([], [], color=colour, linewidth=1.6, label="the stage clips (without: not yet)"),
        Line2D([], [], color=colour, marker="v", linestyle="", label="clips first"),
    ]


def _draw(panel: Axes, plan: LevelPlan, label: str, colour: str, centre: np.ndarray, width: float) -> None:
    nominal, noise, headroom = (
        np.array([getattr(one, name) for one in plan.stages]) for name in ("nominal_dbu", "noise_dbu", "headroom_db")
    )
    panel.plot([0.0, *centre], [plan.level_dbu, *nominal], "o-", color=colour, markersize=3.0, label=label)
    panel.bar(centre, nominal - noise, width, noise, color=colour, alpha=NOISE_SHADE, linewidth=0.0)
    panel.bar(centre, headroom, width, nominal, color=colour, alpha=HEADROOM_SHADE, linewidth=0.0)
    for x, stage in zip(centre, plan.stages, strict=True):
        left, right, top = x - 0.5 * width, x + 0.5 * width, stage.clip.stage_dbu
        more = "" if stage.clip.clips else ">"
        if stage.clip.clips:
            panel.plot([left, right], [top, top], color=colour, linewidth=1.6)
        above: dict[str, Any] = {"textcoords": "offset points", "ha": "center"}
        panel.annotate(f"{more}{stage.headroom_db:.0f}", (x, top), (0.0, 2.0), **above)
        panel.annotate(f"{stage.noise_dbu:.0f}", (x, stage.noise_dbu), (0.0, -2.0), va="top", **above)
        if stage.stage == plan.clips_first:
            panel.annotate("\u25bc", (x, top), (0.0, 11.0), color=colour, **above)
