"""Pictures of what the iron does: distortion against frequency, inductance against the volts across the winding."""

from collections.abc import Mapping

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fetsim.measurements.iron.procedure import CoreReading, IronMeasurement, IronTone
from fetsim.report.distortion.picture import FREQUENCY_TICKS, THD_KEY, percent_axis
from fetsim.report.look.plots import GREY, legend_below, line_styles, new_figure, plain_log_axis

HEIGHT_INCH = 3.8
DECADES = (1e-6, 1e-5, 1e-4, 1e-3, 1e-2, 0.1, 1.0, 10.0, 100.0, 1e3)
ONE_TWO_FIVE = tuple(step * decade for decade in DECADES for step in (1.0, 2.0, 5.0))


def draw(measured: Mapping[str, IronMeasurement], title: str) -> Figure:
    """Distortion on the left, cores on the right where there are any."""
    cores = any(one.cores for one in measured.values())
    with new_figure(title, HEIGHT_INCH) as figure:
        panels = figure.subplots(1, 1 + cores, squeeze=False)[0]
        draw_on(panels[0], measured)
        if cores:
            _draw_cores(panels[1], measured)
        legend_below(figure, panels[0])
    return figure


def draw_on(ax: Axes, measured: Mapping[str, IronMeasurement]) -> None:
    """THD with its second and third harmonic against frequency, a line for each level."""
    lines: dict[str, list[IronTone]] = {}
    for label, one in measured.items():
        for tone in one.tones:
            lines.setdefault(", ".join(filter(None, (label, f"{tone.level_dbu:+.1f} dBu"))), []).append(tone)
    for (name, tones), style in zip(lines.items(), line_styles(), strict=False):
        at = [tone.frequency_hz for tone in tones]
        ax.plot(at, [100.0 * tone.thd_f for tone in tones], label=name, marker="o", markersize=2.5, **style)
        for order, dashes in ((2, "-"), (3, ":")):
            share = [100.0 * tone.harmonic[order - 2] for tone in tones if tone.harmonic.size > order - 2]
            ax.plot(at[: len(share)], share, dashes, color=style["color"], linewidth=0.8)
    plain_log_axis(ax, "x", FREQUENCY_TICKS)
    ax.set(xlabel="Frequency (Hz)", ylabel="Over the fundamental")
    ax.set_title(THD_KEY, loc="left", color=GREY)
    percent_axis(ax)


def _draw_cores(ax: Axes, measured: Mapping[str, IronMeasurement]) -> None:
    """Inductance over the volts across the winding, a line for each part at its lowest frequency."""
    for label, one in measured.items():
        lines: dict[str, list[CoreReading]] = {}
        for core in one.cores:
            lines.setdefault(core.part, []).append(core)
        for (part, cores), style in zip(lines.items(), line_styles(), strict=False):
            lowest = min(core.frequency_hz for core in cores)
            chosen = [core.winding for core in cores if core.frequency_hz == lowest]
            volts, henry = [w.volt for w in chosen], [w.inductance_h for w in chosen]
            name = ", ".join(filter(None, (label, f"{part} at {lowest:.6g} Hz")))
            ax.plot(volts, henry, marker="o", markersize=2.5, color=style["color"])
            falls = len(henry) > 1 and henry[-1] < henry[-2]  # its name goes where the line is not
            end, aside = (volts[-1], henry[-1]), (-2, -9 if falls else 4)
            ax.annotate(name, end, textcoords="offset points", xytext=aside, ha="right", fontsize=7)
    _volt_axis(ax, [core.winding.volt for one in measured.values() for core in one.cores])
    ax.set_ylim(bottom=0.0)
    ax.set(xlabel="Across the winding (V)", ylabel="Inductance (H)")
    ax.set_title("cores", loc="left", color=GREY)


def _volt_axis(ax: Axes, volts: list[float]) -> None:
    """Logarithmic, with ticks as close as they are read; linear where the volts lie close together."""
    span = max(volts) / min(volts)
    if span > 4.0:  # so that one tick at the least lies on it
        plain_log_axis(ax, "x", ONE_TWO_FIVE if span < 100.0 else DECADES)
