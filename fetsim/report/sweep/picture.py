"""Pictures of distortion against frequency."""

from collections.abc import Mapping

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fetsim.measurements.distortion.procedure import DistortionPoint
from fetsim.measurements.sweep.procedure import SweepMeasurement
from fetsim.report.distortion.picture import THD_KEY, draw_harmonics, percent_axis
from fetsim.report.look.plots import GREY, legend_below, line_styles, new_figure, plain_log_axis

HEIGHT_INCH = 4.2
FREQUENCY_TICKS = (20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 10e3, 20e3)


def draw(measured: Mapping[str, SweepMeasurement], title: str) -> Figure:
    """One panel, its lines named below."""
    with new_figure(title, HEIGHT_INCH) as figure:
        panel = figure.subplots()
        draw_on(panel, measured)
        legend_below(figure, panel)
    return figure


def draw_on(ax: Axes, measured: Mapping[str, SweepMeasurement]) -> None:
    """THD with its second and third harmonic against frequency, a line for each version and level."""
    lines: dict[str, list[DistortionPoint]] = {}
    for label, one in measured.items():
        for tone in one.tones:
            lines.setdefault(", ".join(filter(None, (label, f"{tone.level_dbu:+.1f} dBu"))), []).append(tone)
    for (name, tones), style in zip(lines.items(), line_styles(), strict=False):
        draw_harmonics(ax, [tone.frequency_hz for tone in tones], tones, name, style)
    plain_log_axis(ax, "x", FREQUENCY_TICKS)
    ax.set(xlabel="Frequency (Hz)", ylabel="Over the fundamental")
    ax.set_title(THD_KEY, loc="left", color=GREY)
    percent_axis(ax)
