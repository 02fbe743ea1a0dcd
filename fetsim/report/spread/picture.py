"""Pictures of a spread: the builds (band of the curve, plane of two figures, histograms), and what parts do in it."""

from collections.abc import Callable
from math import isfinite

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Picture
from matplotlib.ticker import MaxNLocator

from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.report.look.plots import AMBER, BLUE, GREY, SHADE, WINE, decibel_axis, new_figure
from fetsim.studies.builds.asked import Figure
from fetsim.studies.spread.limits import Limit
from fetsim.studies.spread.results import SpreadFound

PANELS_A_ROW = 2
PANEL_INCH = 2.0
HEAD_INCH = 0.5
MOST_HISTOGRAMS = 9
ROOM, BAR = 0.2, 0.1
"""Around builds that all read the same: half of the axis as a share of the value, and the bar as a share of that."""
BAND = (5.0, 50.0, 95.0)
PARTS = 8
"""In a panel of shares or moves."""
DIFFERENCES = {"dBu": "dB"}
SCALES = {"second": (1e3, "ms"), "share": (100.0, "%"), "hertz": (1.0, "Hz"), "volt": (1.0, "V")}

Draw = Callable[[Axes], None]


def draw(found: SpreadFound, plane: tuple[str, str] | None = None) -> Picture:
    """Band of the curve, plane of two figures, and a histogram of each figure that builds have.

    Raises InputError where ``plane`` names a figure that was not asked for.
    """
    panels: list[Draw] = []
    if found.curve_dbu:
        panels.append(lambda ax: draw_band(ax, found))
    figures = list(found.told)
    pair = _pair(found, plane)
    if pair is not None:
        one, other = pair
        panels.append(lambda ax: draw_plane(ax, found, one, other))
    known = [one for one in figures if np.isfinite(found.found.columns[one.key]).any()]
    panels += [_histogram(found, figure) for figure in known[:MOST_HISTOGRAMS]]
    return _panels(found.title, panels)


def draw_parts(found: SpreadFound) -> Picture:
    """For each figure which parts are to blame for its spread, and what more of each value does to it."""
    panels = [
        panel
        for figure in found.told
        for panel in (_blame(found, figure), _moved(found, figure))
    ]
    picture = _panels(f"Parts of {found.unit.name}", [panel for panel in panels if panel is not None])
    if not any(panels):
        reasons = {found.blame[one.key].reason or "no share is above its own error" for one in found.told}
        picture.text(0.01, 0.5, "Nothing to draw: " + ";\n".join(sorted(reasons)))
    return picture


def _panels(title: str, panels: list[Draw]) -> Picture:
    rows = max(1, -(-len(panels) // PANELS_A_ROW))
    with new_figure(title, HEAD_INCH + PANEL_INCH * rows) as picture:
        axes = np.atleast_1d(picture.subplots(rows, PANELS_A_ROW)).ravel()
        for ax, panel in zip(axes, panels, strict=False):
            panel(ax)
        for ax in axes[len(panels) :]:
            ax.set_visible(False)
    return picture


def draw_band(ax: Axes, found: SpreadFound) -> None:
    """Gain reduction over level: nominal, median, and between the 5th and the 95th percentile of the builds."""
    low, middle, high = found.band_db(BAND)
    levels = np.array(found.curve_dbu)
    nominal = [found.nominal.found.get(f"reduction@{level:g}", np.nan) for level in levels]
    ax.fill_between(levels, low, high, color=BLUE, alpha=SHADE, linewidth=0.0)
    ax.plot(levels, middle, color=BLUE)
    ax.plot(levels, nominal, color=WINE, linestyle=(0, (5, 1.5)))
    _titled(ax, "band: 5 to 95 %; dashed: nominal")
    ax.set(xlabel="Input (dBu)", ylabel="Gain reduction (dB)")
    for which in "xy":
        decibel_axis(ax, which, 5)


def draw_plane(ax: Axes, found: SpreadFound, one: Figure, other: Figure) -> None:
    """Builds in the plane of two figures; those outside a limit are crosses."""
    inside = np.ones(len(found.changes), dtype=bool)
    for limit in found.limits:
        inside &= limit.met(found.found.columns[limit.figure.key])
    x, y = (found.found.columns[figure.key] * _scale(figure)[0] for figure in (one, other))
    ax.plot(x[inside], y[inside], ".", color=BLUE, markersize=3.0)
    ax.plot(x[~inside], y[~inside], "x", color=AMBER, markersize=3.5)
    start = [found.nominal.found.get(figure.key, np.nan) * _scale(figure)[0] for figure in (one, other)]
    ax.plot(*start, "o", color=WINE, markersize=4.0)
    for which, figure in (("x", one), ("y", other)):
        column = found.found.columns[figure.key]
        _give_room(ax, figure, column[np.isfinite(column)], which)
    for limit in found.limits:
        _limit_lines(ax, limit, "x" if limit.figure.key == one.key else "y" if limit.figure.key == other.key else "")
    _titled(ax, f"large dot: nominal{'' if inside.all() else '; crosses: outside a limit'}")
    ax.set(xlabel=_axis(one), ylabel=_axis(other))


def _histogram(found: SpreadFound, figure: Figure) -> Draw:
    def panel(ax: Axes) -> None:
        factor, _ = _scale(figure)
        column = found.found.columns[figure.key]
        known = column[np.isfinite(column)]
        alike = _alike(figure, known)
        if alike is not None:
            ax.bar(alike[0], known.size, BAR * alike[1], color=BLUE, alpha=0.75)
            _give_room(ax, figure, known, "x")
        elif known.size:
            ax.hist(known * factor, bins="auto", color=BLUE, alpha=0.75)
        nominal = found.nominal.found.get(figure.key)
        if nominal is not None:
            ax.axvline(nominal * factor, color=WINE, linewidth=1.0, linestyle=(0, (5, 1.5)))
        for limit in found.limits:
            _limit_lines(ax, limit, "x" if limit.figure.key == figure.key else "")
        for read in found.readings:
            if read.reading.figure.key == figure.key:
                ax.axvline(read.reading.value * factor, color=AMBER, linewidth=1.4)
                _titled(ax, "solid line: what was read")
        ax.set(xlabel=_axis(figure), ylabel="Builds")
        ax.locator_params(axis="x", nbins=5)
        ax.yaxis.set_major_locator(MaxNLocator(5, integer=True))

    return panel


def _alike(figure: Figure, values: Array) -> tuple[float, float] | None:
    """Middle of values that all read the same, and half of an axis on which they show no spread; else None."""
    if len({figure.show(float(value)) for value in values}) != 1:
        return None
    factor, middle = _scale(figure)[0], float(np.mean(values))
    half = ROOM * (abs(middle) or 1.0)
    while figure.show(middle + half) == figure.show(middle):
        half *= 2.0  # an axis whose end reads as its middle does would show their rounding
    return middle * factor, half * factor


def _give_room(ax: Axes, figure: Figure, values: Array, which: str) -> None:
    """Keep an axis from magnifying the rounding of values that all read the same."""
    alike = _alike(figure, values)
    if alike is not None:
        ends = [(end, end) for end in (alike[0] - alike[1], alike[0] + alike[1])]
        ax.update_datalim(ends, updatex=which == "x", updatey=which == "y")
        ax.autoscale_view()


def _blame(found: SpreadFound, figure: Figure) -> Draw | None:
    blame = found.shares.get(figure.key) or found.blame[figure.key]
    ranked = [one for one in blame.shares if one.ranked][:PARTS][::-1]

    def panel(ax: Axes) -> None:
        shares = [100.0 * (one.share if one.total is None else one.total) for one in ranked]
        errors = [100.0 * (one.error if one.total is None else one.total_error or 0.0) for one in ranked]
        ax.barh([one.group for one in ranked], shares, xerr=errors, color=BLUE, alpha=0.75, height=0.65,
                error_kw={"linewidth": 0.8, "ecolor": GREY})  # fmt: skip
        _titled(ax, f"to blame for {figure.heading}")
        ax.set_xlabel("Share of variance (%)" if figure.key in found.shares else "Share of variance of ranks (%)")
        ax.set_xlim(left=0.0)
        _from_the_top(ax, len(ranked))
        ax.grid(axis="y", visible=False)

    return panel if ranked else None


def _moved(found: SpreadFound, figure: Figure) -> Draw | None:
    moves = found.moves
    largest = [] if moves is None else moves.largest(figure.key, PARTS)[::-1]
    step = 0.0 if moves is None else moves.step

    def panel(ax: Axes) -> None:
        factor, _ = _scale(figure)
        unit = DIFFERENCES.get(_scale(figure)[1], _scale(figure)[1])
        by = [factor * (one.by[figure.key] or 0.0) for one in largest]
        ax.barh([one.name for one in largest], by, color=[BLUE if value > 0.0 else AMBER for value in by], height=0.65)
        ax.axvline(0.0, color=GREY, linewidth=0.6)
        _titled(ax, f"{100.0 * step:g} % more moves {figure.heading}")
        ax.set_xlabel(f"By ({unit})" if unit else "By")
        _from_the_top(ax, len(largest))
        ax.grid(axis="y", visible=False)
        ax.locator_params(axis="x", nbins=5)

    return panel if largest else None


def _from_the_top(ax: Axes, bars: int) -> None:
    """Room for as many bars in every panel, so that one alone is no wall."""
    ax.set_ylim(bars - PARTS - 0.4, bars - 0.4)


def _pair(found: SpreadFound, plane: tuple[str, str] | None) -> tuple[Figure, Figure] | None:
    figures = {one.key: one for one in found.found.figures}
    if plane is None:
        told = sorted(found.told, key=lambda one: _is_flat(found, one))  # in their order, those that spread first
        return (told[0], told[1]) if len(told) > 1 else None
    for name in plane:
        if name not in figures:
            raise InputError(f"plane: {name[:40]!r} was not asked for; choices: {', '.join(figures)}")
    return figures[plane[0]], figures[plane[1]]


def _is_flat(found: SpreadFound, figure: Figure) -> bool:
    """Whether no build has it, or all read the same."""
    column = found.found.columns[figure.key]
    known = column[np.isfinite(column)]
    return known.size == 0 or _alike(figure, known) is not None


def _limit_lines(ax: Axes, limit: Limit, which: str) -> None:
    for end in (limit.low, limit.high):
        if which and isfinite(end):
            line = ax.axvline if which == "x" else ax.axhline
            line(end * _scale(limit.figure)[0], color=GREY, linewidth=0.8, linestyle=(0, (1.5, 1)))


def _scale(figure: Figure) -> tuple[float, str]:
    return SCALES.get(figure.quantity, (1.0, figure.unit))


def _axis(figure: Figure) -> str:
    unit = _scale(figure)[1]
    heading = figure.heading[0].upper() + figure.heading[1:]
    return f"{heading} ({unit})" if unit else heading


def _titled(ax: Axes, text: str) -> None:
    ax.set_title(text, loc="left", color=GREY)
