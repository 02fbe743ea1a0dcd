"""One session: a unit that a programme goes round through, and the log of what was turned and when.

No web, no clock and no threads in it: what is heard is a function of the unit, the programme, the quality and the log
alone, so that ``replay`` makes the same samples again, bit for bit. Changes count from the beginning of a block, of
which each has the same length. The session remembers the last moments between blocks, and may go back to one of them:
what was made from there on, and the log of it, has then never been.
"""

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from fetsim.audio.oversampling import EDGE_FRAMES
from fetsim.engine.assembly import Array
from fetsim.errors import ConvergenceError
from fetsim.live.log import Entry, changed
from fetsim.live.programme import Place, Programme
from fetsim.live.voices import Heard, Instant, Ready, Voices, assembled, prepared
from fetsim.rig.probes import Probe
from fetsim.schematic.unit import Unit

BLOCK_S = 0.02
SHORTEST_BLOCK = 256
"""Frames; rate conversion looks nearly as far to both sides."""
BACK = 2
"""Blocks before its turn another quality begins, so that what the change of steps brings about has died away."""
REMEMBERED = 64
"""Moments, of 1.3 s: more than is ever kept ahead of what is heard."""


@dataclass(frozen=True, eq=False)
class Turned:
    """A unit ready for its turn, and the changes that it has."""

    changes: Mapping[str, str | float]
    quality: str
    ready: Ready


@dataclass(frozen=True, kw_only=True, eq=False)
class Moment:
    """Between two blocks: all that what comes depends on."""

    instant: Instant
    voices: Voices
    now: Turned
    safe: Turned
    """What to go back to where ``now`` has no solution."""
    place: Place
    before: Place | None
    """Where the programme was before it came to its place."""
    logged: int
    """Entries of the log."""


@dataclass(frozen=True, eq=False)
class Gone:
    """What a session went back from: it may be gone back to."""

    moments: tuple[Moment, ...]
    at: Moment
    log: tuple[Entry, ...]


def block_frames(rate_hz: float) -> int:
    """Frames of a block: the power of two nearest to 20 ms."""
    return max(int(2 ** round(np.log2(BLOCK_S * rate_hz))), SHORTEST_BLOCK)


class Session:
    """A unit played while it is changed."""

    def __init__(self, unit: Unit, programme: Programme, quality: str = "standard") -> None:
        """Raises InputError for channels that the unit does not have, ConvergenceError for a unit that has no rest."""
        self.unit, self.programme = unit, programme
        self.block = block_frames(programme.rate_hz)
        self.log: list[Entry] = []
        now = prepare(self, {}, quality)
        voices = Voices(now.ready, self.block)
        place = Place(0, 0, programme.frames, 0)
        self._at = Moment(
            instant=voices.at_rest(0), voices=voices, now=now, safe=now, place=place, before=None, logged=0
        )
        self._moments = deque([self._at], REMEMBERED)  # before each block, as it was before anything was turned there

    @property
    def channels(self) -> int:
        return self.programme.channels

    @property
    def frame(self) -> int:
        """How many frames the unit has been given; what is turned now counts from here on."""
        return self._at.instant.frame

    @property
    def heard_from(self) -> int:
        """The frame of the output that the next block brings out first."""
        return max(self.frame - EDGE_FRAMES, 0)

    @property
    def now(self) -> Turned:
        return self._at.now

    @property
    def place(self) -> Place:
        """Where the programme goes round."""
        return self._at.place

    @property
    def voices(self) -> Voices:
        return self._at.voices

    def take(self, turned: Turned) -> None:
        """From the next block on with other values, at the same quality."""
        at = self._at
        entries = changed(self.frame, at.now.changes, turned.changes)
        if not entries:
            return
        self.log.extend(entries)
        voices = Voices(turned.ready, self.block, at.voices.probes)
        self._at = replace(
            at, instant=voices.carried(at.voices, at.instant), voices=voices, now=turned, safe=at.now
        )

    def take_quality(self, turned: Turned) -> None:
        """From the next block on in another quality, with the same values; only where it ``may_change_quality``."""
        self.log.append(Entry(frame=self.frame, kind="quality", value=turned.quality))
        begun = self._moments[-1 - BACK]
        voices = Voices(turned.ready, self.block, self.voices.probes)
        instant = voices.carried(begun.voices, begun.instant)
        for _ in range(BACK):
            _, instant = voices.play(instant, self._sound(instant.frame))
        self._at = replace(self._at, instant=instant, voices=voices, now=turned, safe=turned)

    @property
    def may_change_quality(self) -> bool:
        """Whether values have stood still for long enough."""
        lately = list(self._moments)[-1 - BACK :]
        return len(lately) > BACK and all(one.voices.ready is self.now.ready for one in lately)

    def go_round(self, start_s: float, end_s: float, at_s: float | None = None) -> None:
        """From the next block on between two instants of the programme, beginning at ``at_s``. Raises InputError."""
        self.take_place(self.programme.place(self.frame, start_s, end_s, at_s))

    def take_place(self, place: Place) -> None:
        """The same, by frames; it counts since the next block."""
        place = replace(place, since=self.frame)
        self.log.append(Entry(frame=self.frame, kind="loop", place=place))
        before = self._moments[-1].place if self._moments[-1].instant.frame else None
        self._at = replace(self._at, place=place, before=before)

    def turn(self, frame: int, turned: Turned | None = None, place: Place | None = None) -> Gone:
        """Go back to a frame that a block began with, or stay, and from there on take what is asked for; what was taken
        in between counts from there too. Another quality is not carried along. What was gone back from is handed out.
        """
        latest, gone = self._at, self.here()
        self._go_back(frame)
        turned = turned or latest.now
        if turned.quality == self.now.quality:
            self.take(turned)
        if place is not None or latest.place != self.place:
            self.take_place(place or latest.place)
        return gone

    def first_turn(self, frame: int) -> int:
        """The first frame from which on it can be turned so that nothing is made anew before ``frame`` of the
        output."""
        blocks = -(-(frame + EDGE_FRAMES) // self.block)
        return min(max(blocks * self.block, self._moments[0].instant.frame), self.frame)

    def here(self) -> Gone:
        """What may be gone back to."""
        return Gone(tuple(self._moments), self._at, tuple(self.log))

    def go_back_to(self, gone: Gone) -> None:
        """As if it had not gone back from there."""
        self._moments, self._at, self.log = deque(gone.moments, REMEMBERED), gone.at, list(gone.log)

    def probe(self, probes: Sequence[Probe]) -> None:
        """What is traced from the next block on."""
        self._at = replace(self._at, voices=self.voices.probing(probes))

    def advance(self) -> Heard:
        """The next block. Where the unit has no solution, it starts anew from rest behind it with the values before the
        last change, or with those that the session began with, and the block is silent; the log tells."""
        at = self._at
        try:
            heard, instant = at.voices.play(at.instant, self._sound(self.frame))
            self._at = replace(at, instant=instant, logged=len(self.log))
        except ConvergenceError as error:
            heard = self._begin_anew(str(error))
        self._moments.append(self._at)
        return heard

    def _sound(self, frame: int) -> Array:
        """A block of the programme with what rate conversion sees before and behind it."""
        return self.programme.sound(
            frame - EDGE_FRAMES, self.block + 2 * EDGE_FRAMES, self._at.place, self._at.before
        )

    def _begin_anew(self, why: str) -> Heard:
        self.log.append(Entry(frame=self.frame, kind="failure", name=why))
        at, first = self._at, self.heard_from
        back = {} if at.safe is at.now else at.safe.changes
        now = prepare(self, back, at.now.quality)
        voices = Voices(now.ready, self.block, at.voices.probes)
        self._at = replace(
            at, instant=voices.at_rest(self.frame + self.block), voices=voices, now=now, safe=now, logged=len(self.log)
        )
        silent = np.zeros((self.heard_from - first, self.channels))
        return Heard(first, silent, (), np.empty((0, len(at.voices.probes))))

    def _go_back(self, frame: int) -> None:
        probes = self.voices.probes
        while self._moments[-1].instant.frame > frame:
            self._moments.pop()
        at = self._moments[-1]
        self._at = replace(at, voices=at.voices if at.voices.probes == probes else at.voices.probing(probes))
        del self.log[at.logged :]


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
