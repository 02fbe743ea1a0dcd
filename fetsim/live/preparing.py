"""What is wanted next gets ready on a thread beside the sound; a solver that has to be compiled, in another process.

First values, then a quality, one after the other, and of what is wanted meanwhile only the newest.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from threading import Condition, Event

from fetsim.engine.prepared import compile_s
from fetsim.errors import FetsimError
from fetsim.live.background import Background
from fetsim.live.figures import compile_for
from fetsim.live.happened import Changes, Said
from fetsim.live.session import Session, Turned, to_be_prepared
from fetsim.live.voices import prepared
from fetsim.rig.rig import Rig


class Preparing:
    """Between those who want and the thread that marches, which takes what ``is_ready`` and then lets it ``go_on``."""

    def __init__(
        self, session: Session, background: Background, tell: Callable[[Said], object], change: Condition
    ) -> None:
        """``change`` is notified when something is ready, and guards all of it."""
        self._session, self._background, self._tell, self._change = session, background, tell, change
        self._begun = session.now.ready  # near which others rest; the one before would keep all those before it
        self._wanted: tuple[Changes, str] = session.now.changes, session.now.quality
        self._turned: Turned | None = None
        self._works = self._ended = False  # it works until what is ready has been taken
        self._workers = ThreadPoolExecutor(1, thread_name_prefix="preparing")

    def end(self) -> None:
        """Whatever is being prepared."""
        self._ended = True
        self._workers.shutdown(wait=False, cancel_futures=True)

    def want(self, changes: Changes) -> None:
        """Other values."""
        with self._change:
            self._wanted = dict(changes), self._wanted[1]
            if self._turned is not None and self._turned.quality != self._session.now.quality:
                self._drop()  # a quality that waits for the sound to go on is not to keep values waiting
        self.go_on(anew=False)

    def want_quality(self, quality: str) -> None:
        """Another quality."""
        with self._change:
            self._wanted = self._wanted[0], quality
        self.go_on(anew=False)

    def forget(self) -> None:
        """What is wanted is what there is."""
        with self._change:
            self._wanted = self._session.now.changes, self._session.now.quality
            self._drop()

    @property
    def is_ready(self) -> bool:
        """Whether something can be taken before the next block; a quality only where values have stood still."""
        turned = self._turned
        return turned is not None and (
            turned.quality == self._session.now.quality or self._session.may_change_quality
        )

    @property
    def is_at_work(self) -> bool:
        """Whether something gets ready, so that what is marched meanwhile will be taken back."""
        return self._works and self._turned is None

    def taken(self) -> Turned | None:
        """What is ready, for whoever takes it."""
        if not self.is_ready:
            return None
        turned, self._turned = self._turned, None
        return turned

    def go_on(self, *, anew: bool = True) -> None:
        """See to it that what is wanted gets ready; ``anew``: what was ready has been taken."""
        with self._change:
            if anew:
                self._works = False
            if self._works or self._ended:
                return
            self._works = True
        self._workers.submit(self._prepare)

    def _prepare(self) -> None:
        while True:
            try:
                turned = self._next()
            except FetsimError as error:
                with self._change:
                    self._works = False
                    self._wanted = self._session.now.changes, self._session.now.quality
                self._tell(Said(text=str(error), refused=True))
                return
            with self._change:
                now = self._session.now
                if turned is None and self._wanted != (now.changes, now.quality) and not self._ended:
                    continue  # wanted since it was looked at
                self._turned, self._works = turned, turned is not None
                self._change.notify_all()
                return

    def _drop(self) -> None:
        """What was ready is not to be taken; under the lock."""
        if self._turned is not None:
            self._turned, self._works = None, False

    def _next(self) -> Turned | None:
        """What is to be taken next: first the values, then the quality; None where nothing is left."""
        with self._change:
            (changes, quality), now = self._wanted, self._session.now
        if changes == now.changes and quality == now.quality:
            return None
        if changes != now.changes:
            quality = now.quality
        ready = to_be_prepared(self._session, changes, quality, self._begun)
        if not ready.like(now.ready):
            self._compile(ready.rigs, quality)
        return Turned(changes, quality, prepared(ready))

    def _compile(self, rigs: Sequence[Rig], quality: str) -> None:
        seconds = compile_s(*{id(rig): rig.system for rig in rigs}.values())
        if not seconds:
            return
        self._tell(Said(text=f"This is another topology: its solver is compiled, about {seconds:.0f} s; "
                        "the sound goes on with the old values until then"))  # fmt: skip
        done = Event()
        units = list({id(rig): rig.unit for rig in rigs}.values())
        rate_hz = self._session.programme.rate_hz
        self._background.ask("compile", compile_for, units, quality, rate_hz, told=lambda found, error: done.set())
        while not done.wait(0.1):
            if self._ended:
                return
