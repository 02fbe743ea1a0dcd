"""Picture of a wish: where each wished figure lies against what is accepted, as it is and in the best combinations."""

from collections.abc import Mapping

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter

from fetsim.report.look.plots import legend_below, line_styles, new_figure
from fetsim.studies.wish.record import Wish
from fetsim.studies.wish.tables import rows_of

HEIGHT_INCH, ROW_INCH = 2.2, 0.45


def draw(measured: Mapping[str, Wish], title: str) -> Figure:
    """The one wish, under whatever label."""
    (found,) = measured.values()
    with new_figure(title, HEIGHT_INCH + ROW_INCH * len(found.wants)) as figure:
        ax = figure.subplots()
        _against(ax, found)
        legend_below(figure, ax, 5)
    return figure


def draw_on(ax: Axes, measured: Mapping[str, Wish]) -> None:
    """The same."""
    (found,) = measured.values()
    _against(ax, found)


def _against(ax: Axes, found: Wish) -> None:
    places = range(len(found.wants))
    ax.axvspan(-1.0, 1.0, color="0.92")
    for (label, one), style in zip(rows_of(found), line_styles(), strict=False):
        ax.plot(
            [one.misses[want.figure.key] for want in found.wants], places, "o", color=style["color"], label=label,
            markersize=5.0,
        )  # fmt: skip
    ax.set_yticks(list(places), [f"{one.figure.key}={one.text}" for one in found.wants])
    ax.set_xscale("symlog", linthresh=2.0)
    ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    ax.invert_yaxis()
    ax.margins(y=0.15)
    ax.set(xlabel="Off what is wanted, in half the width of what is accepted (grey)")
