"""One look for all figures: size, colours, axes, and how they are saved.

Figures are made without pyplot: no state, no screen. The colours are our own; they keep a distance of 20 or more (CIE
Lab, simulated protanopia, deuteranopia, tritanopia and normal sight) and every line also has its own dashes, so that
nothing rests on colour alone.
"""

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import cycle
from pathlib import Path
from textwrap import fill
from typing import Any

import matplotlib
from matplotlib.axes import Axes
from matplotlib.figure import Figure, FigureBase
from matplotlib.text import Text
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from fetsim.errors import InputError
from fetsim.safe_text import printable

WIDTH_INCH = 7.0
DOTS_PER_INCH = 160
TITLE_LETTERS = 95  # in a line, as wide as the figure
BLUE, AMBER, WINE, TEAL, LILAC = "#1f5fa0", "#e09b2d", "#7d1538", "#5db7a8", "#a98bd6"
COLOURS = (BLUE, AMBER, WINE, TEAL, LILAC)
GREY = "0.45"
DASHES: tuple[Any, ...] = ("-", (0, (5, 1.5)), (0, (1.5, 1)), (0, (6, 1.5, 1.5, 1.5)))
SHADE = 0.22  # opacity of a range
STYLE: dict[Any, Any] = {
    "font.size": 8.0, "axes.titlesize": 8.5, "axes.linewidth": 0.6, "axes.grid": True, "grid.color": "0.88",
    "grid.linewidth": 0.5, "axes.axisbelow": True, "axes.spines.top": False, "axes.spines.right": False,
    "lines.linewidth": 1.2, "hatch.linewidth": 0.6, "legend.frameon": False, "legend.fontsize": 8.0,
    "svg.hashsalt": "fetsim", "text.parse_math": False,  # a unit may be called anything, dollar signs included
}  # fmt: skip
WITHOUT_DATE: dict[str, dict[str, Any]] = {
    "png": {"Software": ""}, "svg": {"Date": None}, "pdf": {"CreationDate": None},
}  # fmt: skip


@contextmanager
def new_figure(title: str, height_inch: float) -> Iterator[Figure]:
    """A figure of the width of a report, its title set flush left, in lines where it is long; draw on it inside the
    ``with``."""
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH_INCH, height_inch), dpi=DOTS_PER_INCH, layout="constrained")
        figure.suptitle(fill(title, TITLE_LETTERS), fontsize=10.0, x=0.01, ha="left")
        yield figure


def line_styles() -> Iterator[dict[str, Any]]:
    """Colour and dashes of the first, second, ... line of a figure; twenty before they come again."""
    for number in cycle(range(len(COLOURS) * len(DASHES))):
        row, colour = divmod(number, len(COLOURS))
        yield {"color": COLOURS[colour], "linestyle": DASHES[(colour + row) % len(DASHES)]}


def legend_below(figure: FigureBase, panel: Axes, columns: int = 4) -> None:
    """The lines of a panel named once for the whole figure, under it; nothing when there is only one."""
    handles, labels = panel.get_legend_handles_labels()
    if len(labels) > 1:
        longest = max(len(label) for label in labels)
        columns = max(1, min(columns, len(labels), 100 // (longest + 8)))
        figure.legend(handles, labels, loc="outside lower center", ncols=columns, handlelength=3.2)


def plain_log_axis(panel: Axes, which: str, ticks: tuple[float, ...]) -> None:
    """A logarithmic axis with plain numbers at the ticks that lie on it."""
    axis = panel.xaxis if which == "x" else panel.yaxis
    (panel.set_xscale if which == "x" else panel.set_yscale)("log")
    axis.set_major_locator(FixedLocator(list(ticks)))
    axis.set_minor_locator(NullLocator())
    axis.set_major_formatter(FuncFormatter(lambda value, _: short(value)))


def decibel_axis(panel: Axes, which: str = "y", count: int = 6) -> None:
    """Ticks at whole decibels that are easy to count."""
    axis = panel.xaxis if which == "x" else panel.yaxis
    axis.set_major_locator(MaxNLocator(count, steps=[1, 2, 3, 5, 6, 10]))


def picture_kind(path: Path) -> str:
    """``png``, ``svg`` or ``pdf``, by the suffix. Raises InputError for any other."""
    kind = path.suffix.lower().removeprefix(".")
    if kind not in WITHOUT_DATE:
        choices = ", ".join(f".{name}" for name in WITHOUT_DATE)
        raise InputError(f"{path}: pictures are {choices} files; choose one of these suffixes")
    return kind


def save_figure(figure: Figure, path: Path, kind: str) -> None:
    """Write as ``kind``, whatever ``path`` ends in; the same figure gives the same file."""
    make_texts_safe(figure)
    with matplotlib.rc_context(STYLE), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")  # shown as a box: the font has no such letter
        figure.savefig(path, format=kind, metadata=WITHOUT_DATE[kind])


def make_texts_safe(figure: Figure) -> None:
    """No text of the figure steers a reader of its file: names of units and files may hold anything."""
    for text in figure.findobj(Text):
        safe = printable(text.get_text(), lines=True)
        if safe != text.get_text():
            text.set_text(safe)


def short(value: float) -> str:
    """``500``, ``20k``, ``1M``, as a tick says it."""
    for least, letter in ((1e6, "M"), (1e3, "k")):
        if value >= least:
            return f"{value / least:g}{letter}"
    return f"{value:g}"
