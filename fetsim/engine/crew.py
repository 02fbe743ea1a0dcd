"""Many jobs side by side: a thread a core, on each a gang of jobs in turns, whose marches are gathered into lanes.

A job is ordinary code that runs until it asks for a march (``march``) or for jobs of its own (``side_by_side``). Then
its thread goes on with another job of its gang (each job is a greenlet, with a stack of its own), and when none can go
on without a march, it marches as many of one kind as there are lanes together, as far as the shortest of them goes.
So packs are as full as there are jobs, while no two threads wait for each other's marches. A thread begins a new job
while it has fewer than would fill a pack, those of its own jobs first; those of others where they have too many. When
none are left to begin, the last marches of several threads go on in one pack.

Whether jobs march in lanes is decided by how many stand side by side, never by cores or time; a lane does not depend on
its neighbours. So no result depends on the number of cores, nor on which jobs happened to march together.

The solver of several lanes is one more compile for each topology. It is made once the marches of single circuits have
taken as long as the compile would (then it has cost at most twice what it should have); until then each marches alone,
which may differ from lanes in the last bits.
"""

import os
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from threading import Condition, Thread
from time import monotonic
from typing import Any, TypeVar, cast

from greenlet import GreenletExit, getcurrent, greenlet

from fetsim.engine.generated import Solver
from fetsim.engine.inputs import Drive, steps_of, stretch
from fetsim.engine.lanes import WIDTH
from fetsim.engine.simulation import Marched, Simulation
from fetsim.engine.together import can_march_together, lanes_ready, march_together

Key = TypeVar("Key")
Result = TypeVar("Result")

LEAST_IN_LANES = 3
"""So many jobs side by side are marched in lanes; fewer each alone, on a core of its own."""
LONGEST_STRETCH = 16384
"""Steps of one pack, some 20 ms; what is longer goes on in the next."""
EARLY = 2 * WIDTH
"""Jobs that a thread begins even while its packs are full: they go on in turns, so that they end at about one time and
the last packs are full too."""
MOST_IN_A_GANG = 3 * WIDTH
"""Jobs of different kinds that a thread has begun, while none of its packs is full."""
LONGEST_NAP_S = 0.01
"""Of a thread with nothing to do, before it looks again for what another has too much of."""
COMPILE_S = 15.0
"""Solver and march of several lanes take about as long to compile (the Dunlin's)."""


def nothing() -> None:
    """Nothing."""


def side_by_side(
    jobs: Mapping[Key, Callable[[], Result]], *, stop: Callable[[], None] = nothing, cores: int | None = None
) -> dict[Key, Result]:
    """Key -> what the job returned, in the order of ``jobs``. From within a job of a crew its own crew does them, else
    ``cores`` threads (default: as many as there are) made for them.

    The first error, Ctrl-C included, ends it: ``stop`` is called, jobs that have not begun are dropped, those that have
    end where they next march, and the error is raised.
    """
    here = getcurrent()
    if len(jobs) == 1:
        return {key: job() for key, job in jobs.items()}
    batch = _Batch(jobs, here if isinstance(here, _Job) else None, stop)
    if not jobs:
        return {}
    if batch.parent is not None:
        batch.parent.wait_for(batch)
    else:
        _Crew(batch, cores or os.cpu_count() or 1).work()
    if batch.error is not None:
        raise batch.error
    return {key: batch.found[key] for key in jobs}


def march(simulation: Simulation, u: Drive, stops: Sequence[int] = ()) -> Marched:
    """``simulation.march(u)``, together with others where this is a job among many; with its states after so many
    steps as ``stops`` say, rising."""
    job = getcurrent()
    return job.march(simulation, u, stops) if isinstance(job, _Job) else _stopping(simulation, u, stops)


def _stopping(simulation: Simulation, u: Drive, stops: Sequence[int]) -> Marched:
    """The march of one circuit."""
    parts: list[Marched] = []
    start = 0
    for stop in (*stops, steps_of(u)):
        marched = simulation.march(stretch(u, start, stop))
        parts.append(replace(marched, states=(simulation.state,)) if len(parts) < len(stops) else marched)
        start = stop
        if marched.failure is not None:
            return Marched.joined([*parts[:-1], marched])
    return Marched.joined(parts)


class _Batch:
    """Jobs that stand side by side, and what has come of them."""

    def __init__(
        self, jobs: Mapping[Any, Callable[[], Any]], parent: "_Job | None", stop: Callable[[], None]
    ) -> None:
        self.jobs, self.parent, self._stop = jobs, parent, stop
        self.found: dict[Any, Any] = {}
        self.error: BaseException | None = None
        self.left = len(jobs)
        self.abreast: int = len(jobs) * (1 if parent is None else parent.batch.abreast)

    @property
    def dropped(self) -> bool:
        """Whether nobody waits for its results any more."""
        return self.error is not None or (self.parent is not None and self.parent.batch.dropped)

    def fail(self, error: BaseException) -> None:
        """Nothing more is begun, and what has begun ends where it next marches; the first error counts."""
        if self.error is None:
            self.error = error
            self._stop()


class _Request:
    """One march that a job waits for."""

    def __init__(self, job: "_Job", simulation: Simulation, u: Drive, stops: Sequence[int]) -> None:
        self.job, self.simulation, self.left, self.stops = job, simulation, u, stops
        self.stretches: list[Marched] = []

    def take(self, marched: Marched) -> Marched | None:
        """Another stretch is done; all of them as one when it is the last."""
        self.stretches.append(marched)
        done = len(marched.kept)
        self.left, self.stops = stretch(self.left, done), [stop - done for stop in self.stops if stop > done]
        if marched.failure is None and steps_of(self.left):
            return None
        return Marched.joined(self.stretches)


class _Job(greenlet):  # type: ignore[misc]
    """One job that has begun, on the thread where it began."""

    def __init__(self, worker: "_Worker", batch: _Batch, key: object) -> None:
        super().__init__(self._work, parent=getcurrent())
        self.worker, self.batch, self.key = worker, batch, key

    def _work(self, _: object) -> None:
        try:
            self.batch.found[self.key] = self.batch.jobs[self.key]()
        except GreenletExit:
            pass
        except BaseException as error:
            self.batch.fail(error)
        finally:
            self.worker.ended(self)

    def march(self, simulation: Simulation, u: Drive, stops: Sequence[int]) -> Marched:
        """As the function of this name."""
        crew = self.worker.crew
        if not simulation.prepared.compiled or self.batch.abreast < LEAST_IN_LANES or not crew.in_lanes(simulation):
            marched = crew.alone(simulation, u, stops)
            if self.batch.dropped:
                raise GreenletExit
            return marched
        self.worker.requests.append(_Request(self, simulation, u, stops))
        return cast(Marched, self.parent.switch())

    def wait_for(self, batch: _Batch) -> None:
        """Come back when all of its jobs have ended."""
        self.worker.begin_later(batch)
        self.parent.switch()


class _Worker:
    """One thread of a crew and its gang."""

    def __init__(self, crew: "_Crew") -> None:
        self.crew = crew
        self.waiting: deque[tuple[_Batch, Any]] = deque()
        """Jobs of its own jobs that nobody has begun; guarded by the crew's lock, as is:"""
        self.ready: list[_Job] = []
        """Jobs whose own jobs have all ended."""
        self.active = 0
        """Jobs that have begun and do not wait for jobs of their own;"""
        self.marching: list[_Request] = []
        """what is being marched;"""
        self.guests: list[_Request] = []
        """marches of jobs on other threads that are to go on in its next pack;"""
        self.answers: deque[tuple[_Job, Marched | BaseException]] = deque()
        """what has come of those of its own jobs."""
        self.requests: list[_Request] = []

    def work(self) -> None:
        """Until there is nothing more to do."""
        try:
            while self._one_thing():
                pass
        except BaseException as error:  # of this module itself: nobody is to wait for ever
            self.crew.drop(error)

    def _one_thing(self) -> bool:
        with self.crew.change:
            self.requests += self.guests
            self.guests.clear()
            answer = self.answers.popleft() if self.answers else None
        if answer is not None:
            self._resume(*answer)
            return True
        for request in [one for one in self.requests if one.job.batch.dropped]:
            self.requests.remove(request)
            self._answer(request, GreenletExit())
        group = self._pack()
        job = None
        with self.crew.change:
            if self.ready:
                job = self.ready.pop()
                self.active += 1
            elif len(group) < WIDTH or self.active < EARLY:
                begun = self.crew.next_for(self)
                if begun is not None:
                    job = _Job(self, *begun)
                    self.active += 1
            if job is None and not group:
                if self.crew.root.left == 0:
                    return False
                if not self.answers and not self.guests:
                    self.crew.change.wait(LONGEST_NAP_S)
                return True
            if job is None:
                host = self.crew.host_of(self, group)
                if host is not None:
                    host.guests += group
                    self.requests = [one for one in self.requests if one not in group]
                    return True
                self.marching = group
        if job is not None:
            self._resume(job)
        else:
            self._march(group)
        return True

    def _resume(self, job: _Job, found: Marched | BaseException | None = None) -> None:
        """Let a job run until it waits for something."""
        if job.batch.dropped and job:  # it has begun
            job.throw(GreenletExit)
        elif isinstance(found, BaseException):
            job.throw(found)
        else:
            job.switch(found)

    def _answer(self, request: _Request, found: Marched | BaseException) -> None:
        """A job hears what has come of its march, on its own thread."""
        home = request.job.worker
        if home is self:
            self._resume(request.job, found)
            return
        with self.crew.change:
            home.answers.append((request.job, found))
            self.crew.change.notify_all()

    def _pack(self) -> list[_Request]:
        """The largest group of one kind among those that wait for a march, the oldest of those that are as large."""
        groups: list[list[_Request]] = []
        for request in self.requests:
            for group in groups:
                if can_march_together(group[0].simulation, request.simulation):
                    group.append(request)
                    break
            else:
                groups.append([request])
        return max(groups, key=lambda group: min(len(group), WIDTH), default=[])[:WIDTH]

    def _march(self, group: list[_Request]) -> None:
        steps = min(LONGEST_STRETCH, *(steps_of(one.left) for one in group))
        found: Sequence[Marched | BaseException]
        try:
            found = march_together(
                [one.simulation for one in group], [stretch(one.left, 0, steps) for one in group],
                [[stop for stop in one.stops if stop <= steps] for one in group],
            )  # fmt: skip
        except BaseException as error:  # every one of them must hear of it
            found = [error] * len(group)
        with self.crew.change:
            self.marching = []
        for one, marched in zip(group, found, strict=True):
            whole = marched if isinstance(marched, BaseException) else one.take(marched)
            if whole is not None:
                self.requests.remove(one)
                self._answer(one, whole)

    def begin_later(self, batch: _Batch) -> None:
        """The present job waits until these of its own have ended."""
        with self.crew.change:
            self.waiting.extend((batch, key) for key in batch.jobs)
            self.active -= 1
            self.crew.hire((len(self.waiting) + self.active - 1) // WIDTH)
            self.crew.change.notify_all()

    def ended(self, job: _Job) -> None:
        """One of its jobs has come to its end."""
        with self.crew.change:
            self.active -= 1
            self.crew.left_over(job.batch)


class _Crew:
    """The threads that do one batch of jobs and all that those bring about."""

    _alone_s: dict[Solver, float] = {}  # noqa: RUF012  of the process: what its marches of one circuit have taken

    def __init__(self, batch: _Batch, cores: int) -> None:
        self.root, self.change = batch, Condition()
        self._cores = cores
        self._waiting = deque((batch, key) for key in batch.jobs)
        self._workers: list[_Worker] = []
        self._threads: list[Thread] = []

    def work(self) -> None:
        """Until all is done; what ends it before is the error of its batch."""
        try:
            with self.change:
                self.hire(len(self._waiting))
                while self.root.left and self.root.error is None:
                    self.change.wait()
        except BaseException as error:
            self.drop(error)
        for thread in self._threads:
            thread.join()

    def hire(self, number: int) -> None:
        """So many threads more, as far as there are cores; the lock is held."""
        for _ in range(min(number, self._cores - len(self._threads))):
            worker = _Worker(self)
            self._workers.append(worker)
            self._threads.append(Thread(target=worker.work, name="fetsim jobs"))
            self._threads[-1].start()

    def drop(self, error: BaseException) -> None:
        """All of it ends."""
        with self.change:
            self.root.fail(error)
            self.change.notify_all()

    def next_for(self, worker: _Worker) -> tuple[_Batch, Any] | None:
        """A job to begin; the lock is held. Its own jobs' first, then those of the crew, then what another thread has
        too many of. Of batches that nobody waits for any more none is begun."""
        full = worker.active >= MOST_IN_A_GANG
        others = [one.waiting for one in self._workers if len(one.waiting) + one.active > WIDTH]
        for queue in (worker.waiting, self._waiting, *others):
            while queue and (queue[0][0].dropped or not full):
                batch, key = queue.popleft()
                if not batch.dropped:
                    return batch, key
                self.left_over(batch)
        return None

    def host_of(self, worker: _Worker, group: list[_Request]) -> _Worker | None:
        """Another thread in whose pack there is room for these, which fill none; the lock is held. One more lane costs
        it nothing."""
        for other in self._workers:
            going = [*other.marching, *other.guests]
            if other is not worker and other.marching and len(going) + len(group) <= WIDTH and all(
                can_march_together(one.simulation, group[0].simulation) for one in going
            ):
                return other
        return None

    def left_over(self, batch: _Batch) -> None:
        """One of its jobs has ended or never will begin; the lock is held."""
        batch.left -= 1
        if batch.left == 0 and batch.parent is not None:
            batch.parent.worker.ready.append(batch.parent)
        if batch.left == 0 or batch.error is not None:
            self.change.notify_all()

    def in_lanes(self, simulation: Simulation) -> bool:
        """Whether the solver of several lanes lies ready for this circuit, or pays by now."""
        return lanes_ready(simulation.prepared) or self._alone_s.get(simulation.prepared.solver, 0.0) >= COMPILE_S

    def alone(self, simulation: Simulation, u: Drive, stops: Sequence[int]) -> Marched:
        """A march of this circuit alone; the time that it took counts."""
        start = monotonic()
        marched = _stopping(simulation, u, stops)
        with self.change:
            solver = simulation.prepared.solver
            self._alone_s[solver] = self._alone_s.get(solver, 0.0) + monotonic() - start
        return marched
