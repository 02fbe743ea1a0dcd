"""What every render gives besides its sound: what made it, its figures as a dictionary and a table, a picture.

How those look is the business of ``report``, which is above this room: it is asked for by name, no earlier than when it
is needed, so that rendering arrays loads neither tables nor matplotlib.
"""

from dataclasses import dataclass
from importlib import import_module
from typing import TYPE_CHECKING, Any, overload

from fetsim.audio.gain_log import GainLog
from fetsim.rig.gain_cell import CellAtRest
from fetsim.rig.provenance import Provenance

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


@dataclass(frozen=True, kw_only=True)
class ChannelAtRest:
    """How one channel of a pair is without a signal."""

    channel: str
    idle_gain_db: float
    """From the source to the output, 1 kHz."""
    rest: CellAtRest | None
    """How its FET stands; None for a channel without a gain cell."""


@dataclass(frozen=True, kw_only=True)
class Told:
    """A render that can be told and drawn."""

    provenance: Provenance
    """What made it; its ``rate_hz`` is the internal one."""
    logs: tuple[GainLog, ...]
    """One for each channel."""
    at_rest: tuple[ChannelAtRest, ...]
    """Of each channel of a pair; none for a unit of one channel."""

    def to_dict(self) -> dict[str, Any]:
        """Settings and figures, without samples, probes and the rows of the logs; what is not finite is None."""
        found: dict[str, Any] = _words().render_dict(self)
        return found

    def tables(self) -> tuple[Any, ...]:
        """Levels and gain reduction of each channel, as raw values under described columns."""
        return (_words().channels_table(self),)

    @overload
    def plot(self) -> "Figure": ...

    @overload
    def plot(self, ax: "Axes") -> "Axes": ...

    def plot(self, ax: "Axes | None" = None) -> "Axes | Figure":
        """Levels and gain reduction over time as a new figure, or the gain reduction alone on ``ax``, which is
        returned."""
        picture = import_module("fetsim.report.render.picture")
        if ax is None:
            named = [one.channel for one in self.at_rest]
            figure: Figure = picture.draw_render(self.logs, self.provenance.unit, named)
            return figure
        picture.draw_on(ax, self.logs)
        return ax


def _words() -> Any:
    return import_module("fetsim.report.render.result")
