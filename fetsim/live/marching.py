"""The thread that marches: keeps the page's buffer filled, takes what was turned, falls back where it is too slow.

It is ``AHEAD_S`` ahead of what is heard: that, the rate conversion and a block are how late a change is heard. Where
blocks come too late for that though the march is quick enough, it goes further ahead, and says so. What has to be
worked out for a change is done on a thread beside it, and where a solver has to be compiled, in a process of its own;
meanwhile the sound goes on with the old values.
"""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from threading import Condition, Event, Thread
from time import perf_counter
from typing import Any

import numpy as np

from fetsim.engine.prepared import compile_s
from fetsim.errors import FetsimError
from fetsim.live.background import Background
from fetsim.live.figures import compile_for
from fetsim.live.scope import Picture, Scope, Setting
from fetsim.live.session import Session, Turned, prepare, to_be_prepared
from fetsim.live.voices import Heard
from fetsim.rig.quality import QUALITIES

AHEAD_S = 0.06
"""To begin with: three blocks, of which one is on its way and one may be late."""
FURTHER, FURTHEST_S = 1.5, 0.3
BUSY = 0.9
"""Share of the time that the march may take over the last blocks before it falls back,"""
BUSY_BLOCKS = 50
LATE = 2
"""or times that the sound ran dry since the last fall,"""
REST_S = 3.0
"""but not sooner than so long after the last one."""

Changes = Mapping[str, str | float]


@dataclass(frozen=True, kw_only=True, eq=False)
class Sounded:
    """A block for the page that listens."""

    first_frame: int
    """Of the session's output."""
    heard: Heard
    picture: Picture | None
    busy: float
    """Share of real time that the march takes."""


@dataclass(frozen=True, kw_only=True)
class Took:
    """The session goes on with these changes, in this quality."""

    changes: Changes
    quality: str
    at_frame: int
    """Of the output, from which on it can be heard."""
    fallen: bool = False
    """Whether the machine could not keep up."""


@dataclass(frozen=True, kw_only=True)
class Held:
    """So much sound is kept ahead of what is heard."""

    ahead_s: float


@dataclass(frozen=True, kw_only=True)
class Said:
    """A sentence for the user; ``refused``: what was asked for last did not come to be."""

    text: str
    refused: bool = False


Happened = Sounded | Took | Held | Said


class Marching:
    """A session that is played; its methods are called on any thread, ``tell`` on its own."""

    def __init__(self, session: Session, background: Background, tell: Callable[[Happened], object]) -> None:
        self.session, self._background, self._tell = session, background, tell
        self._change = Condition()
        self._orders: list[Callable[[], None]] = []
        self._playing = self._ended = False
        self._sent = self._played = 0  # frames of the present listener's stream
        self._dry = self.dry = 0  # times that it ran dry, of this stream and of all
        self.ahead_s = AHEAD_S
        self.late = 0
        """Blocks, or rows of them, that were sent when all before them must have been heard."""
        self._told_s = perf_counter()  # when the listener said how far it is
        self._is_late = False
        self._brought = 0
        self._busy: list[tuple[float, float]] = []
        self._fell_s = -REST_S
        self._dry_then = 0
        self._wanted: tuple[Changes, str] = session.now.changes, session.now.quality
        self._falling = self._preparing = False
        self._turned: Turned | None = None
        self._setting = Setting()
        self._scope: Scope | None = None
        self._workers = ThreadPoolExecutor(1, thread_name_prefix="preparing")
        self._thread = Thread(target=self._run, name="marching", daemon=True)

    def start(self) -> None:
        """Begin, silent until ``play``."""
        self._thread.start()

    def end(self) -> None:
        """Let the thread come to its end."""
        with self._change:
            self._ended = True
            self._change.notify_all()
        self._workers.shutdown(wait=False, cancel_futures=True)
        if self._thread.ident is not None:
            self._thread.join(timeout=5.0)

    def play(self, *, anew: bool) -> None:
        """Go on; ``anew``: for another listener, who has heard nothing yet."""
        with self._change:
            if anew:
                self._sent = self._played = self._dry = 0
                self._is_late = False
            self._playing = True
            self._told_s = perf_counter()
            self._busy.clear()
            self._change.notify_all()

    def pause(self) -> None:
        """Stand still."""
        with self._change:
            self._playing = False

    def heard(self, frames: int, dropouts: int) -> None:
        """How far the listener has come, and how often the sound ran dry there."""
        with self._change:
            self._played = max(self._played, min(frames, self._sent))
            self._told_s = perf_counter()
            self.dry += max(dropouts - self._dry, 0)
            self._dry = max(dropouts, self._dry)
            self._change.notify_all()

    def want(self, changes: Changes) -> None:
        """Other values, as soon as they are ready; the newest counts."""
        with self._change:
            self._wanted = dict(changes), self._wanted[1]
            if self._turned is not None and self._turned.quality != self.session.now.quality:
                self._drop_turned()  # a quality that waits for the sound to go on is not to keep values waiting
        self._prepare()

    def want_quality(self, quality: str) -> None:
        """Another quality."""
        with self._change:
            self._wanted, self._falling = (self._wanted[0], quality), False
        self._prepare()

    def go_round(self, start_s: float, end_s: float, at_s: float | None) -> None:
        """Another stretch of the programme; raises InputError for one that is too short."""
        self.session.programme.place(0, start_s, end_s, at_s)
        self._order(lambda: self.session.go_round(start_s, end_s, at_s))

    def probe(self, names: Sequence[str], setting: Setting) -> tuple[str, ...]:
        """What the scope shows; the unit of each. Raises InputError for what cannot be probed."""
        probes = self.session.voices.find_probes(names)

        def take() -> None:
            self._setting, self._scope = setting, None
            if probes != self.session.voices.probes:
                self.session.voices.probe(probes)

        self._order(take)
        return tuple(one.unit for one in probes)

    def _order(self, order: Callable[[], None]) -> None:
        with self._change:
            self._orders.append(order)
            self._change.notify_all()

    def _run(self) -> None:
        try:
            while self._one_turn():
                pass
        except Exception as error:
            self._tell(Said(text=f"The sound has ended: {error or type(error).__name__}; start the command again"))
            if not isinstance(error, FetsimError):
                raise

    def _one_turn(self) -> bool:
        with self._change:
            self._change.wait_for(lambda: self._ended or bool(self._orders) or self._turned_now() or self._is_due())
            orders, self._orders = self._orders, []
        for order in orders:
            order()
        self._take_turned()
        if self._is_due() and not self._ended:
            self._march()
        return not self._ended

    def _is_due(self) -> bool:
        ahead = self.ahead_s * self.session.programme.rate_hz
        return self._playing and self._sent - self._played < ahead

    def _turned_now(self) -> bool:
        """Whether something is ready that can be taken before the next block."""
        turned = self._turned
        return turned is not None and (turned.quality == self.session.now.quality or self.session.may_change_quality)

    def _march(self) -> None:
        began_s = perf_counter()
        failures = len(self.session.log)
        heard = self.session.advance()
        picture = self._shown(heard)
        taken_s = perf_counter() - began_s
        block_s = self.session.block / self.session.programme.rate_hz
        self._busy = [*self._busy[1 - BUSY_BLOCKS :], (taken_s, block_s)]
        busy = sum(one for one, _ in self._busy) / sum(one for _, one in self._busy)
        first = self._brought
        self._brought += len(heard.output)
        with self._change:
            self._count_late()
            self._sent += len(heard.output)
        self._tell(Sounded(first_frame=first, heard=heard, picture=picture, busy=busy))
        for one in self.session.log[failures:]:
            if one.kind == "failure":
                self._failed(one.name)
        self._fall_back(busy)

    def _count_late(self) -> None:
        """By the clock of this side, under the lock: whether what was sent has been heard to its end."""
        gone = (perf_counter() - self._told_s) * self.session.programme.rate_hz
        late = 0 < self._played and self._sent < self._played + gone
        self.late += late and not self._is_late
        self._is_late = late

    def _shown(self, heard: Heard) -> Picture | None:
        if not heard.traces.shape[1]:
            return None
        if self._scope is None:
            self._scope = Scope(self.session.voices.factor * self.session.programme.rate_hz, self._setting)
        return self._scope.push(heard.traces)

    def _failed(self, why: str) -> None:
        with self._change:
            self._wanted = self.session.now.changes, self.session.now.quality
            self._drop_turned()
        self._tell(Said(text=f"No solution with these values, so those before are back: {why}", refused=True))
        self._tell(self._took())

    def _fall_back(self, busy: float) -> None:
        """Further ahead where only some blocks are late, to a coarser quality where the march takes too long."""
        names = list(QUALITIES)
        coarser = names[max(names.index(self.session.now.quality) - 1, 0)]
        now_s = perf_counter()
        slow = len(self._busy) == BUSY_BLOCKS and busy > BUSY
        if busy <= BUSY and self.ahead_s < FURTHEST_S:
            if self.dry > self._dry_then:
                self._dry_then = self.dry
                self.ahead_s = min(FURTHER * self.ahead_s, FURTHEST_S)
                self._tell(Held(ahead_s=self.ahead_s))
            return
        if not (slow or self.dry - self._dry_then >= LATE) or now_s - self._fell_s < REST_S:
            return
        self._fell_s, self._dry_then = now_s, self.dry
        self._busy.clear()
        if coarser == self.session.now.quality:
            dry = f"The machine cannot keep up even in {coarser}: the sound has run dry {self.dry} times"
            self._tell(Said(text=f"{dry}; end other programs, or take a recording of one channel"))
            return
        with self._change:
            self._wanted, self._falling = (self._wanted[0], coarser), True
        self._prepare()

    def _prepare(self) -> None:
        """See to it that what is wanted gets ready."""
        with self._change:
            if self._preparing or self._ended:
                return
            self._preparing = True
        self._workers.submit(self._prepare_wanted)

    def _prepare_wanted(self) -> None:
        while True:
            try:
                turned = self._next_turned()
            except FetsimError as error:
                with self._change:
                    self._preparing = False
                    self._wanted = self.session.now.changes, self.session.now.quality
                self._tell(Said(text=str(error), refused=True))
                return
            with self._change:
                now = self.session.now
                if turned is None and self._wanted != (now.changes, now.quality) and not self._ended:
                    continue  # wanted since it was looked at
                self._turned, self._preparing = turned, turned is not None
                self._change.notify_all()
                return

    def _drop_turned(self) -> None:
        """What was ready is not to be taken; under the lock."""
        if self._turned is not None:
            self._turned, self._preparing = None, False

    def _next_turned(self) -> Turned | None:
        """What is to be taken next: first the values, then the quality; None where nothing is left."""
        with self._change:
            (changes, quality), now = self._wanted, self.session.now
        if changes == now.changes and quality == now.quality:
            return None
        if changes != now.changes:
            quality = now.quality
        ready = to_be_prepared(self.session, changes, quality, now.ready)
        if not ready.like(now.ready):
            self._compile(ready.rigs, quality)
        return prepare(self.session, changes, quality, now.ready)

    def _compile(self, rigs: Sequence[Any], quality: str) -> None:
        seconds = compile_s(*{id(rig): rig.system for rig in rigs}.values())
        if not seconds:
            return
        self._tell(Said(text=f"This is another topology: its solver is compiled, about {seconds:.0f} s; "
                        "the sound goes on with the old values until then"))  # fmt: skip
        done = Event()
        units = list({id(rig): rig.unit for rig in rigs}.values())
        rate_hz = self.session.programme.rate_hz
        self._background.ask("compile", compile_for, units, quality, rate_hz, told=lambda found, error: done.set())
        while not done.wait(0.1):
            if self._ended:
                return

    def _take_turned(self) -> None:
        if not self._turned_now():
            return
        turned, self._turned = self._turned, None
        assert turned is not None
        at_frame, fallen = self.session.stands, False
        if turned.quality == self.session.now.quality:
            self.session.take(turned)
        else:
            fallen, self._falling = self._falling, False
            self.session.take_quality(turned)
            self._scope = None
        self._tell(self._took(at_frame, fallen))
        with self._change:
            self._preparing = False
        self._prepare()

    def _took(self, at_frame: int | None = None, fallen: bool = False) -> Took:
        now = self.session.now
        at = self.session.stands if at_frame is None else at_frame
        return Took(changes=now.changes, quality=now.quality, at_frame=at, fallen=fallen)


def samples_of(heard: Heard) -> bytes:
    """Output for the page: 32 bit floats, channel after channel."""
    return np.ascontiguousarray(heard.output.T, dtype="<f4").tobytes()
