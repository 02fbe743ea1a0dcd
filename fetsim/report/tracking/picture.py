"""Picture of how the channels of a pair go together: tracking and image shift over level, joined and apart."""

from collections.abc import Mapping
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fetsim.measurements.tracking.procedure import TrackingMeasurement, TrackingPoint
from fetsim.measurements.tracking.tables import named
from fetsim.report.look.plots import AMBER, BLUE, GREY, decibel_axis, legend_below, new_figure

HEIGHT_INCH = 5.4
LEAST_SPAN_DB = 0.1  # of an axis: less is rounding
DASHES = ("-", "--", ":", "-.", (0, (1, 1)))
MARKS = ("o", "s", "^", "v", "D")


def draw(measured: Mapping[str, TrackingMeasurement], title: str) -> Figure:
    """Two panels over one axis of level: tracking above, image shift below."""
    with new_figure(title, HEIGHT_INCH) as figure:
        tracking, shift = figure.subplots(2, sharex=True, height_ratios=[1.0, 1.6])
        for label, points, look in _groups(measured):
            tracking.plot([point.level_dbu for point in points], [point.tracking_db for point in points],
                          color=GREY, label=label, **look)  # fmt: skip
        tracking.set_ylabel("Gain reduction,\nleft less right (dB)")
        tracking.set_title("the same tone in both channels", loc="right", color=GREY)
        draw_on(shift, measured)
        _span(tracking)
        legend_below(figure, shift, columns=3)
    return figure


def draw_on(ax: Axes, measured: Mapping[str, TrackingMeasurement]) -> None:
    """Image shift over the level of the louder side."""
    for label, points, look in _groups(measured):
        levels = [point.level_dbu for point in points]
        for number, colour, name in ((0, GREY, "alike"), (1, AMBER, "left louder"), (2, BLUE, "right louder")):
            shifts = [point.shifts_db[number] for point in points]
            ax.plot(levels, shifts, color=colour, label=f"{label}, {name}", **look)
    first = next(iter(measured.values()))
    ax.set_xlabel(f"Level of the louder side at the source (dBu), {first.frequency_hz:g} Hz")
    ax.set_ylabel("Image shift (dB)")
    ax.set_title(f"above 0: to the left; one side {first.louder_db:g} dB louder", loc="right", color=GREY)
    decibel_axis(ax, "x")
    _span(ax)


def _groups(measured: Mapping[str, TrackingMeasurement]) -> list[tuple[str, list[TrackingPoint], dict[str, Any]]]:
    """Label, points and look of each version, joined and apart."""
    found = []
    for number, (label, one) in enumerate(measured.items()):
        for joined in (True, False):
            points = [point for point in one.points if point.joined is joined]
            name = ", ".join(filter(None, (label, named(joined))))
            look = {
                "linestyle": DASHES[(2 * number + (not joined)) % len(DASHES)], "markersize": 3.5,
                "marker": MARKS[number % len(MARKS)], "markerfacecolor": None if joined else "white",
            }  # fmt: skip
            found += [(name, points, look)] if points else []
    return found


def _span(ax: Axes) -> None:
    low, high = ax.get_ylim()
    if high - low < LEAST_SPAN_DB:
        middle = 0.5 * (low + high)
        ax.set_ylim(middle - 0.5 * LEAST_SPAN_DB, middle + 0.5 * LEAST_SPAN_DB)
    decibel_axis(ax, count=5)
