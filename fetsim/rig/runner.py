"""Many jobs over all cores, with progress.

Threads, not processes: the compiled solver lets go of the interpreter while it marches, so two jobs on two cores take
1.08 times as long as one (measured), nothing need be pickled, and the solver is loaded once. The jobs are not gathered
into lanes: between their short marches a procedure thinks for longer than it marches, so that packs stay empty (a grid
of 25 timings took 33 s that way, 24 s one job a core).
"""

import os
from collections.abc import Callable, Mapping
from concurrent.futures import FIRST_EXCEPTION, ThreadPoolExecutor, wait
from threading import Lock
from typing import TypeVar

from fetsim.errors import FetsimError

Key = TypeVar("Key")
Job = TypeVar("Job")
Result = TypeVar("Result")

Progress = Callable[[float], None]
"""Called with the share that is done, 0 to 1."""


def unwatched(share: float) -> None:
    """Progress that nobody looks at."""


def run_each(
    jobs: Mapping[Key, Job], work: Callable[[Job, Progress], Result], progress: Progress = unwatched
) -> tuple[dict[Key, Result], dict[Key, FetsimError]]:
    """As ``run_all``, but a job that fails for a reason of its own does not end the others: results, and errors."""

    def attempt(job: Job, told: Progress) -> Result | FetsimError:
        try:
            return work(job, told)
        except FetsimError as error:
            return error

    found = run_all(jobs, attempt, progress)
    return (
        {key: one for key, one in found.items() if not isinstance(one, FetsimError)},
        {key: one for key, one in found.items() if isinstance(one, FetsimError)},
    )


def run_all(
    jobs: Mapping[Key, Job],
    work: Callable[[Job, Progress], Result],
    progress: Progress = unwatched,
    stop: Callable[[], None] = lambda: None,
) -> dict[Key, Result]:
    """Name -> result of ``work(job, progress)``, in the order of ``jobs``; every job tells its own progress.

    The first error, Ctrl-C included, ends it: ``stop`` is called, jobs that wait are dropped, those that run are waited
    for, and the error is raised.
    """
    shares = dict.fromkeys(jobs, 0.0)
    lock = Lock()

    def tell(key: Key, share: float) -> None:
        with lock:
            shares[key] = share
            progress(sum(shares.values()) / len(shares))

    def one(key: Key) -> Result:
        result = work(jobs[key], lambda share: tell(key, share))
        tell(key, 1.0)
        return result

    with ThreadPoolExecutor(max_workers=max(1, min(os.cpu_count() or 1, len(jobs)))) as pool:
        running = {key: pool.submit(one, key) for key in jobs}
        try:
            done, _ = wait(running.values(), return_when=FIRST_EXCEPTION)
            for future in done:
                future.result()
        except BaseException:
            stop()
            pool.shutdown(cancel_futures=True)
            raise
        return {key: future.result() for key, future in running.items()}
