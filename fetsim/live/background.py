"""What takes long, in processes of their own and at low priority, so that it never takes the sound's turn: figures of
the present state, the loudness of a setting, the compile of another topology, a comparison.

Of one kind of work only the newest is waited for: what has been overtaken while it waited is dropped.
"""

import os
import signal
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager, suppress
from multiprocessing import get_context, parent_process, resource_tracker
from pathlib import Path
from threading import Lock, Thread
from time import monotonic
from typing import Any

from fetsim.errors import FetsimError

NICE = 19
UNASKED = ("figures",)
"""Kinds of work that nobody waits for."""
GONE_S = {"compare": 3.0, "compile": 1.0}
LEFT_S = 0.2
"""So long the process of a kind, or of another one, has to take away what it has half written: on a busy machine those
of low priority come to nothing for seconds."""
Told = Callable[[Any, str], object]
"""Called with the result, or with None and what went wrong."""


class Background:
    """One process for a kind of work, begun when it is first asked for."""

    def __init__(self) -> None:
        self._pools: dict[str, ProcessPoolExecutor] = {}
        self._running: set[str] = set()
        self._waiting: dict[str, tuple[Callable[..., Any], tuple[Any, ...], Told]] = {}
        self._lock = Lock()
        self._ended = False

    def ask(self, kind: str, work: Callable[..., Any], *arguments: Any, told: Told) -> None:
        """``work(*arguments)``, a function of a module, in place of whatever of this kind still waits."""
        with self._lock:
            if self._ended:
                return
            if kind in self._running:
                self._waiting[kind] = (work, arguments, told)
                return
            self._running.add(kind)
            if kind not in self._pools:
                self._pools[kind] = ProcessPoolExecutor(
                    1, mp_context=get_context("spawn"), initializer=_modest, initargs=(kind in UNASKED,)
                )
            with _left_alone():
                future = self._pools[kind].submit(work, *arguments)  # which begins its process
        future.add_done_callback(lambda done: self._done(kind, done, told))

    def end(self) -> None:
        """Now, whatever is being worked out."""
        with self._lock:
            self._ended = True
            pools = dict(self._pools)
        workers = [(kind, worker) for kind, pool in pools.items() for worker in (pool._processes or {}).values()]
        for pool in pools.values():
            pool.shutdown(wait=False, cancel_futures=True)
        for _, worker in workers:
            worker.terminate()
        began_s = monotonic()
        for kind, worker in sorted(workers, key=lambda one: GONE_S.get(one[0], LEFT_S)):
            worker.join(max(began_s + GONE_S.get(kind, LEFT_S) - monotonic(), 0.0))
            if worker.is_alive():
                worker.kill()

    def _done(self, kind: str, future: "Future[Any]", told: Told) -> None:
        with self._lock:
            self._running.discard(kind)
            following = self._waiting.pop(kind, None)
            ended = self._ended
        if ended or future.cancelled():
            return
        error = future.exception()
        if error is None:
            told(future.result(), "")
        elif isinstance(error, FetsimError):
            told(None, str(error))
        else:
            told(None, f"could not be worked out ({type(error).__name__})")
            with self._lock:
                self._pools.pop(kind, None)  # its process may be gone
        if following is not None:
            work, arguments, tell = following
            self.ask(kind, work, *arguments, told=tell)


@contextmanager
def _left_alone() -> Iterator[None]:
    """Processes that begin within are left alone by Ctrl-C from their first instant: of a terminal it goes to all."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # which would let the signal through when it begins
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _modest(unasked: bool) -> None:
    """Of lower priority than the sound, what is ``unasked`` than the browser too, and left alone by Ctrl-C."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, lambda number, frame: sys.exit(1))  # so that what is half written is taken away
    sys.unraisablehook = lambda unraisable: None  # where the end comes while an object is being taken away
    Thread(target=_end_with_parent, daemon=True).start()
    with suppress(AttributeError, OSError):
        os.nice(NICE)
    if unasked:  # Linux weighs sessions against each other first, and by that number only within them
        with suppress(AttributeError, OSError):
            os.setsid()
            Path("/proc/self/autogroup").write_text(str(NICE))


def _end_with_parent() -> None:
    """Whatever becomes of the program."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
