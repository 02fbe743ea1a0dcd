"""Marches of many threads, gathered into lanes: whoever asks first while a core is free takes the others along.

Meant for long marches with little between them: the channels of a file beyond two. Inside ``at_work()`` a march is not
done at once: it waits, a few milliseconds at most, until as many others of its kind wait as there are lanes, or until
nobody is left who could bring one. Then one of the threads marches all of them together, as far as the shortest of them
goes and never for long; the rest goes back into the queue. A lane does not depend on its neighbours, so a result
depends neither on who happened to march together nor on the number of cores.

The solver of several lanes is one more compile for each topology. It is made once the marches of single circuits have
taken as long as the compile would (then it has cost at most twice what it should have); until then each marches alone.
"""

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from threading import Condition, local
from time import monotonic

import numpy as np

from fetsim.engine.generated import Solver
from fetsim.engine.inputs import Drive, steps_of, stretch
from fetsim.engine.lanes import WIDTH
from fetsim.engine.simulation import Marched, Simulation
from fetsim.engine.together import can_march_together, lanes_ready, march_together

LONGEST_WAIT_S = 0.005
"""That a march waits for company while others are at work on something else."""
LONGEST_STRETCH = 8192
"""Steps of one pack, some 8 ms; what is longer goes on in the next."""
COMPILE_S = 25.0
"""A solver of several lanes takes about as long to compile (the Dunlin's)."""

_mine = local()


class _Request:
    """One march that somebody waits for."""

    def __init__(self, simulation: Simulation, u: Drive) -> None:
        self.simulation = simulation
        self.left = u
        self.stretches: list[Marched] = []
        self.done: Marched | BaseException | None = None
        self.marching = False
        self.since = monotonic()

    def take(self, marched: Marched | BaseException) -> None:
        """Another stretch is done, or none ever will be."""
        self.marching = False
        if isinstance(marched, BaseException):
            self.done = marched
            return
        self.stretches.append(marched)
        self.since = monotonic()
        self.left = stretch(self.left, len(marched.kept))
        if marched.failure is not None or not steps_of(self.left):
            self.done = Marched(
                kept=np.concatenate([one.kept for one in self.stretches]), recorder=marched.recorder,
                u=np.concatenate([one.u for one in self.stretches]), failure=marched.failure,
            )  # fmt: skip


def _march(group: list[_Request]) -> Sequence[Marched | BaseException]:
    """As far as the shortest of them goes, and no longer than others may be kept waiting for a lane."""
    steps = min(LONGEST_STRETCH, *(steps_of(one.left) for one in group))
    try:
        return march_together([one.simulation for one in group], [stretch(one.left, 0, steps) for one in group])
    except BaseException as error:  # every one of the threads must hear of it
        return [error] * len(group)


class Crew:
    """The threads at work, and the marches that wait."""

    def __init__(self, cores: int | None = None) -> None:
        self._cores = cores or os.cpu_count() or 1
        self._change = Condition()
        self._queue: list[_Request] = []
        self._at_work = 0
        self._marching = 0
        self._alone_s: dict[Solver, float] = {}

    @contextmanager
    def at_work(self) -> Iterator[None]:
        """This thread's marches may be gathered with those of others."""
        self._joined(1)
        before, _mine.crew = getattr(_mine, "crew", None), self
        try:
            yield
        finally:
            _mine.crew = before
            self._joined(-1)

    def march(self, simulation: Simulation, u: Drive) -> Marched:
        """``simulation.march(u)``, together with others that wait."""
        if not self._in_lanes(simulation):
            return self._alone(simulation, u)
        request = _Request(simulation, u)
        with self._change:
            self._queue.append(request)
            self._change.notify_all()
            while request.done is None:
                group = self._group(request)
                if not group:
                    self._change.wait(LONGEST_WAIT_S)
                    continue
                self._marching += 1
                for one in group:
                    one.marching = True
                    self._queue.remove(one)
                self._change.release()
                try:
                    found = _march(group)
                finally:
                    self._change.acquire()
                    self._marching -= 1
                for one, marched in zip(group, found, strict=True):
                    one.take(marched)
                self._queue = [one for one in group if one.done is None] + self._queue
                self._change.notify_all()
        if isinstance(request.done, BaseException):
            raise request.done
        return request.done

    def _joined(self, number: int) -> None:
        with self._change:
            self._at_work += number
            self._change.notify_all()

    def _group(self, request: _Request) -> list[_Request]:
        """Whom to march with now; nobody while it is better to wait. The lock is held."""
        if request.marching or self._marching >= self._cores:
            return []
        fitting = [one for one in self._queue if can_march_together(one.simulation, request.simulation)]
        others_busy = self._at_work > len(self._queue) + WIDTH * self._marching
        if len(fitting) < WIDTH and others_busy and monotonic() - request.since < LONGEST_WAIT_S:
            return []
        return [request, *(one for one in fitting if one is not request)][:WIDTH]

    def _in_lanes(self, simulation: Simulation) -> bool:
        solver = simulation.prepared.solver
        return self._alone_s.get(solver, 0.0) >= COMPILE_S or lanes_ready(simulation.prepared)

    def _alone(self, simulation: Simulation, u: Drive) -> Marched:
        start = monotonic()
        marched = simulation.march(u)
        with self._change:
            solver = simulation.prepared.solver
            self._alone_s[solver] = self._alone_s.get(solver, 0.0) + monotonic() - start
        return marched


CREW = Crew()


def march(simulation: Simulation, u: Drive) -> Marched:
    """``simulation.march(u)``, in the crew that this thread is at work for, if any."""
    crew: Crew | None = getattr(_mine, "crew", None)
    return simulation.march(u) if crew is None or not simulation.prepared.compiled else crew.march(simulation, u)
