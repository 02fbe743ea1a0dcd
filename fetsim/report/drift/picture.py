"""Picture of drift: threshold and gain against temperature, cold and warm."""

from collections.abc import Iterator, Mapping, Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fetsim.measurements.drift.procedure import DriftMeasurement, DriftState
from fetsim.measurements.drift.tables import state_in_words
from fetsim.report.look.plots import legend_below, line_styles, new_figure

HEIGHT_INCH = 3.6


def draw(measured: Mapping[str, DriftMeasurement], title: str) -> Figure:
    """Threshold on the left, gain at rest on the right."""
    with new_figure(title, HEIGHT_INCH) as figure:
        threshold, gain = figure.subplots(1, 2)
        draw_on(threshold, measured)
        _lines(gain, measured, "idle_gain_db", "Gain at rest, 1 kHz (dB)")
        legend_below(figure, threshold)
    return figure


def draw_on(ax: Axes, measured: Mapping[str, DriftMeasurement]) -> None:
    """Threshold, a line for each version and time since switching on; for a unit without one, the gain."""
    if all(one.threshold_dbu is None for found in measured.values() for one in found.states):
        _lines(ax, measured, "idle_gain_db", "Gain at rest, 1 kHz (dB)")
    else:
        _lines(ax, measured, "threshold_dbu", "Threshold (dBu at the source)")


def _lines(ax: Axes, measured: Mapping[str, DriftMeasurement], figure: str, label: str) -> None:
    for (name, states), style in zip(_named(measured), line_styles(), strict=False):
        there = [(one.temperature_c, getattr(one, figure)) for one in states if getattr(one, figure) is not None]
        ax.plot([x for x, _ in there], [y for _, y in there], label=name, marker="o", markersize=2.5, **style)
    ax.set(xlabel="Temperature of the unit (C)", ylabel=label)


def _named(measured: Mapping[str, DriftMeasurement]) -> Iterator[tuple[str, Sequence[DriftState]]]:
    """Name and states, temperatures rising, of each line."""
    for version, found in measured.items():
        lines: dict[float, list[DriftState]] = {}
        for one in found.states:
            lines.setdefault(one.on_s, []).append(one)
        for states in lines.values():
            yield ", ".join(filter(None, (version, state_in_words(states[0])))), states
