"""The base of all results: plain numbers with provenance, tables, JSON and a picture.

A measurement's result only holds its figures. Its tables are built by ``fetsim.FLOOR.ROOM.tables`` and its
picture by ``fetsim.report.ROOM.picture``, both found by the name of the room when they are asked for. That second one
is the only door that leads upwards in the whole program: so a result can be printed and drawn without its room knowing
matplotlib, which is imported no earlier than that.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from importlib import import_module
from typing import TYPE_CHECKING, Any, ClassVar, overload

from fetsim.measurements.results.account import Account, told_once
from fetsim.measurements.results.table import Table
from fetsim.measurements.to_plain import json_text, plain
from fetsim.rig.provenance import Provenance

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


@dataclass(frozen=True, kw_only=True)
class Measured:
    """Figures that can be told and drawn."""

    ROOM: ClassVar[str]
    """Name of the measurement or study: of its room in ``FLOOR``, ``report`` and ``cli``."""
    FLOOR: ClassVar[str] = "measurements"
    """Where its tables are made: in ``measurements`` or ``studies``."""

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, texts, lists and tables; what is not finite is None."""
        return dict(plain(self))

    def to_json(self) -> str:
        """The same as JSON."""
        return json_text(self.to_dict())

    def account(self) -> Account:
        """Title, tables and definitions."""
        return account_of({"": self})

    def tables(self) -> tuple[Table, ...]:
        """The tables that the command line prints, as raw values under described columns."""
        return self.account().tables

    @overload
    def plot(self) -> "Figure": ...

    @overload
    def plot(self, ax: "Axes") -> "Axes": ...

    def plot(self, ax: "Axes | None" = None) -> "Axes | Figure":
        """The whole picture as a new figure, or its main panel drawn on ``ax``, which is returned."""
        if ax is None:
            return picture_of({"": self})
        _room("report", self.ROOM, "picture").draw_on(ax, {"": self})
        return ax


@dataclass(frozen=True, kw_only=True)
class Result(Measured):
    """What a measurement of one unit gives."""

    provenance: Provenance
    """What made these figures."""


def account_of(results: Mapping[str, Measured]) -> Account:
    """Label -> result of one kind, side by side; the label of a single result may be empty.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> quiet = {text: fetsim.measure_noise(unit.changed(R1=text)) for text in ("1k", "10k")}
    >>> fetsim.account_of(quiet).tables[0].rows[1][0]
    '10k'
    """
    account: Account = _room(_floor(results), _kind(results), "tables").account(results)
    told = {label: one.provenance.told for label, one in results.items() if isinstance(one, Result)}
    return replace(account, lead=(*account.lead, *told_once(told)))


def picture_of(results: Mapping[str, Measured], *, titled: bool = True) -> "Figure":
    """Label -> result of one kind, in one figure.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> quiet = {text: fetsim.measure_noise(unit.changed(R1=text)) for text in ("1k", "10k")}
    >>> len(fetsim.picture_of(quiet).axes) > 0
    True
    """
    title = account_of(results).title if titled else ""
    figure: Figure = _room("report", _kind(results), "picture").draw(results, title)
    return figure


def _kind(results: Mapping[str, Measured]) -> str:
    (room,) = {one.ROOM for one in results.values()}
    return room


def _floor(results: Mapping[str, Measured]) -> str:
    (floor,) = {one.FLOOR for one in results.values()}
    return floor


def _room(floor: str, room: str, module: str) -> Any:
    return import_module(f"fetsim.{floor}.{room}.{module}")
