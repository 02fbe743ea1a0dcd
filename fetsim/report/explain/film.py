"""A burst as an animated picture or a video: the loop with its values, traces with an upright line, the last event.

What is shown is how the burst sets in, stretched to ``SECONDS``. An animated picture (.gif) is always to be had; a
video (.mp4) where the encoder ffmpeg is on the path. What stands still is drawn once, and what moves on top of it.
"""

import shutil
import tempfile
from pathlib import Path

import matplotlib
import numpy as np
from matplotlib.animation import AbstractMovieWriter, FFMpegWriter, PillowWriter
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon, Rectangle
from matplotlib.text import Text

from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.files.whole_files import Outputs, writing
from fetsim.measurements.explain.moments import moments
from fetsim.measurements.explain.procedure import Explanation
from fetsim.measurements.traces.checks import positive
from fetsim.report.explain.layout import BOX, PAD, Drawing, Line, Placed, laid_out
from fetsim.report.explain.loop import CHANNEL, NODE, drawn_loop
from fetsim.report.explain.record import Record, recorded
from fetsim.report.explain.rows import Row, devices, rows
from fetsim.report.explain.stills import Still, instant, still
from fetsim.report.look.plots import AMBER, BLUE, GREY, STYLE, TEAL, WINE, make_texts_safe
from fetsim.rig.runner import Progress, unwatched
from fetsim.schematic.unit import Unit

SECONDS, PICTURES_PER_SECOND = 12.0, 10
WIDE_INCH, HIGH_INCH, DOTS_PER_INCH = 9.6, 5.4, 100
LOOP_SHARE = 0.40  # of the width
COLOURS = {"amber": AMBER, "blue": BLUE, "wine": WINE, "teal": TEAL, "muted": GREY}
TIP = {"arrowstyle": "-|>", "shrinkA": 0, "shrinkB": 0}
BAR_WIDTH = BOX - 2.0 * PAD
ENCODER = "ffmpeg"


def check_film_path(path: Path) -> None:
    """Raises InputError for what can be no film, or not on this machine."""
    kind = path.suffix.lower()
    if kind not in (".gif", ".mp4"):
        raise InputError(f"{path}: a film is a .gif file (animated picture) or an .mp4 (video); choose one")
    if kind == ".mp4" and shutil.which(ENCODER) is None:
        what = f"a video needs the encoder {ENCODER}, which is not on the path"
        raise InputError(f"{path}: {what}; choose .gif, or install it")


def write_film(
    path: str | Path,
    unit: Unit,
    one: Explanation,
    *,
    seconds: float = SECONDS,
    overwrite: bool = False,
    progress: Progress = unwatched,
) -> Path:
    """Write the film of a burst through this unit, measured with ``moving=True``, whole or not at all.

    ``seconds``: how long it lasts. Raises InputError where it cannot be.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> one = fetsim.measure_explain(unit, burst_s=0.02, tail_s=0.1, quality="draft", moving=True)
    >>> fetsim.write_film("loop.gif", unit, one, seconds=0.5).name
    'loop.gif'
    """
    path = Path(path)
    check_film_path(path)
    with Outputs(overwrite=overwrite, inputs=unit.files) as outputs:
        fill_film(outputs.stage(path), path, unit, one, seconds=positive(seconds, "seconds"), progress=progress)
    return path


def fill_film(
    staged: Path, path: Path, unit: Unit, one: Explanation, *, seconds: float = SECONDS, progress: Progress = unwatched
) -> None:
    """Put the film into ``staged``, of the kind that ``path`` is."""
    video = path.suffix.lower() == ".mp4"
    writer: AbstractMovieWriter = (FFMpegWriter if video else PillowWriter)(fps=PICTURES_PER_SECOND)
    with writing(path), matplotlib.rc_context(STYLE), tempfile.TemporaryDirectory() as folder:
        made = Path(folder) / f"film{path.suffix.lower()}"  # both writers go by the suffix
        film = _Film(unit, one, seconds)
        count = max(2, round(seconds * PICTURES_PER_SECOND))
        screen = Figure(figsize=(WIDE_INCH, HIGH_INCH), dpi=DOTS_PER_INCH)
        image = screen.figimage(film.picture(0.0))
        with writer.saving(screen, str(made), DOTS_PER_INCH):
            for number in range(count):
                image.set_data(film.picture(number / (count - 1)))
                writer.grab_frame()
                progress((number + 1) / count)
        shutil.copyfile(made, staged)


class _Film:
    """The figure, and what moves in it."""

    def __init__(self, unit: Unit, one: Explanation, seconds: float) -> None:
        loop = drawn_loop(unit, one)
        self.record: Record = recorded(one)
        self.rows, self.devices = rows(one, loop, self.record), devices(loop)
        self.shown = [row for row in self.rows if not row.key.startswith(NODE)]
        steps = self.record.stretches[0]
        self.first_s, self.length_s = steps.start_s + steps.entry_s, (steps.count - 1) * steps.entry_s
        self.figure = Figure(figsize=(WIDE_INCH, HIGH_INCH), dpi=DOTS_PER_INCH)
        self.texts: dict[str, list[Text]] = {}
        self.marks: dict[str, tuple[Polygon, Text, str]] = {}
        self.bar = self._draw_loop(laid_out(loop))
        self.lines = [self._draw_row(row, number) for number, row in enumerate(self.shown)]
        title = f"{unit.name}, slowed {seconds / self.length_s:.0f} times"
        self.figure.text(0.01, 0.965, title, fontsize=10, fontweight="bold")
        self.clock = self.figure.text(0.99, 0.965, "", fontsize=10, fontweight="bold", ha="right")
        self.event = self.figure.text(0.01, 0.015, "", fontsize=9)
        make_texts_safe(self.figure)
        self.moments = [(moment.at_s, moment.event) for moment in moments(one)]
        marked = [artist for mark, text, _ in self.marks.values() for artist in (mark, text)]
        values = [text for texts in self.texts.values() for text in texts]
        self.moving: list[Artist] = [*self.lines, *marked, *values, self.bar, self.clock, self.event]
        for artist in self.moving:
            artist.set_animated(True)
        self.canvas = FigureCanvasAgg(self.figure)
        self.canvas.draw()  # type: ignore[no-untyped-call]
        self.still = self.canvas.copy_from_bbox(self.figure.bbox)  # type: ignore[no-untyped-call]

    def picture(self, share: float) -> Array:
        """What is to be seen at a share of the film [shape=(height, width, 4), bytes]."""
        self._show(share)
        self.canvas.restore_region(self.still)  # type: ignore[no-untyped-call]
        for artist in self.moving:
            self.figure.draw_artist(artist)
        return np.asarray(self.canvas.buffer_rgba()).copy()  # type: ignore[no-untyped-call]

    def _show(self, share: float) -> None:
        at_s = self.first_s + share * self.length_s
        now: Still = still(self.record, self.rows, self.devices, at_s, "")
        for key, texts in self.texts.items():
            for text in texts:
                text.set_text(now.texts[key])
        for key, (mark, text, name) in self.marks.items():
            lit = key in now.lit
            mark.set_facecolor(AMBER if lit else "none")
            text.set(text=f"{name} on" if lit else name, fontweight="bold" if lit else "normal")
        self.bar.set_width(BAR_WIDTH * now.bar)
        for line in self.lines:
            line.set_xdata([1e3 * at_s] * 2)
        self.clock.set_text(instant(at_s))
        told = [f"{instant(when_s)}: {event}" for when_s, event in self.moments if when_s <= at_s]
        self.event.set_text("   ".join(told[-2:]))

    def _draw_loop(self, drawing: Drawing) -> Rectangle:
        ax = self.figure.add_axes((0.005, 0.05, LOOP_SHARE, 0.9))
        ax.set(xlim=(0.0, drawing.width), ylim=(drawing.height, 0.0), aspect="equal")
        ax.set_axis_off()
        box = ax.get_window_extent()
        points = 72.0 / DOTS_PER_INCH * min(box.width / drawing.width, box.height / drawing.height)  # a pixel's
        for way in drawing.ways:
            ax.annotate("", way.points[-1], way.points[-2], arrowprops=TIP)
            ax.plot(*zip(*way.points[:-1], strict=True), color="black", linewidth=0.9)
            ax.text(way.x, way.y, way.label, fontsize=10 * points, color=GREY, ha="right" if way.ends else "left")
        for placed in drawing.boxes:
            ax.add_patch(Rectangle((placed.x, placed.y), placed.width, placed.height, fill=False, linewidth=0.8))
            for line in placed.lines:
                self._draw_line(ax, placed, line, 11 * points)
        place = next(line for placed in drawing.boxes for line in placed.lines if line.kind == "bar")
        frame, bar = (Rectangle((place.x, place.y + 5.0), BAR_WIDTH, 9.0, linewidth=0.8) for _ in range(2))
        frame.set(fill=False)
        bar.set(facecolor=TEAL)
        ax.add_patch(frame)
        ax.add_patch(bar)
        return bar

    def _draw_line(self, ax: Axes, placed: Placed, line: Line, size: float) -> None:
        weight = "bold" if line.kind == "title" else "normal"
        inside = 15.0 if line.kind == "device" else 0.0
        colour = GREY if line.kind == "fact" else "black"
        text = ax.text(line.x + inside, line.y, line.text, fontsize=size, fontweight=weight, color=colour)
        if line.kind == "device":
            corners = [(line.x, line.y - 10.0), (line.x + 10.0, line.y - 5.0), (line.x, line.y)]
            mark = Polygon(corners, facecolor="none", edgecolor="black", linewidth=0.8)
            ax.add_patch(mark)
            self.marks[line.key] = (mark, text, line.text)
        elif line.key:
            value = ax.text(placed.x + placed.width - 8.0, line.y, "", fontsize=size, ha="right", fontweight="bold")
            self.texts.setdefault(line.key, []).append(value)

    def _draw_row(self, row: Row, number: int) -> Line2D:
        high = 0.86 / len(self.shown)
        ax = self.figure.add_axes((LOOP_SHARE + 0.05, 0.94 - high * (number + 1), 0.94 - LOOP_SHARE, 0.62 * high))
        steps = self.record.stretches[0]
        time_ms = [1e3 * (steps.start_s + (place + 1) * steps.entry_s) for place in range(steps.count)]
        ax.plot(time_ms, self.record.entries[row.key].low[: steps.count], color=COLOURS[row.colour])
        if row.beside:
            ax.plot(time_ms, self.record.entries[row.beside].low[: steps.count], color=WINE, linestyle=(0, (4, 1.5)))
        ax.set(xlim=(time_ms[0], time_ms[-1]), ylim=(row.low, row.high))
        if row.key == CHANNEL:
            ax.set_yscale("log")
        ax.set_title(f"{row.title}, {row.where}", loc="left", fontsize=8, pad=2.0)
        title = ax.set_title("", loc="right", fontsize=8, pad=2.0, fontweight="bold")
        self.texts.setdefault(row.key, []).append(title)
        ax.tick_params(left=False, labelleft=False, labelbottom=row is self.shown[-1], bottom=False)
        ax.minorticks_off()
        if row is self.shown[-1]:
            ax.set_xlabel("ms from the burst's beginning", labelpad=1.0)
        return ax.axvline(time_ms[0], color="black", linewidth=1.0)
