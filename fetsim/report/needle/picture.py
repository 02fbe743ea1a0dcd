"""Pictures of the gain-reduction needle: its trace over time, and a still of the meter.

The meter is our own drawing: a straight ruler, even in dB with no gain reduction at the left, or with the marks of the
unit's own meter where they stand between no current and full scale. A pointer stands on it, with a bar for the gain
reduction of that instant and a line where the pointer was deepest.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from math import ceil

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Polygon, Rectangle

from fetsim.measurements.needle.meter import Meter
from fetsim.measurements.needle.procedure import NeedleTrace
from fetsim.report.look.plots import AMBER, BLUE, GREY, SHADE, WINE, decibel_axis, legend_below, line_styles, new_figure

TRACE_INCH, METER_INCH, TITLE_INCH = 3.2, 1.4, 0.35
LEAST_SCALE_DB, SCALE_STEP_DB = 10, 5
HALF = 0.011  # of the pointer's width, the ruler being 1
STOPS = (-0.02, 1.02)  # of a meter's pointer
COLUMNS = 2000  # a longer trace shows the mean of the rows of each column


def draw(measured: Mapping[str, NeedleTrace], title: str) -> Figure:
    """Label -> trace, in one panel."""
    with new_figure(title, TRACE_INCH) as figure:
        panel = figure.subplots()
        draw_on(panel, measured)
        legend_below(figure, panel)
    return figure


def draw_on(ax: Axes, measured: Mapping[str, NeedleTrace]) -> None:
    """Needle (line) and gain reduction (shade) over time, downwards."""
    for (label, one), style in zip(measured.items(), islice(line_styles(), len(measured)), strict=True):
        rows = np.linspace(0, len(one.time_s), min(len(one.time_s), COLUMNS), endpoint=False).astype(np.int64)
        means = np.add.reduceat(one.gain_reduction_db, rows) / np.diff([*rows, len(one.time_s)])
        ax.fill_between(one.time_s[rows], 0.0, means, color=style["color"], alpha=SHADE, linewidth=0.0)
        ax.plot(one.time_s[rows], one.needle_db[rows], label=label, **style)
    ax.set(xlabel="Time (s)", ylabel="Gain reduction (dB)")
    ax.set_title("line: needle; shade: gain reduction", loc="left", color=GREY)
    ax.set_xlim(0.0, max(float(one.time_s[-1]) for one in measured.values()))
    deepest = max(float(max(one.needle_db.max(), one.gain_reduction_db.max())) for one in measured.values())
    ax.set_ylim(1.06 * max(deepest, 1.0), -0.02 * max(deepest, 1.0))
    decibel_axis(ax)


@dataclass(frozen=True, kw_only=True)
class _Scale:
    """Where what stands, left 0 to right 1."""

    place: Callable[[float], float]
    """Of a gain reduction in dB."""
    marks: Sequence[tuple[float, str]]
    """Place and label of each, the label empty for a small one."""


def draw_meters(traces: Mapping[str, NeedleTrace], title: str) -> Figure:
    """Label -> meter as it stands at the instant asked for, or at its own deepest reading; one below the other."""
    largest = max(float(max(one.needle_db.max(), one.gain_reduction_db.max())) for one in traces.values())
    even = _even_scale(SCALE_STEP_DB * ceil(max(largest, LEAST_SCALE_DB) / SCALE_STEP_DB))
    with new_figure(title, TITLE_INCH + METER_INCH * len(traces)) as figure:
        panels = figure.subplots(len(traces), squeeze=False)[:, 0]
        for panel, (label, one) in zip(panels, traces.items(), strict=True):
            scale = even if one.meter is None else _scale_of(one.meter)
            _draw_meter(panel, one, one.deepest_s if one.when_s is None else one.when_s, scale)
            panel.set_title(label, loc="left")
    return figure


def _even_scale(end: int) -> _Scale:
    """The same distance for every decibel."""
    marks = [(mark / end, f"{mark}" if mark % SCALE_STEP_DB == 0 else "") for mark in range(end + 1)]
    return _Scale(place=lambda decibel: min(max(decibel, 0.0), float(end)) / end, marks=marks)


def _scale_of(meter: Meter) -> _Scale:
    """As its file has it."""
    return _Scale(place=meter.place, marks=[(share, f"{decibel:g}") for decibel, share in meter.marks])


def _draw_meter(panel: Axes, trace: NeedleTrace, time_s: float, scale: _Scale) -> None:
    needle_db, reduction_db = trace.reading_db(time_s)
    deepest_db = float(np.max(trace.needle_db))
    panel.set_axis_off()
    panel.set(xlim=(-0.04, 1.04), ylim=(-1.2, 1.0))
    panel.add_patch(Rectangle((0.0, -0.22), 1.0, 0.22, facecolor="0.93", edgecolor=GREY, linewidth=0.6))
    begin, end = scale.place(0.0), scale.place(reduction_db)
    panel.add_patch(Rectangle((min(begin, end), -0.22), abs(end - begin), 0.22, facecolor=AMBER, linewidth=0.0))
    for at, label in scale.marks:
        panel.plot([at, at], [-0.22, -0.42 if label else -0.32], color="0.2", linewidth=0.9 if label else 0.5)
        panel.text(at, -0.47, label, ha="center", va="top", fontsize=9.0)
    deepest = scale.place(deepest_db)
    panel.plot([deepest, deepest], [0.02, 0.3], color=WINE, linewidth=1.4)
    at = _pointer(trace, time_s, scale)
    panel.add_patch(Polygon([(at, -0.22), (at - HALF, 0.5), (at + HALF, 0.5)], facecolor=BLUE, zorder=3.0))
    panel.text(at, 0.55, f"{needle_db:.1f}", ha="center", va="bottom", fontsize=11.0, color=BLUE)
    panel.text(1.0, -1.15, "dB of gain reduction", ha="right", va="bottom", color=GREY)
    panel.text(
        0.0, -1.15, f"at {time_s:.3f} s; bar: gain reduction now, {reduction_db:.1f} dB; short line: deepest "
        f"reading, {deepest_db:.1f} dB", ha="left", va="bottom", color=GREY,
    )  # fmt: skip


def _pointer(trace: NeedleTrace, time_s: float, scale: _Scale) -> float:
    """Where the pointer stands, a meter's own one also between its scale and its stops."""
    if trace.deflection is None:
        return scale.place(trace.reading_db(time_s)[0])
    return float(np.clip(np.interp(time_s, trace.time_s, trace.deflection), *STOPS))
