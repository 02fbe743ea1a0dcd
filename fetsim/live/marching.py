"""The thread that marches: keeps the page's buffer filled, and takes between two blocks what has been turned.

Much is kept ahead of what is heard (``pace``), and yet a change is heard soon, since sound is taken back: the session
goes back to the first block that the page may still replace, and what it makes from there on is another edition, which
the page takes in place of what it has, or refuses where it has gone past it already. Until it has said which, nothing
else is turned, and after a refusal the session goes back to the edition before and turns at a later block. What has to
be worked out for a change is done beside this thread (``preparing``); meanwhile the sound goes on with the old values.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from threading import Condition, Thread
from time import perf_counter

from fetsim.errors import FetsimError
from fetsim.live.background import Background
from fetsim.live.happened import Changes, Happened, Said, Sounded, Strained, Took
from fetsim.live.listener import Listener
from fetsim.live.pace import Pace
from fetsim.live.preparing import Preparing
from fetsim.live.programme import Place
from fetsim.live.scope import Picture, Scope, Setting
from fetsim.live.session import Gone, Session, Turned
from fetsim.live.voices import Heard

SHORTEST_S = 0.003
"""Of a rest, so that a page that does not speak costs nothing."""
ENOUGH_S = 0.2
"""Is ahead while a change gets ready: more would be taken back for it, and it needs the processor."""


@dataclass(frozen=True, eq=False)
class Offered:
    """An edition that the page has neither taken nor refused."""

    gone: Gone
    """What the page has."""
    frame: int
    """That it was turned at."""
    place: Place | None
    """Of the programme, where that was turned."""


class Marching:
    """A session that is played; its methods are called on any thread, ``tell`` on its own."""

    def __init__(self, session: Session, background: Background, tell: Callable[[Happened], object]) -> None:
        self.session, self._tell = session, tell
        rate_hz = session.programme.rate_hz
        self.listener, self.pace = Listener(rate_hz), Pace(session.now.quality, rate_hz)
        self._change = Condition()
        self._preparing = Preparing(session, background, tell, self._change)
        self._orders: list[Callable[[], None]] = []
        self._place: Place | None = None  # asked for
        self._listened = self._ended = self._refused = self._waits = False
        self._edition = self._since = 0
        self._wanted_s = perf_counter()  # when something was asked for last
        self._offered: Offered | None = None
        self._strain = ""  # that was told
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
            if anew:
                self.listener.begin(self.session.heard_from)
                self._offered, self._refused, self._waits = None, False, False
            self.listener.play(perf_counter())
            self.pace.begin()
            self._listened = True
            self._change.notify_all()

    def pause(self) -> None:
        """The listener stands still."""
        with self._change:
            self.listener.pause()

    def leave(self) -> None:
        """The listener has gone."""
        with self._change:
            self._listened = False

    def heard(self, frame: int, dropouts: int, edition: int, refused: int) -> None:
        """How far the listener has come, how often the sound ran dry there, and the latest edition that it has taken
        and that it has refused."""
        with self._change:
            self.listener.told(frame, dropouts, perf_counter())
            if self._offered is not None and edition >= self._edition:
                self._offered = None
                self.pace.replaced(in_time=True)
            self._refused = self._offered is not None and refused >= self._edition
            self._waits = self._waits and self._offered is not None and not self._refused
            self._change.notify_all()

    def want(self, changes: Changes) -> None:
        """Other values, as soon as they are ready; the newest counts."""
        self._wanted_s = perf_counter()
        self._preparing.want(changes)

    def want_quality(self, quality: str) -> None:
        """Another quality, asked for by the user."""
        with self._change:
            self.pace.ask(quality)
        self._preparing.want_quality(quality)

    def go_round(self, start_s: float, end_s: float, at_s: float | None) -> None:
        """Another stretch of the programme; raises InputError for one that is too short."""
        place = self.session.programme.place(0, start_s, end_s, at_s)
        with self._change:
            self._place, self._wanted_s = place, perf_counter()
            self._change.notify_all()

    def probe(self, names: Sequence[str], setting: Setting) -> tuple[str, ...]:
        """What the scope shows; the unit of each. Raises InputError for what cannot be probed."""
        probes = self.session.voices.find_probes(names)

        def take() -> None:
            self._setting, self._scope = setting, None
            if probes != self.session.voices.probes:
                self.session.probe(probes)

        with self._change:
            self._orders.append(take)
            self._change.notify_all()
        return tuple(one.unit for one in probes)

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
            refused, self._refused = self._offered if self._refused else None, False
            place, turned = None, None
            if self._offered is None:
                place, self._place = self._place, None
                turned = self._preparing.taken()
        for order in orders:
            order()
        if refused is not None:
            self._turn_later(refused)
        elif turned is not None and turned.quality != self.session.now.quality and place is None:
            self._take_quality(turned)
        elif turned is not None or place is not None:
            self._turn(turned, place)
        if self._rest_s() == 0.0 and not self._ended:
            self._march()
        return not self._ended

    def _has_work(self) -> bool:
        turns = self._offered is None and (self._place is not None or self._preparing.is_ready)
        return self._ended or self._refused or turns or bool(self._orders) or self._rest_s() == 0.0

    def _rest_s(self) -> float | None:
        """Until the next block is due; None: not before something happens."""
        if not self._listened or self._waits:
            return None
        now_s = perf_counter()
        wanted_s = ENOUGH_S if self._preparing.is_at_work else self.pace.ahead_s
        rest_s = max(self.listener.ahead_s(now_s) - wanted_s, 0.0)
        return None if rest_s > 0.0 and self.listener.is_still(now_s) else rest_s

    def _march(self) -> None:
        began_s = perf_counter()
        logged, before = len(self.session.log), self.session.here()
        place_s = self.session.programme.instant_s(self.session.place, self.session.frame)
        heard = self.session.advance()
        failures = [one.name for one in self.session.log[logged:] if one.kind == "failure"]
        if failures and self._is_taken_back(before, failures[0]):
            return
        picture = self._shown(heard)
        with self._change:
            now_s = perf_counter()
            spare_s = self.listener.send(len(heard.output), now_s)
            length_s = self.session.block / self.session.programme.rate_hz
            todo = self.pace.block(now_s - began_s, length_s, spare_s, self.listener.dry)
        self._tell(Sounded(
            heard=heard, edition=self._edition, since=self._since, picture=picture, busy=self.pace.busy, place_s=place_s
        ))  # fmt: skip
        if failures:
            self._failed(failures[0])
            self._took(self.session.frame)
        if todo is not None:
            self._preparing.want_quality(self.pace.next_to(todo))
        self._tell_strain()

    def _tell_strain(self) -> None:
        """Where it is another than was told."""
        if self._strain != self.pace.words:
            self._strain = self.pace.words
            self._tell(Strained(words=self._strain))

    def _shown(self, heard: Heard) -> Picture | None:
        if not heard.traces.shape[1]:
            return None
        if self._scope is None:
            self._scope = Scope(self.session.voices.factor * self.session.programme.rate_hz, self._setting)
        return self._scope.push(heard.traces)

    def _turn(self, turned: Turned | None, place: Place | None) -> None:
        """From the first block on that the listener may still replace."""
        frame = self._earliest()
        gone = None if frame == self.session.frame else self.session.here()
        self._turn_at(frame, turned, place)
        if gone is not None:
            self._offer(Offered(gone, frame, place))
        self._preparing.go_on()

    def _turn_later(self, refused: Offered) -> None:
        """What was offered came too late."""
        turned = self.session.now
        self.session.go_back_to(refused.gone)
        with self._change:
            self.pace.replaced(in_time=False)
        frame = self._earliest()
        self._turn_at(frame, turned, refused.place)
        self._offer(Offered(refused.gone, frame, refused.place))
        self._preparing.go_on()

    def _earliest(self) -> int:
        """The first frame that it can be turned at."""
        if not self._listened:
            return self.session.frame
        with self._change:
            now_s = perf_counter()
            margin = round(self.pace.replaced_behind_s(now_s - self._wanted_s) * self.session.programme.rate_hz)
            return self.session.first_turn(self.listener.frame(now_s) + margin)

    def _turn_at(self, frame: int, turned: Turned | None, place: Place | None) -> None:
        quality, back = self.session.now.quality, self.session.frame - frame
        self.session.turn(frame, turned, place)
        if self.session.now.quality != quality:
            self._scope = None
            with self._change:
                self.pace.goes_on_in(self.session.now.quality)
        elif self._scope is not None:
            self._scope.forget(back * self.session.voices.factor)
        self._took(frame)

    def _offer(self, offered: Offered | None) -> None:
        """What comes now is another edition; None: one that only goes on."""
        with self._change:
            self._edition, self._since = self._edition + 1, self.session.heard_from
            self.listener.take_back(self._since)
            self._offered = offered if self._listened else None
            self._refused = self._waits = False  # which was said of the edition before

    def _is_taken_back(self, before: Gone, why: str) -> bool:
        """Whether values without a solution are taken back before anybody hears them, or are once the page has said
        which edition it has."""
        offered, frame = self._offered, before.at.instant.frame
        if offered is not None and frame > offered.frame:
            self.session.go_back_to(before)
            self._waits = True
            return True
        turned_at = max((one.frame for one in before.log if one.kind == "change"), default=-1)
        if offered is None and turned_at < self._earliest():
            return False
        if offered is not None:  # nothing of it was sent
            self.session.go_back_to(offered.gone)
            self._place = self._place or offered.place
            self._offer(None)
        else:
            back = self.session.now
            self.session.go_back_to(before)
            self._turn_at(turned_at, back, None)
            self._offer(Offered(before, turned_at, None))
        self._failed(why)
        return True

    def _failed(self, why: str) -> None:
        self._preparing.forget()
        self._tell(Said(text=f"No solution with these values, so those before are back: {why}", refused=True))

    def _take_quality(self, turned: Turned) -> None:
        if not self.session.may_change_quality or self.session.now.changes != turned.changes:
            self._preparing.go_on()  # it had no solution, and other values are back
            return
        self.session.take_quality(turned)
        self._scope = None
        with self._change:
            self.pace.goes_on_in(turned.quality)
        self._tell_strain()
        self._took(self.session.frame)
        self._preparing.go_on()

    def _took(self, at_frame: int) -> None:
        self._tell(Took(quality=self.session.now.quality, at_frame=at_frame))
