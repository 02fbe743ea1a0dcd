"""Pictures of attack and release: traces of a few settings, or times over a grid of many."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullFormatter

from fetsim.measurements.results.formats import seconds
from fetsim.measurements.timing.procedure import SettingTiming, StepAnswer, TimingMeasurement
from fetsim.measurements.timing.tables import T63, T90, named_settings
from fetsim.report.look.plots import GREY, SHADE, decibel_axis, legend_below, line_styles, new_figure

TRACES_INCH, GRID_INCH = 3.6, 3.8
MOST_TRACES = 6  # settings drawn as traces; more are drawn as times
MARKERS = "os^Dvph*"
NEAR_STEP = 0.2  # of the time to 63 %: where a trace begins on its logarithmic axis
WIDE = 200.0  # ratio of an axis's ends from which on only whole decades get a tick


def draw(measured: Mapping[str, TimingMeasurement], title: str) -> Figure:
    """Label of the version -> measurement: traces of a few settings, or times of many against what is varied."""
    settings = named_settings(measured)
    varied = [one.setting for one in settings.values()]
    axis = _numeric(varied)
    if len(settings) <= MOST_TRACES or axis is None:
        return _draw_traces(settings, title)
    return _draw_grid(list(settings.values()), list(settings), axis, title)


def draw_on(ax: Axes, measured: Mapping[str, TimingMeasurement]) -> None:
    """The attacks alone, as traces."""
    settings = named_settings(measured)
    _attacks(ax, settings)
    ax.set_ylabel("Gain reduction (dB)")
    decibel_axis(ax)


def _draw_traces(settings: Mapping[str, SettingTiming], title: str) -> Figure:
    with new_figure(title, TRACES_INCH) as figure:
        attack, release = figure.subplots(1, 2, sharey=True)
        _attacks(attack, settings)
        for (name, one), style in zip(settings.items(), line_styles(), strict=False):
            _trace(release, one.release, name, style)
        linear_time(release, max(one.release.time_s[-1] for one in settings.values()))
        for panel, words in ((attack, "Attack"), (release, "Release (linear time)")):
            panel.set_title(words, loc="left")
        words = f"dots: {T63}, {T90}; shade: step anywhere in the cycle"
        attack.set_title(words, loc="right", color=GREY, fontsize=7.0)
        attack.set_ylabel("Gain reduction (dB)")
        decibel_axis(attack)
        legend_below(figure, attack)
    return figure


def _attacks(panel: Axes, settings: Mapping[str, SettingTiming]) -> None:
    for (name, one), style in zip(settings.items(), line_styles(), strict=False):
        _trace(panel, one.attack, name, style)
    answers = [one.attack for one in settings.values()]
    starts = [start_of([answer.spreads["t63_s"].at_zero], answer.time_s) for answer in answers]
    panel.set_xlim(min(starts), max(answer.time_s[-1] for answer in answers))
    time_axis(panel)


def _trace(panel: Axes, answer: StepAnswer, name: str, style: Mapping[str, Any]) -> None:
    later = answer.time_s > 0.0
    time_s, trace = answer.time_s[later], answer.reduction_db[later]
    panel.plot(time_s, trace, label=name, **style)
    if len(answer.phases_deg) > 1:
        panel.fill_between(
            time_s, answer.reduction_least_db[later], answer.reduction_most_db[later], color=style["color"],
            alpha=SHADE, linewidth=0.0,
        )  # fmt: skip
    mark(panel, time_s, trace, [answer.spreads[name].at_zero for name in ("t63_s", "t90_s")], style["color"])


def _draw_grid(settings: Sequence[SettingTiming], names: Sequence[str], axis: str, title: str) -> Figure:
    """63 % times against the values of ``axis``, one line for each combination of the others."""
    lines: dict[str, list[SettingTiming]] = {}
    for name, one in zip(names, settings, strict=True):
        parts = [part for part in name.split(", ") if not part.startswith(f"{axis}=")]
        lines.setdefault(", ".join(parts), []).append(one)
    with new_figure(title, GRID_INCH) as figure:
        panels = figure.subplots(1, 2)
        for panel, way in zip(panels, ("attack", "release"), strict=True):
            for (name, group), style, marker in zip(lines.items(), line_styles(), _markers(), strict=False):
                spreads = [getattr(one, way).spreads["t63_s"] for one in group]
                x = np.array([float(one.setting[axis]) for one in group])
                y, low, high = (
                    np.array([np.nan if getattr(s, key) is None else getattr(s, key) for s in spreads], dtype=float)
                    for key in ("at_zero", "least", "most")
                )
                panel.plot(x, y, label=name, marker=marker, markersize=3.5, **style)
                panel.fill_between(x, low, high, color=style["color"], alpha=SHADE, linewidth=0.0)
            panel.set_yscale("log")
            _seconds_on(panel.yaxis, *panel.get_ylim())
            panel.set_xlabel(axis)
            panel.set_title(f"{way.capitalize()}: {T63} of the change in dB", loc="left")
        panels[0].set_ylabel("Time")
        legend_below(figure, panels[0], 5)
    return figure


def _numeric(varied: Sequence[Mapping[str, str]]) -> str | None:
    """The varied name with the most values, all of them numbers."""
    best, most = None, 2
    for name in varied[0] if varied else ():
        values = {one.get(name, "") for one in varied}
        try:
            [float(value) for value in values]
        except ValueError:
            continue
        if len(values) > most:
            best, most = name, len(values)
    return best


def mark(panel: Axes, time_s: Any, trace: Any, instants: Sequence[float | None], colour: str) -> None:
    """A dot on the trace at each instant that there is."""
    for instant in instants:
        if instant is not None:
            panel.plot(instant, np.interp(instant, time_s, trace), "o", color=colour, markersize=3.5)


def start_of(times_s: Sequence[float | None], time_s: Any) -> float:
    """Where a logarithmic axis begins that shows what happens at these times."""
    first = float(time_s[time_s > 0.0][0])
    known = [time for time in times_s if time is not None]
    return max(first, NEAR_STEP * min(known)) if known else first


def time_axis(panel: Axes) -> None:
    """Time after the step, logarithmic."""
    panel.set_xscale("log")
    _seconds_on(panel.xaxis, *panel.get_xlim())
    panel.set_xlabel("Time after the step")


def linear_time(panel: Axes, end_s: float) -> None:
    """Time after the step, from zero to ``end_s``."""
    panel.set_xlim(0.0, end_s)
    panel.xaxis.set_major_locator(MaxNLocator(6))
    unit, factor = ("us", 1e6) if end_s < 1e-3 else ("ms", 1e3) if end_s < 1.0 else ("s", 1.0)
    panel.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{factor * value:.4g}"))
    panel.set_xlabel(f"Time after the step ({unit})")


def _seconds_on(axis: Any, low: float, high: float) -> None:
    """Ticks at 1, or where there is room at 1, 2 and 5 of every decade."""
    subs = (1.0, 2.0, 5.0) if high < WIDE * low else (1.0,)
    axis.set_major_locator(LogLocator(base=10.0, subs=subs, numticks=20))
    axis.set_minor_formatter(NullFormatter())
    axis.set_major_formatter(FuncFormatter(lambda value, _: _tick(value)))


def _tick(value: float) -> str:
    return "0" if value == 0.0 else seconds(value * (1.0 + 1e-9))


def _markers() -> Sequence[str]:
    return MARKERS * 4
