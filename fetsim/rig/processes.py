"""Many jobs over processes: those of this machine, or those of the machines behind a Dask scheduler.

For jobs that think for as long as they march, such as the figures of a thousand builds: threads (``runner``) share one
interpreter, processes do not. Jobs and results are pickled, and ``work`` must be a function of a module. joblib does
the rest, on either back end. A result does not depend on where it was worked out: every job has linear algebra on one
thread. (Machines whose processors differ may differ in the last bits.)

A job whose process is lost is done again by another; only when ``MOST_LOSSES`` in a row have brought nothing is it
given up.
"""

import os
import signal
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from multiprocessing import resource_tracker
from typing import Any, TypeVar

from joblib import Parallel, delayed, parallel_config
from joblib.externals.loky.process_executor import BrokenProcessPool
from threadpoolctl import threadpool_limits

import fetsim
from fetsim.errors import FetsimError, InputError
from fetsim.rig.runner import Progress, unwatched

Job = TypeVar("Job")
Result = TypeVar("Result")

MOST_LOSSES = 3
ANSWER_S = 10.0
"""A scheduler that has not answered by then is taken for absent."""


def unseen(number: int, result: object) -> None:
    """Results that nobody waits for one by one."""


def run_apart(
    jobs: Sequence[Job],
    work: Callable[[Job], Result],
    progress: Progress = unwatched,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    arrived: Callable[[int, Result], None] = unseen,
) -> list[Result]:
    """``work(job)`` of each job, in their order.

    ``workers``: processes of this machine (default: one a core; 1 works in this process). ``scheduler``: address of a
    Dask scheduler, as ``tcp://host:8786``, whose workers do it instead. ``arrived`` is told the number of each job with
    its result as it comes. The first error of a job, or Ctrl-C, ends it and is raised. Raises InputError for a
    scheduler that does not answer or has no workers, or what is not installed.
    """
    found: dict[int, Result] = {}
    losses = 0
    processes = max(1, min(processes_of(workers), len(jobs)))  # joblib starts all of them, even idle ones
    with _backend(scheduler, processes):
        while len(found) < len(jobs):
            left = [number for number in range(len(jobs)) if number not in found]
            before = len(found)
            try:
                with _undisturbed():
                    results = Parallel(return_as="generator_unordered", batch_size=1)(
                        delayed(_numbered)(work, number, jobs[number]) for number in left
                    )
                for number, result in results:
                    found[number] = result
                    arrived(number, result)
                    progress(len(found) / len(jobs))
            except BrokenProcessPool:
                losses = losses + 1 if len(found) == before else 0
                if losses == MOST_LOSSES:
                    raise FetsimError(
                        f"workers: {MOST_LOSSES} times in a row a process was lost before it had done anything; is "
                        "there memory enough for this many?"
                    ) from None
    return [found[number] for number in range(len(jobs))]


def processes_of(workers: int | None) -> int:
    """How many processes are asked for. Raises InputError for what is no number of them."""
    if workers is None:
        return os.cpu_count() or 1
    if not (isinstance(workers, int) and workers >= 1):
        raise InputError(f"workers: {repr(workers)[:40]} can do nothing; give 1 or more")
    return workers


def _numbered(work: Callable[[Any], Result], number: int, job: Any) -> tuple[int, Result]:
    with threadpool_limits(1, "blas"):
        return number, work(job)


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Processes that are started here never hear of Ctrl-C, which a terminal sends to all of them: one that it meets
    while it starts would tell so in pages. It waits until they are, and this process ends them."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # else it is started among them, and takes the mask off
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def _backend(scheduler: str | None, workers: int) -> Iterator[None]:
    if scheduler is None:
        with parallel_config("loky", n_jobs=workers, inner_max_num_threads=1):
            yield
        return
    at = f"scheduler: {repr(scheduler)[:80]}"
    try:
        from distributed import Client, KilledWorker
    except ImportError:
        raise InputError(f"{at} is reached through Dask, which is not installed; pip install 'fetsim[dask]'") from None
    try:
        client = Client(scheduler, timeout=ANSWER_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, AssertionError) as error:
        # a timeout is an OSError; an AssertionError is distributed's own, where its loop has not come up in time
        reason = str(error) or "no connection"
        raise InputError(f"{at} does not answer ({reason}); start it with: dask scheduler") from None
    with client:
        _check_workers(client, at)
        try:
            with parallel_config("dask", client=client, n_jobs=-1):
                yield
        except KilledWorker as error:
            raise FetsimError(f"{at} lost {error.allowed_failures + 1} workers at one job, one by one") from None


def _check_workers(client: Any, at: str) -> None:
    if not client.scheduler_info(n_workers=-1)["workers"]:
        raise InputError(f"{at} has no workers; start some with: dask worker")
    for worker, found in client.run(_version, on_error="return").items():
        if isinstance(found, OSError):
            continue  # lost meanwhile: its jobs go to the others
        if isinstance(found, ModuleNotFoundError):
            raise InputError(f"{at} has workers that lack {found.name}; install fetsim there as here")
        if isinstance(found, Exception):
            raise found
        if found != fetsim.__version__:
            raise InputError(
                f"{at} has fetsim {found} at {worker}, here it is {fetsim.__version__}; install one and the same"
            )


def _version() -> str:
    return fetsim.__version__
