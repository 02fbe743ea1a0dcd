"""Picture of common-mode rejection against frequency, as drawn and in the worst case."""

from collections.abc import Mapping

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fetsim.measurements.rejection.analysis import LARGEST_DB
from fetsim.measurements.rejection.procedure import RejectionMeasurement
from fetsim.report.look.plots import GREY, decibel_axis, legend_below, line_styles, new_figure, plain_log_axis

HEIGHT_INCH = 3.9
TICKS_HZ = (10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 10e3, 20e3, 50e3, 100e3, 1e6)
BEYOND_DB = 140.0  # what rejects more is nowhere near what a bench can tell; the axis ends there
ROOM_DB = 6.0


def draw(measured: Mapping[str, RejectionMeasurement], title: str) -> Figure:
    """One panel, its lines named below."""
    with new_figure(title, HEIGHT_INCH) as figure:
        panel = figure.subplots()
        draw_on(panel, measured)
        legend_below(figure, panel, 2)
    return figure


def draw_on(ax: Axes, measured: Mapping[str, RejectionMeasurement]) -> None:
    """A line for each version and imbalance, one for as drawn and one for the worst case."""
    styles, shown = line_styles(), []
    for label, one in measured.items():
        for curve in one.curves:
            legs = f"{curve.imbalance_ohm:g} ohm in one leg" if curve.imbalance_ohm else "legs alike"
            for parts, trace in (("as drawn", curve.rejection_db), ("worst case", curve.worst_db)):
                if trace is not None:
                    name = ", ".join(filter(None, (label, legs, parts)))
                    above = np.where(trace < LARGEST_DB, trace, np.nan)
                    ax.plot(curve.frequency_hz, above, label=name, **next(styles))
                    shown.append(trace)
    low, high = (float(edge(np.concatenate(shown))) for edge in (np.min, np.max))
    top = min(high + ROOM_DB, BEYOND_DB)
    ax.set_ylim(max(0.0, min(low, top) - ROOM_DB), top)
    plain_log_axis(ax, "x", TICKS_HZ)
    decibel_axis(ax)
    frequencies = [float(f) for one in measured.values() for curve in one.curves for f in curve.frequency_hz]
    ax.set_xlim(min(frequencies), max(frequencies))
    ax.set(xlabel="Frequency (Hz)", ylabel="Common-mode rejection (dB)")
    if high > top:
        ax.set_title(f"the axis ends at {top:g} dB; what lies above is not drawn", loc="left", color=GREY)
