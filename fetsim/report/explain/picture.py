"""Picture of a burst on its way round the loop: its traces above each other, three stretches of time beside each other.

Left how it begins, at full rate; in the middle the last two cycles of the burst; right what comes after it, where every
column shows the mean and the range of a cycle or several. Under each row stands its sentence.
"""

import textwrap
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator
from numpy.typing import NDArray

from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.measurements.explain.figures import VISIBLE
from fetsim.measurements.explain.procedure import Explanation
from fetsim.measurements.explain.sentences import Told, told
from fetsim.measurements.explain.traces import BurstTraces, Trace
from fetsim.report.look.plots import AMBER, BLUE, GREY, SHADE, TEAL, WINE, line_styles, new_figure, short

PANEL_INCH, TITLE_INCH, TEXT_INCH, LINE_INCH, GAP_INCH = 0.62, 0.17, 0.07, 0.14, 0.18
TOP_INCH, BOTTOM_INCH = 0.45, 0.43
WIDTHS = (1.5, 0.75, 1.3)  # of the three stretches
LETTERS = 118  # of a sentence in one line
LEAD_CYCLES = 1  # shown before the burst
SETTLED_CYCLES = 2
FEWEST_CYCLES, MOST_CYCLES = 4, 24  # shown of the beginning,
TIMES_63 = 4.0  # where so many times the time to 63 % decide
COLUMNS = 300  # of the right-hand stretch
COLOURS = {"source": AMBER, "tap": BLUE, "control": WINE, "channel": TEAL, "gain": WINE, "output": BLUE}
RECTIFIER_LINES: tuple[tuple[str, Any, str], ...] = (
    (BLUE, "-", "solid"), (AMBER, (0, (1.5, 0.8)), "dotted"), (TEAL, (0, (6, 1.5, 1.5, 1.5)), "dash-dotted"),
)
CONTROL_DASHES = (0, (4, 1.5))
OWN_SCALE = ("source", "tap", "rectifier", "output")  # after the burst, where they are too small for the burst's
UNITS = {"channel": "ohm", "gain": "dB"}  # volts otherwise
OHMS = tuple(step * 10.0**decade for decade in range(7) for step in (1.0, 3.0))
LEAST_SPAN_DB = 1.0


@dataclass(frozen=True)
class _Stretch:
    """Instants of one column of panels, in ``unit``, and which samples they are."""

    title: str
    time: Array
    unit: str
    where: slice


def draw(measured: Mapping[str, Explanation], title: str) -> Figure:
    """Label of the version -> explanation: one of them, since every row bears its sentence. Raises InputError."""
    if len(measured) != 1:
        raise InputError(f"explain: {len(measured)} versions in one picture; draw each on its own")
    (one,) = measured.values()
    words = told(one)
    sentences = {name: textwrap.wrap(row.sentence, LETTERS) for name, row in words.items()}
    heights = [TITLE_INCH + PANEL_INCH + LINE_INCH * len(text) + GAP_INCH for text in sentences.values()]
    height = TOP_INCH + sum(heights) + BOTTOM_INCH
    with new_figure(title, height) as figure:
        figure.set_layout_engine("none")
        down = TOP_INCH
        for name, text in sentences.items():
            last = name == next(reversed(sentences))
            _draw_row(figure, one, words[name], name, down, axis=last)
            down += TITLE_INCH + PANEL_INCH + (BOTTOM_INCH if last else TEXT_INCH)
            figure.text(0.012, 1.0 - down / height, "\n".join(text), va="top", linespacing=1.2)
            down += LINE_INCH * len(text) + GAP_INCH - TEXT_INCH
    return figure


def draw_on(ax: Axes, measured: Mapping[str, Explanation]) -> None:
    """The gain reduction as it sets in, alone."""
    for (label, one), style in zip(measured.items(), line_styles(), strict=False):
        stretch = _stretches(one.traces, one.figures.control.t63_s)[0]
        ax.plot(stretch.time, one.traces.reduction.now[stretch.where], label=label, **style)
    ax.set(xlabel="ms from the burst's beginning", ylabel="Gain reduction (dB)")


def draw_rows(one: Explanation) -> dict[str, Figure]:
    """Name of the trace -> a figure of that row alone, for a page that puts the sentences under them itself."""
    figures = {}
    for name, row in told(one).items():
        with new_figure("", TITLE_INCH + PANEL_INCH + BOTTOM_INCH) as figure:
            figure.set_layout_engine("none")
            _draw_row(figure, one, row, name, 0.0, axis=True)
            figures[name] = figure
    return figures


def _draw_row(figure: Figure, one: Explanation, row: Told, name: str, down_inch: float, *, axis: bool) -> None:
    height = figure.get_figheight()
    stretches = _stretches(one.traces, one.figures.control.t63_s)
    panels = _row(figure, 1.0 - (down_inch + TITLE_INCH + PANEL_INCH) / height, PANEL_INCH / height)
    key = _draw(one, name, panels, stretches)
    _dress(panels, stretches, own_scale=name in OWN_SCALE, axis=axis)
    panels[0].set_title(f"{_heading(name, row)}{key}", loc="left", pad=3.0, fontweight="bold", fontsize=8.0)
    for panel, stretch in zip(panels[1:] if name == "source" else (), stretches[1:], strict=False):
        panel.set_title(stretch.title, loc="left", pad=3.0, color=GREY)


def _row(figure: Figure, bottom: float, height: float) -> list[Axes]:
    """Three panels beside each other; in shares of the figure."""
    left, right, gap = 0.075, 0.925, 0.028
    whole = right - left - gap * (len(WIDTHS) - 1)
    panels = []
    for width in WIDTHS:
        share = whole * width / sum(WIDTHS)
        panels.append(figure.add_axes((left, bottom, share, height)))
        left += share + gap
    return panels


def _heading(name: str, row: Told) -> str:
    return f"{row.title} ({row.where}), {UNITS.get(name, 'V')}"


def beginning(traces: BurstTraces, t63_s: float | None) -> slice:
    """The samples in which a burst sets in: a cycle before it and some of its own, more of them for a slow control."""
    cycle = traces.rate_hz / traces.frequency_hz
    wanted = np.ceil(TIMES_63 * (t63_s or 0.0) * traces.frequency_hz)
    cycles = float(np.clip(wanted, FEWEST_CYCLES, MOST_CYCLES))
    first = max(0, traces.lead - round(LEAD_CYCLES * cycle))
    return slice(first, min(traces.source.now.size, traces.lead + round(cycles * cycle)))


def _stretches(traces: BurstTraces, t63_s: float | None) -> tuple[_Stretch, _Stretch, _Stretch]:
    samples = traces.source.now.size
    cycle = traces.rate_hz / traces.frequency_hz
    begin = beginning(traces, t63_s)
    settled = slice(max(0, samples - round(SETTLED_CYCLES * cycle)), samples)
    after = (1.0, "s") if traces.after_s[-1] >= 1.0 else (1e3, "ms")
    return (
        _Stretch("", 1e3 * traces.time_s[begin], "ms from the burst's beginning", begin),
        _Stretch("its end", 1e3 * traces.time_s[settled], "ms", settled),
        _Stretch("after the burst", after[0] * traces.after_s, f"{after[1]} from the burst's end", slice(None)),
    )


def _draw(one: Explanation, name: str, panels: Sequence[Axes], stretches: Sequence[_Stretch]) -> str:
    """Draws one row; what its lines are, where there are several."""
    traces, figures = one.traces, one.figures
    if name == "rectifier":
        keys = []
        for (point, trace), (colour, dashes, word) in zip(traces.rectifier.items(), RECTIFIER_LINES, strict=False):
            _line(panels, trace, stretches, colour, linestyle=dashes)
            keys.append(f"{point} {word}")
        _line(panels, traces.control, stretches, WINE, linestyle=CONTROL_DASHES)
        return f"; {', '.join([*keys, 'control voltage dashed'])}"
    if name == "channel":
        _line(panels, traces.conductance, stretches, COLOURS[name], _resistance)
        _scale_resistance(panels, one)
        return ""
    _line(panels, _plain_traces(traces)[name], stretches, COLOURS[name])
    if name == "gain":
        for panel in panels:
            panel.set_ylim(0.0, max(LEAST_SPAN_DB, panel.get_ylim()[1]))
    if name == "control" and figures.control.pinch_off_v is not None:
        for panel in panels:
            panel.axhline(figures.control.pinch_off_v, color=GREY, linewidth=0.8, linestyle=(0, (1, 1.5)))
        return "; dotted: here the FET begins to conduct"
    return ""


def _plain_traces(traces: BurstTraces) -> dict[str, Trace]:
    return {
        "source": traces.source, "tap": traces.tap, "control": traces.control, "gain": traces.reduction,
        "output": traces.output,
    }  # fmt: skip


def _line(
    panels: Sequence[Axes],
    trace: Trace,
    stretches: Sequence[_Stretch],
    colour: str,
    shown: Callable[[Array], Array] = np.asarray,
    **style: Any,
) -> None:
    *now, after = stretches
    for panel, stretch in zip(panels, now, strict=False):
        panel.plot(stretch.time, shown(trace.now[stretch.where]), color=colour, linewidth=1.0, **style)
    starts = _column_starts(after.time.size)
    low, high = np.minimum.reduceat(trace.low, starts), np.maximum.reduceat(trace.high, starts)
    mean = np.add.reduceat(trace.mean, starts) / np.diff([*starts, after.time.size])
    panels[2].fill_between(after.time[starts], shown(low), shown(high), color=colour, alpha=SHADE, linewidth=0.0)
    panels[2].plot(after.time[starts], shown(mean), color=colour, linewidth=1.0, **style)


def _column_starts(cycles: int) -> NDArray[np.intp]:
    return np.unique(np.linspace(0, cycles, min(cycles, COLUMNS), endpoint=False).astype(np.intp))


def _resistance(conductance_s: Array) -> Array:
    return np.asarray(1.0 / np.maximum(conductance_s, 1e-12))


def _scale_resistance(panels: Sequence[Axes], one: Explanation) -> None:
    """From the channel's least to where it takes less than 0.1 dB: what lies above counts as off."""
    channel = one.figures.channel
    for panel in panels:
        panel.set_yscale("log")
        panel.set_ylim(0.7 * min(channel.on_ohm, channel.least_ohm), VISIBLE * one.divider_ohm)
        panel.yaxis.set_major_locator(FixedLocator(OHMS[::2]))
        panel.yaxis.set_minor_locator(NullLocator())
        panel.yaxis.set_major_formatter(FuncFormatter(lambda ohm, _: short(ohm)))


def _dress(panels: Sequence[Axes], stretches: Sequence[_Stretch], *, own_scale: bool, axis: bool) -> None:
    shared = panels[:2] if own_scale else panels
    low = min(panel.get_ylim()[0] for panel in shared)
    high = max(panel.get_ylim()[1] for panel in shared)
    for panel in shared:
        panel.set_ylim(low, high)
    for panel, stretch in zip(panels, stretches, strict=True):
        panel.set_xlim(0.0 if panel is panels[2] else stretch.time[0], stretch.time[-1])
        if panel.get_yscale() == "linear":
            panel.yaxis.set_major_locator(MaxNLocator(4))
        panel.xaxis.set_major_locator(MaxNLocator(2, prune="upper") if panel is panels[1] else MaxNLocator(5))
        panel.set_xlabel(stretch.unit if axis else "")
        panel.tick_params(bottom=axis, labelbottom=axis)
    for panel in panels[1:]:
        panel.tick_params(labelleft=False, left=False)
        panel.spines["left"].set_visible(False)
    if own_scale:
        panels[2].yaxis.tick_right()
        panels[2].tick_params(labelright=True, right=True)
        panels[2].spines["right"].set_visible(True)
