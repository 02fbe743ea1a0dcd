"""Pictures of distortion: against level, gain reduction and frequency, and of a trim's null."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

from fetsim.measurements.distortion.procedure import DistortionMeasurement, DistortionPoint
from fetsim.measurements.distortion.trim_null import TrimNull
from fetsim.report.look.plots import GREY, decibel_axis, legend_below, line_styles, new_figure, plain_log_axis
from fetsim.schematic.values import format_value

HEIGHT_INCH, MORE_INCH, NULL_INCH = 3.8, 2.4, 3.4
THD_KEY = "dots: THD; thin: second harmonic; dotted: third"
FREQUENCY_TICKS = (20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 2e3, 5e3, 10e3, 20e3)
LEAST_SHOWN = 1e-5  # ratio


def draw_distortion(measured: Mapping[str, DistortionMeasurement], title: str) -> Figure:
    """THD with its second and third harmonic; against frequency where there are several, else against the level and
    the gain reduction."""
    frequencies = {point.frequency_hz for one in measured.values() for point in one.tones}
    levels = {point.level_dbu for one in measured.values() for point in one.tones}
    return _against_frequency(measured, title) if len(frequencies) > len(levels) else _against_level(measured, title)


def draw_null(nulls: Mapping[str, TrimNull], title: str) -> Figure:
    """Second (line) and third harmonic (thin) against the value of the trim."""
    with new_figure(title, NULL_INCH) as figure:
        panel = figure.subplots()
        for (label, one), style in zip(nulls.items(), line_styles(), strict=False):
            name = f"{label}: " if label else ""
            order = np.argsort([*one.value, one.best])
            panel.plot(
                np.append(one.value, one.best)[order], 100.0 * np.append(one.second, one.best_second)[order],
                label=f"{name}second harmonic", **style,
            )  # fmt: skip
            panel.plot(one.value, 100.0 * one.third, label=f"{name}third harmonic", color=style["color"], linewidth=0.7)
            panel.plot(one.best, 100.0 * one.best_second, "o", color=style["color"], markersize=4.0)
            panel.plot(
                one.present, 100.0 * one.present_second, "D", color=style["color"], markersize=4.0, fillstyle="none"
            )
        first = next(iter(nulls.values()))
        _percent_axis(panel)
        panel.set(ylabel="Over the fundamental", xlabel=first.trimmed + " (position)" * (first.quantity == "plain"))
        panel.xaxis.set_major_formatter(FuncFormatter(lambda value, _: format_value(value, first.quantity, 4)))
        panel.set_title("dot: least second harmonic; diamond: the present value", loc="left", color=GREY)
        legend_below(figure, panel, 2)
    return figure


def _against_level(measured: Mapping[str, DistortionMeasurement], title: str) -> Figure:
    more = [label for label, one in measured.items() if one.two_tones or one.with_noise]
    with new_figure(title, HEIGHT_INCH + MORE_INCH * bool(more)) as figure:
        panels = figure.subplots(1 + bool(more), 2, sharey="row", squeeze=False)
        level, reduction = panels[0]
        for (name, points), style in zip(_lines(measured, "frequency_hz").items(), line_styles(), strict=False):
            _draw(level, [p.level_dbu for p in points], points, name, style)
            _draw(reduction, [p.gain_reduction_db for p in points], points, name, style)
        _percent_axis(level)
        level.set_ylabel("Over the fundamental")
        level.set_title(THD_KEY, loc="left", color=GREY)
        if more:
            _draw_more(panels[1], {label: measured[label] for label in more})
        panels[-1][0].set_xlabel("Input (dBu)")
        panels[-1][1].set_xlabel("Gain reduction (dB)")
        for panel in panels.flat:
            decibel_axis(panel, "x")
        legend_below(figure, level)
    return figure


def _draw_more(panels: Sequence[Axes], measured: Mapping[str, DistortionMeasurement]) -> None:
    """Intermodulation (sums) and THD+N of each version, against level and gain reduction."""
    for one, style in zip(measured.values(), line_styles(), strict=False):
        colour = style["color"]
        for x, panel in (("level_dbu", panels[0]), ("gain_reduction_db", panels[1])):
            at = [getattr(p, x) for p in one.two_tones]
            panel.plot(at, [100.0 * p.smpte.summed for p in one.two_tones], "-", color=colour, linewidth=0.8)
            panel.plot(at, [100.0 * p.difference_tone.summed for p in one.two_tones], ":", color=colour)
            panel.plot(
                [getattr(p, x) for p in one.with_noise], [100.0 * p.ratio for p in one.with_noise],
                marker="o", markersize=2.5, **style,
            )  # fmt: skip
    _percent_axis(panels[0])
    panels[0].set_ylabel("Ratio")
    panels[0].set_title("dots: THD+N; thin: SMPTE; dotted: difference tone", loc="left", color=GREY)


def _against_frequency(measured: Mapping[str, DistortionMeasurement], title: str) -> Figure:
    with new_figure(title, HEIGHT_INCH) as figure:
        panel = figure.subplots()
        for (name, points), style in zip(_lines(measured, "level_dbu").items(), line_styles(), strict=False):
            _draw(panel, [p.frequency_hz for p in points], points, name, style)
        plain_log_axis(panel, "x", FREQUENCY_TICKS)
        panel.set(xlabel="Frequency (Hz)", ylabel="Over the fundamental")
        panel.set_title(THD_KEY, loc="left", color=GREY)
        _percent_axis(panel)
        legend_below(figure, panel)
    return figure


def _lines(measured: Mapping[str, DistortionMeasurement], apart: str) -> dict[str, list[DistortionPoint]]:
    """Points of one line under its name: version and what tells the lines apart."""
    found: dict[str, list[DistortionPoint]] = {}
    for label, one in measured.items():
        several = len({getattr(point, apart) for point in one.tones}) > 1
        for point in one.tones:
            value = getattr(point, apart)
            words = f"{value:.6g} Hz" if apart == "frequency_hz" else f"{value:+.1f} dBu"
            name = ", ".join(part for part in (label, words if several else "") if part) or one.unit
            found.setdefault(name, []).append(point)
    return found


def _draw(
    panel: Axes, x: Sequence[float], points: Sequence[DistortionPoint], name: str, style: Mapping[str, Any]
) -> None:
    panel.plot(x, [100.0 * p.thd_f for p in points], label=name, marker="o", markersize=2.5, **style)
    for order, dashes in ((2, "-"), (3, ":")):
        share = [100.0 * p.harmonic[order - 2] for p in points if p.harmonic.size > order - 2]
        panel.plot(x[: len(share)], share, dashes, color=style["color"], linewidth=0.8)


def _percent_axis(panel: Axes) -> None:
    panel.set_yscale("log")
    low, high = panel.get_ylim()
    panel.set_ylim(max(low, 100.0 * LEAST_SHOWN), high)
    subs = (1.0, 2.0, 5.0) if high < 200.0 * max(low, 100.0 * LEAST_SHOWN) else (1.0,)
    panel.yaxis.set_major_locator(LogLocator(base=10.0, subs=subs, numticks=20))
    panel.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.3g} %"))
    panel.yaxis.set_minor_formatter(NullFormatter())
