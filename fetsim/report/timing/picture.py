"""Pictures of attack and release: traces of a few settings, times over a grid of many, and a recorded pair."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullFormatter

from fetsim.measurements.timing.capture import CaptureTiming
from fetsim.measurements.timing.procedure import SettingTiming, StepAnswer
from fetsim.report.look.plots import GREY, SHADE, decibel_axis, legend_below, line_styles, new_figure
from fetsim.report.timing.text import seconds

TRACES_INCH, GRID_INCH, CAPTURE_INCH = 3.6, 3.8, 3.2
MOST_TRACES = 6  # settings drawn as traces; more are drawn as times
MARKERS = "os^Dvph*"
NEAR_STEP = 0.2  # of the time to 63 %: where a trace begins on its logarithmic axis
WIDE = 200.0  # ratio of an axis's ends from which on only whole decades get a tick


def draw_timing(settings: Mapping[str, SettingTiming], title: str) -> Figure:
    """Name -> setting: traces of a few, or times of many against what is varied."""
    varied = [one.setting for one in settings.values()]
    axis = _numeric(varied)
    if len(settings) <= MOST_TRACES or axis is None:
        return _draw_traces(settings, title)
    return _draw_grid(list(settings.values()), list(settings), axis, title)


def draw_capture(captured: CaptureTiming, title: str) -> Figure:
    """Gain against time around every step of a recorded pair, one panel each."""
    with new_figure(title, CAPTURE_INCH) as figure:
        panels = figure.subplots(1, len(captured.steps), squeeze=False, sharey=True)[0]
        style = next(line_styles())
        for panel, step in zip(panels, captured.steps, strict=True):
            later = step.time_s > 0.0
            panel.plot(step.time_s[later], step.gain_db[later], **style)
            if step.timing.kind == "release":
                _linear_time(panel, step.time_s[-1])
            else:
                panel.set_xlim(_start([step.timing.t63_s], step.time_s[later]), step.time_s[-1])
                _time_axis(panel)
            marked = [step.timing.t63_s, step.timing.t90_s]
            _mark(panel, step.time_s[later], step.gain_db[later], marked, style["color"])
            kind = {"none": "no gain reduction"}.get(step.timing.kind, step.timing.kind).capitalize()
            panel.set_title(f"{kind}, input {step.to_db - step.from_db:+.1f} dB", loc="left")
        panels[0].set_ylabel("Gain (dB)")
        decibel_axis(panels[0])
    return figure


def _draw_traces(settings: Mapping[str, SettingTiming], title: str) -> Figure:
    with new_figure(title, TRACES_INCH) as figure:
        attack, release = figure.subplots(1, 2, sharey=True)
        for (name, one), style in zip(settings.items(), line_styles(), strict=False):
            _trace(attack, one.attack, name, style)
            _trace(release, one.release, name, style)
        answers = [one.attack for one in settings.values()]
        starts = [_start([answer.spreads["t63_s"].at_zero], answer.time_s) for answer in answers]
        attack.set_xlim(min(starts), max(answer.time_s[-1] for answer in answers))
        _time_axis(attack)
        _linear_time(release, max(one.release.time_s[-1] for one in settings.values()))
        for panel, words in ((attack, "Attack"), (release, "Release (linear time)")):
            panel.set_title(words, loc="left")
        attack.set_title("dots: 63 % and 90 %; shade: over the phases", loc="right", color=GREY, fontsize=7.0)
        attack.set_ylabel("Gain reduction (dB)")
        decibel_axis(attack)
        legend_below(figure, attack)
    return figure


def _trace(panel: Axes, answer: StepAnswer, name: str, style: Mapping[str, Any]) -> None:
    later = answer.time_s > 0.0
    time_s, trace = answer.time_s[later], answer.reduction_db[later]
    panel.plot(time_s, trace, label=name, **style)
    if len(answer.phases_deg) > 1:
        panel.fill_between(
            time_s, answer.reduction_least_db[later], answer.reduction_most_db[later], color=style["color"],
            alpha=SHADE, linewidth=0.0,
        )  # fmt: skip
    _mark(panel, time_s, trace, [answer.spreads[name].at_zero for name in ("t63_s", "t90_s")], style["color"])


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
            panel.set_title(f"{way.capitalize()}: 63 % of the change in dB", loc="left")
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


def _mark(panel: Axes, time_s: Any, trace: Any, instants: Sequence[float | None], colour: str) -> None:
    for instant in instants:
        if instant is not None:
            panel.plot(instant, np.interp(instant, time_s, trace), "o", color=colour, markersize=3.5)


def _start(times_s: Sequence[float | None], time_s: Any) -> float:
    first = float(time_s[time_s > 0.0][0])
    known = [time for time in times_s if time is not None]
    return max(first, NEAR_STEP * min(known)) if known else first


def _time_axis(panel: Axes) -> None:
    panel.set_xscale("log")
    _seconds_on(panel.xaxis, *panel.get_xlim())
    panel.set_xlabel("Time after the step")


def _linear_time(panel: Axes, end_s: float) -> None:
    panel.set_xlim(0.0, end_s)
    panel.xaxis.set_major_locator(MaxNLocator(6))
    panel.xaxis.set_major_formatter(FuncFormatter(lambda value, _: _tick(value)))
    panel.set_xlabel("Time after the step")


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
