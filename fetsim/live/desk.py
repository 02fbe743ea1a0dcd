"""What has been turned: the list of changes, its past and future, and three snapshots of it. No sound in it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isfinite

from fetsim.errors import InputError
from fetsim.live.log import Value
from fetsim.schematic.eseries import PREFERRED, neighbours
from fetsim.schematic.settings import number_named, sheet_figure
from fetsim.schematic.stepped import step_at
from fetsim.schematic.unit import Unit
from fetsim.schematic.values import format_value

Changes = Mapping[str, str | float]

MOST_UNDONE = 1000
TURN = 0.02
"""Step of a control's position, of a whole turn."""
SHARE = 0.05
"""Step of what comes in no preferred values."""
START = "start"


@dataclass
class Desk:
    """Settings of a unit as they are turned; each change is tried before it counts."""

    unit: Unit
    """As the session began."""
    changes: Changes = field(default_factory=dict)
    snapshots: dict[str, Changes] = field(default_factory=dict)
    heard: str = START
    """Snapshot that the present state is, as it was recalled or kept; empty where it has been turned since."""
    _past: list[Changes] = field(default_factory=list)
    _future: list[Changes] = field(default_factory=list)
    _latest: tuple[Changes, Unit] | None = None  # what was asked for last, since it is asked for several times

    @property
    def now(self) -> Unit:
        """The unit with its changes."""
        return self.of(self.changes)

    def of(self, changes: Changes) -> Unit:
        """The unit with these. Raises UnitError."""
        if not changes:
            return self.unit
        if self._latest is None or self._latest[0] != changes:
            self._latest = dict(changes), self.unit.changed(dict(changes))
        return self._latest[1]

    @property
    def can(self) -> dict[str, bool]:
        """Whether there is anything to undo and to do again."""
        return {"undo": bool(self._past), "redo": bool(self._future)}

    def change(self, values: Mapping[str, Value]) -> None:
        """Set values; None takes a change back. Raises UnitError with every mistake, and then nothing has changed."""
        wanted = {name: one for name, one in self.changes.items() if name not in values}
        wanted.update({name: one for name, one in values.items() if one is not None})
        if wanted != self.changes:
            self._to(wanted, "")

    def step(self, name: str, up: bool, series: str) -> None:
        """To the next value. Raises InputError for what has no number, or where there is none further."""
        self.change({name: self._next(name, up, series)})

    def undo(self) -> None:
        """Back by one change."""
        if self._past:
            self._future.append(self.changes)
            self.changes, self.heard = self._past.pop(), ""

    def redo(self) -> None:
        """The change that was undone last."""
        if self._future:
            self._past.append(self.changes)
            self.changes, self.heard = self._future.pop(), ""

    def keep(self, slot: str) -> None:
        """The present state as a snapshot."""
        self.snapshots[slot] = dict(self.changes)
        self.heard = slot

    def recall(self, slot: str) -> None:
        """A snapshot, or the beginning, as the present state. Raises InputError for a slot that holds none."""
        if slot != START and slot not in self.snapshots:
            raise InputError(f"snapshot: {slot} holds none; keep one there first")
        self._to(self.snapshots.get(slot, {}), slot)

    def give_back(self, changes: Changes) -> None:
        """What was asked for could not be had: the state is this."""
        self.changes, self.heard = dict(changes), ""

    def versions(self) -> dict[str, Changes]:
        """Label -> changes of what is worth comparing: the snapshots, and the present state where it is none."""
        found = {f"snapshot {slot}": changes for slot, changes in sorted(self.snapshots.items()) if changes}
        if self.changes and self.changes not in found.values():
            found["as it stands"] = self.changes
        return found

    def _to(self, changes: Changes, heard: str) -> None:
        self.of(changes)
        if changes != self.changes:
            self._past = [*self._past[1 - MOST_UNDONE :], self.changes]
            self._future.clear()
        self.changes, self.heard = dict(changes), heard

    def _next(self, name: str, up: bool, series: str) -> str | float:
        unit = self.now
        found = number_named(unit, name) or sheet_figure(unit, name)
        if found is None or isinstance(found.value, str) or found.quantity is None:
            raise InputError(f"step: {name[:40]!r} has no number; type its value")
        value = found.value
        if name in unit.controls:
            return _turned(unit, name, up)
        if value == 0.0 or not isfinite(value):
            raise InputError(f"step: {name[:40]} is {found.shown()}, which has no next value; type one")
        if found.quantity in PREFERRED and value > 0.0:
            wanted = neighbours(value, series)[up]
        else:
            larger = up if value > 0.0 else not up
            wanted = float(f"{value * (1.0 + SHARE if larger else 1.0 / (1.0 + SHARE)):.4g}")
        return format_value(wanted, found.quantity).replace(" ", "")


def _turned(unit: Unit, name: str, up: bool) -> float:
    """The next position of a control, of a stepped attenuator the next step's."""
    position, part = unit.controls[name].position, unit.stepped(name)
    turn = TURN
    if part is not None:
        turn = 1.0 / (len(part.steps) - 1)
        number = step_at(part.steps, position, "rising")
        position = number * turn
    return round(min(max(position + (turn if up else -turn), 0.0), 1.0), 6)
