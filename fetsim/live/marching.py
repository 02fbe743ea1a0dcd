"""The thread that marches: keeps the page's buffer filled, and takes between two blocks what has been turned.

A change is heard as late as what is kept ahead of what is heard (``pace``), the rate conversion and a block together.
What has to be worked out for it is done beside this thread (``preparing``); meanwhile the sound goes on with the old
values.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from threading import Condition, Thread
from time import perf_counter

from fetsim.errors import FetsimError
from fetsim.live.background import Background
from fetsim.live.listener import Listener
from fetsim.live.pace import Pace
from fetsim.live.preparing import Changes, Preparing, Said
from fetsim.live.scope import Picture, Scope, Setting
from fetsim.live.session import Session, Turned
from fetsim.live.voices import KEPT, Heard

SHORTEST_S = 0.003
"""Of a rest, so that a page that does not speak costs nothing."""


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


@dataclass(frozen=True, kw_only=True)
class Held:
    """So much sound is kept ahead of what is heard."""

    ahead_s: float


@dataclass(frozen=True, kw_only=True)
class Strained:
    """What the user is to know as long as it is so: that the machine does not keep up; empty when it does."""

    words: str


Happened = Sounded | Took | Held | Strained | Said


class Marching:
    """A session that is played; its methods are called on any thread, ``tell`` on its own."""

    def __init__(self, session: Session, background: Background, tell: Callable[[Happened], object]) -> None:
        self.session, self._tell = session, tell
        rate_hz = session.programme.rate_hz
        self.listener, self.pace = Listener(rate_hz), Pace(session.now.quality, rate_hz)
        self._change = Condition()
        self._preparing = Preparing(session, background, tell, self._change)
        self._orders: list[Callable[[], None]] = []
        self._playing = self._ended = False
        self._brought = 0
        self._told: tuple[float, str] = (self.pace.ahead_s, "")
        self._setting = Setting()
        self._scope: Scope | None = None
        self._thread = Thread(target=self._run, name="marching", daemon=True)

    def start(self) -> None:
        """Begin, silent until ``play``."""
        self._thread.start()

    def end(self) -> None:
        """Let the thread come to its end."""
        with self._change:
            self._ended = True
            self._change.notify_all()
        self._preparing.end()
        if self._thread.ident is not None:
            self._thread.join(timeout=5.0)

    def play(self, *, anew: bool) -> None:
        """Go on; ``anew``: for another listener, who has heard nothing yet."""
        with self._change:
            self.listener.begin(perf_counter(), anew=anew)
            self.pace.begin()
            self._playing = True
            self._change.notify_all()

    def pause(self) -> None:
        """Stand still."""
        with self._change:
            self._playing = False

    def heard(self, frames: int, dropouts: int) -> None:
        """How far the listener has come, and how often the sound ran dry there."""
        with self._change:
            self.listener.told(frames, dropouts, perf_counter())
            self._change.notify_all()

    def want(self, changes: Changes) -> None:
        """Other values, as soon as they are ready; the newest counts."""
        self._preparing.want(changes)

    def want_quality(self, quality: str) -> None:
        """Another quality, asked for by the user."""
        with self._change:
            self.pace.ask(quality)
        self._preparing.want_quality(quality)

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
            rest_s = self._rest_s()
            self._change.wait_for(self._has_work, None if rest_s is None else max(rest_s, SHORTEST_S))
            orders, self._orders = self._orders, []
            turned = self._preparing.taken()
        for order in orders:
            order()
        if turned is not None:
            self._take(turned)
        if self._playing and self._rest_s() == 0.0 and not self._ended:
            self._march()
        return not self._ended

    def _has_work(self) -> bool:
        return self._ended or bool(self._orders) or self._preparing.is_ready or self._rest_s() == 0.0

    def _rest_s(self) -> float | None:
        """Until the next block is due; None: not before something happens."""
        if not self._playing:
            return None
        return max(self.listener.ahead_s(perf_counter()) - self.pace.ahead_s, 0.0)

    def _march(self) -> None:
        began_s = perf_counter()
        logged = len(self.session.log)
        heard = self.session.advance()
        picture = self._shown(heard)
        first = self._brought
        self._brought += len(heard.output)
        with self._change:
            now_s = perf_counter()
            spare_s = self.listener.send(len(heard.output), now_s)
            length_s = self.session.block / self.session.programme.rate_hz
            todo = self.pace.block(now_s - began_s, length_s, spare_s, self.listener.dry)
        self._tell(Sounded(first_frame=first, heard=heard, picture=picture, busy=self.pace.busy))
        for one in self.session.log[logged:]:
            if one.kind == "failure":
                self._failed(one.name)
        if todo is not None:
            self._preparing.want_quality(self.pace.next_to(todo))
        self._tell_pace()

    def _tell_pace(self) -> None:
        """Where it is other than it was told."""
        told, self._told = self._told, (self.pace.ahead_s, self.pace.words)
        if told[0] != self._told[0]:
            self._tell(Held(ahead_s=self.pace.ahead_s))
        if told[1] != self._told[1]:
            self._tell(Strained(words=self.pace.words))

    def _shown(self, heard: Heard) -> Picture | None:
        if not heard.traces.shape[1]:
            return None
        if self._scope is None:
            self._scope = Scope(self.session.voices.factor * self.session.programme.rate_hz, self._setting)
        return self._scope.push(heard.traces)

    def _failed(self, why: str) -> None:
        self._preparing.forget()
        self._tell(Said(text=f"No solution with these values, so those before are back: {why}", refused=True))
        self._tell(self._took(self.session.stands))

    def _take(self, turned: Turned) -> None:
        if turned.quality == self.session.now.quality:
            at_frame = self.session.stands
            self.session.take(turned)
        else:
            if self._playing and self.pace.busy < 1.0:
                for _ in range(KEPT - 2):  # the new quality plays those that are kept once more: time for that
                    self._march()
            if not self.session.may_change_quality or self.session.now.changes != turned.changes:
                self._preparing.go_on()  # it had no solution, and other values are back
                return
            at_frame = self.session.stands
            self.session.take_quality(turned)
            self._scope = None
            with self._change:
                self.pace.goes_on_in(turned.quality)
            self._tell_pace()
        self._tell(self._took(at_frame))
        self._preparing.go_on()

    def _took(self, at_frame: int) -> Took:
        now = self.session.now
        return Took(changes=now.changes, quality=now.quality, at_frame=at_frame)
