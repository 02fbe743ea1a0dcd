"""Picture of a recorded test file: curve, response, attack and release, recorded beside simulated."""

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fetsim.report.look.plots import decibel_axis, line_styles, new_figure
from fetsim.studies.signals.reading import ChannelReading
from fetsim.studies.signals.record import SignalsReading

HEIGHT_INCH = 6.4
TAIL_SHARE = 6.0  # times to 63 % that are drawn


def draw(measured: Mapping[str, SignalsReading], title: str) -> Figure:
    """Names of the recordings -> what they give: gain reduction, response, attack and release."""
    with new_figure(title, HEIGHT_INCH) as figure:
        (curve, response), (attack, release) = figure.subplots(2, 2)
        draw_on(curve, measured)
        for (label, one), style in zip(_lines(measured), line_styles(), strict=False):
            response.plot(one.response_hz, one.response_db, label=label, **style)
            for panel, kind in ((attack, "attack"), (release, "release")):
                _draw_step(panel, one, kind, style)
        response.set_xscale("log")
        response.set_xlabel("Frequency (Hz)")
        response.set_ylabel("Gain re 1 kHz (dB)")
        response.set_title("Response", loc="left")
        for panel, kind in ((attack, "Attack"), (release, "Release")):
            panel.set_xlabel("Time from the step (ms)")
            panel.set_ylabel("Gain (dB)")
            panel.set_title(kind, loc="left")
            decibel_axis(panel)
    return figure


def draw_on(ax: Axes, measured: Mapping[str, SignalsReading]) -> None:
    """Gain reduction against level, with two standard deviations."""
    for (label, one), style in zip(_lines(measured), line_styles(), strict=False):
        level, reduction = one.curve.level_dbu, one.curve.gain_reduction_db
        ax.plot(level, reduction, label=label, **style)
        ax.fill_between(
            level, reduction - 2.0 * one.curve_error_db, reduction + 2.0 * one.curve_error_db, alpha=0.25,
            color=style["color"], linewidth=0.0,
        )  # fmt: skip
    ax.set_xlabel("Input level (dBu)")
    ax.set_ylabel("Gain reduction (dB)")
    ax.set_title("Static curve, 1 kHz", loc="left")
    ax.legend()
    decibel_axis(ax)


def _lines(measured: Mapping[str, SignalsReading]) -> Iterator[tuple[str, ChannelReading]]:
    for one in measured.values():
        for channel in one.channels:
            which = f", channel {channel.number}" if len(one.channels) > 1 else ""
            yield f"{one.name}{which}", channel.reading
            if channel.simulated is not None:
                yield f"{one.unit_name}, simulated{which}", channel.simulated


def _draw_step(panel: Axes, one: ChannelReading, kind: str, style: Mapping[str, Any]) -> None:
    for step in one.steps:
        if step.timing.kind != kind:
            continue
        until_s = TAIL_SHARE * step.timing.t63_s if step.timing.t63_s is not None else step.time_s[-1]
        # a window that lies across the step tells of neither side
        away = np.abs(step.time_s) > step.window_s if kind == "release" else step.time_s > 0.0
        shown = away & (step.time_s > -0.2 * until_s) & (step.time_s < until_s)
        panel.plot(1e3 * step.time_s[shown], step.gain_db[shown], **style)
        return
