"""One session: a unit that a programme goes round through, and the log of what was turned and when.

No web, no clock and no threads in it: what is heard is a function of the unit, the programme, the quality and the log
alone, so that ``replay`` makes the same samples again, bit for bit. Changes count from the beginning of a block, of
which each has the same length; the circuit stands some 20 to 45 ms before it, which is what rate conversion holds.
"""

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import Literal

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.errors import ConvergenceError
from fetsim.live.programme import Place, Programme
from fetsim.live.voices import Heard, Ready, Voices, assembled, prepared
from fetsim.schematic.unit import Unit

BLOCK_S = 0.02
Value = str | float | None
"""Of a change; None: as it was when the session began."""
Kind = Literal["change", "quality", "loop", "failure"]


@dataclass(frozen=True, kw_only=True)
class Entry:
    """A line of the log."""

    frame: int
    """How many frames had been given to the unit: the block that begins with this one is the first."""
    kind: Kind
    name: str = ""
    """Of what was changed; why, of a failure."""
    value: Value = None
    """Its value; the name of a quality."""
    place: Place | None = None
    """Of a loop."""


@dataclass(frozen=True, eq=False)
class Turned:
    """A unit ready for its turn, and the changes that it has."""

    changes: Mapping[str, str | float]
    quality: str
    ready: Ready


def block_frames(rate_hz: float) -> int:
    """Frames of a block: the power of two nearest to 20 ms."""
    return int(2 ** round(np.log2(BLOCK_S * rate_hz)))


class Session:
    """A unit played while it is changed."""

    def __init__(self, unit: Unit, programme: Programme, quality: str = "standard") -> None:
        """Raises InputError for channels that the unit does not have, ConvergenceError for a unit that has no rest."""
        self.unit, self.programme = unit, programme
        self.block = block_frames(programme.rate_hz)
        self.place = Place(0, 0, programme.frames, 0)
        self.log: list[Entry] = []
        self.frame = 0
        self.now = self._safe = prepare(self, {}, quality)
        self.voices = Voices(self.now.ready)
        self._brought = 0

    @property
    def channels(self) -> int:
        return self.programme.channels

    @property
    def stands(self) -> int:
        """Frame of the output from which on a change that is made now can be heard."""
        return self.voices.stands

    def take(self, turned: Turned) -> None:
        """From the next block on with other values, at the same quality."""
        self._log_changes(turned.changes)
        self._safe, self.now = self.now, turned
        self.voices.go_on_as(turned.ready)

    def take_quality(self, turned: Turned) -> None:
        """From the next block on in another quality, with the same values; only where it ``may_change_quality``."""
        self.log.append(Entry(frame=self.frame, kind="quality", value=turned.quality))
        self._safe = self.now = turned
        self.voices = self.voices.in_quality(turned.ready)

    @property
    def may_change_quality(self) -> bool:
        """Whether values have stood still for long enough, some 150 ms."""
        return self.voices.may_change_quality

    def go_round(self, start_s: float, end_s: float, at_s: float | None = None) -> None:
        """From the next block on between two instants of the programme, beginning at ``at_s``. Raises InputError."""
        self.take_place(self.programme.place(self.frame, start_s, end_s, at_s))

    def take_place(self, place: Place) -> None:
        """The same, by frames."""
        self.place = place
        self.log.append(Entry(frame=self.frame, kind="loop", place=place))

    def advance(self) -> Heard:
        """The next block. Where the unit has no solution, it starts anew from rest with the values before the last
        change, or with those that the session began with, and the gap is silent; the log tells."""
        block = self.programme.block(self.place, self.frame, self.block)
        try:
            heard = self.voices.push(block)
            self.frame += len(block)
        except ConvergenceError as error:
            self.frame += len(block)
            heard = self._begin_anew(str(error))
        self._brought += len(heard.output)
        return heard

    def log_text(self) -> str:
        """The log as JSON, with what ``read_log`` takes it back from."""
        return json.dumps({"frames": self.frame, "log": [asdict(one) for one in self.log]}, indent=1)

    def _begin_anew(self, why: str) -> Heard:
        self.log.append(Entry(frame=self.frame, kind="failure", name=why))
        begun = prepare(self, {}, self.now.quality)
        self.now, self._safe = (self._safe, begun) if self._safe is not self.now else (begun, begun)
        probes = self.voices.probes
        self.voices = Voices(self.now.ready, first_frame=self.frame)
        self.voices.probe(probes)
        silent = np.zeros((self.frame - self._brought, self.channels))
        return Heard(silent, (), np.empty((0, len(probes))))

    def _log_changes(self, changes: Mapping[str, str | float]) -> None:
        before = self.now.changes
        for name in dict.fromkeys([*before, *changes]):
            if before.get(name) != changes.get(name):
                entry = Entry(frame=self.frame, kind="change", name=name, value=changes.get(name))
                self.log.append(entry)


def prepare(session: Session, changes: Mapping[str, str | float], quality: str, near: Ready | None = None) -> Turned:
    """The unit of a session with these changes, ready for its turn: on any thread, since nothing of the session is
    touched. Raises UnitError, InputError or ConvergenceError."""
    return Turned(changes, quality, prepared(to_be_prepared(session, changes, quality, near)))


def to_be_prepared(
    session: Session, changes: Mapping[str, str | float], quality: str, near: Ready | None = None
) -> Ready:
    """The same before its solver is asked for, which may have to be compiled."""
    unit = session.unit.changed(dict(changes)) if changes else session.unit
    found = assembled(unit, session.programme.rate_hz, session.channels, quality, near)
    if near is None or found.like(near):
        return found
    return assembled(unit, session.programme.rate_hz, session.channels, quality)  # where it rests is in its samples


def read_log(text: str) -> tuple[int, list[Entry]]:
    """How many frames were given, and the entries, of a log written by this program."""
    found = json.loads(text)
    entries = [
        Entry(**{**one, "place": None if one["place"] is None else Place(**one["place"])}) for one in found["log"]
    ]
    return int(found["frames"]), entries


def replay(unit: Unit, programme: Programme, log: Iterable[Entry], frames: int, quality: str = "standard") -> Array:
    """What a session brought out after so many frames were given [shape=(n, channels)], made again from its log."""
    session = Session(unit, programme, quality)
    left = list(log)
    found = []
    while session.frame < frames:
        due = [one for one in left if one.frame == session.frame]
        left = left[len(due) :]
        _take_entries(session, due)
        found.append(session.advance().output)
    return np.concatenate(found)


def _take_entries(session: Session, due: Iterable[Entry]) -> None:
    """All that was done before one block, in its order; neighbouring changes together, as they were made."""
    changes = dict(session.now.changes)
    turned = False
    for one in due:
        if one.kind == "change":
            changes.pop(one.name, None)
            changes.update({} if one.value is None else {one.name: one.value})
            turned = True
            continue
        if turned:
            session.take(prepare(session, changes, session.now.quality))
            turned = False
        if one.kind == "quality":
            session.take_quality(prepare(session, session.now.changes, str(one.value)))
        elif one.kind == "loop" and one.place is not None:
            session.take_place(one.place)
    if turned:
        session.take(prepare(session, changes, session.now.quality))
