"""Picture of a recorded pair: gain against time around every step."""

from collections.abc import Mapping

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fetsim.measurements.capture.procedure import CapturedStep, CaptureTiming
from fetsim.report.look.plots import decibel_axis, line_styles, new_figure
from fetsim.report.timing.picture import linear_time, mark, start_of, time_axis

HEIGHT_INCH = 3.2


def draw(measured: Mapping[str, CaptureTiming], title: str) -> Figure:
    """Names of the recordings -> what was found in them: gain against time around every step, one panel each."""
    steps = [step for one in measured.values() for step in one.steps]
    with new_figure(title, HEIGHT_INCH) as figure:
        panels = figure.subplots(1, len(steps), squeeze=False, sharey=True)[0]
        for panel, step in zip(panels, steps, strict=True):
            _draw_step(panel, step)
        panels[0].set_ylabel("Gain (dB)")
        decibel_axis(panels[0])
    return figure


def draw_on(ax: Axes, measured: Mapping[str, CaptureTiming]) -> None:
    """The first step alone."""
    _draw_step(ax, next(step for one in measured.values() for step in one.steps))
    ax.set_ylabel("Gain (dB)")
    decibel_axis(ax)


def _draw_step(panel: Axes, step: CapturedStep) -> None:
    style = next(line_styles())
    later = step.time_s > 0.0
    panel.plot(step.time_s[later], step.gain_db[later], **style)
    if step.timing.kind == "release":
        linear_time(panel, step.time_s[-1])
    else:
        panel.set_xlim(start_of([step.timing.t63_s], step.time_s[later]), step.time_s[-1])
        time_axis(panel)
    marked = [step.timing.t63_s, step.timing.t90_s]
    mark(panel, step.time_s[later], step.gain_db[later], marked, style["color"])
    kind = {"none": "no gain reduction"}.get(step.timing.kind, step.timing.kind).capitalize()
    panel.set_title(f"{kind}, input {step.to_db - step.from_db:+.1f} dB", loc="left")
