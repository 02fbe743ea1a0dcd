"""Pictures of what the iron is: inductance and loss of each core against the volts across its winding."""

from collections.abc import Iterator, Mapping, Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fetsim.measurements.iron.analysis import Winding
from fetsim.measurements.iron.procedure import CoreReading, IronMeasurement
from fetsim.report.look.plots import legend_below, line_styles, new_figure, plain_log_axis

HEIGHT_INCH = 3.8
DECADES = (1e-6, 1e-5, 1e-4, 1e-3, 1e-2, 0.1, 1.0, 10.0, 100.0, 1e3)
ONE_TWO_FIVE = tuple(step * decade for decade in DECADES for step in (1.0, 2.0, 5.0))
DECADES_OHM = tuple(10.0**power for power in range(13))


def draw(measured: Mapping[str, IronMeasurement], title: str) -> Figure:
    """Inductance on the left; loss on the right, where a core has any."""
    lossy = any(core.winding.loss_ohm is not None for one in measured.values() for core in one.cores)
    with new_figure(title, HEIGHT_INCH) as figure:
        panels = figure.subplots(1, 1 + lossy, squeeze=False)[0]
        draw_on(panels[0], measured)
        if lossy:
            _draw_loss(panels[1], measured)
        legend_below(figure, panels[0])
    return figure


def draw_on(ax: Axes, measured: Mapping[str, IronMeasurement]) -> None:
    """Inductance, a line for each part of each version at its lowest frequency: other frequencies have it at the same
    flux, which is volts over frequency."""
    for (name, windings), style in zip(_lines(measured), line_styles(), strict=False):
        volts, henry = [w.volt for w in windings], [w.inductance_h for w in windings]
        ax.plot(volts, henry, label=name, marker="o", markersize=2.5, **style)
    ax.set_ylim(bottom=0.0)
    ax.set_ylabel("Inductance (H)")
    _volt_axis(ax, [w.volt for _, windings in _lines(measured) for w in windings])


def _draw_loss(ax: Axes, measured: Mapping[str, IronMeasurement]) -> None:
    for (_, windings), style in zip(_lines(measured), line_styles(), strict=False):
        lossy = [(w.volt, w.loss_ohm) for w in windings if w.loss_ohm is not None]
        ax.plot([volt for volt, _ in lossy], [ohm for _, ohm in lossy], marker="o", markersize=2.5, **style)
    plain_log_axis(ax, "y", DECADES_OHM)
    ax.set_ylabel("Loss, resistance in parallel (ohm)")
    _volt_axis(ax, [w.volt for _, windings in _lines(measured) for w in windings])


def _lines(measured: Mapping[str, IronMeasurement]) -> Iterator[tuple[str, Sequence[Winding]]]:
    """Name and windings, levels rising, of each line."""
    for label, one in measured.items():
        parts: dict[str, list[CoreReading]] = {}
        for core in one.cores:
            parts.setdefault(core.part, []).append(core)
        for part, cores in parts.items():
            lowest = min(core.frequency_hz for core in cores)
            chosen = [core.winding for core in cores if core.frequency_hz == lowest]
            yield ", ".join(filter(None, (label, f"{part} at {lowest:.6g} Hz"))), chosen


def _volt_axis(ax: Axes, volts: list[float]) -> None:
    """Logarithmic, with ticks as close as they are read; linear where the volts lie close together."""
    ax.set_xlabel("Across the winding (V)")
    span = max(volts) / min(volts)
    if span > 4.0:  # so that one tick at the least lies on it
        plain_log_axis(ax, "x", ONE_TWO_FIVE if span < 100.0 else DECADES)
