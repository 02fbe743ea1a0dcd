"""Many jobs over all cores and side by side in the lanes of each (``engine/crew.py``), with progress."""

from collections.abc import Callable, Mapping
from functools import partial
from threading import Lock
from typing import TypeVar

from fetsim.engine.crew import nothing, side_by_side
from fetsim.errors import FetsimError

Key = TypeVar("Key")
Job = TypeVar("Job")
Result = TypeVar("Result")

Progress = Callable[[float], None]
"""Called with the share that is done, 0 to 1."""

Notice = Callable[[str], None]
"""Called with a few words on what is being done."""


def unwatched(share: float) -> None:
    """Progress that nobody looks at."""


def unsaid(text: str) -> None:
    """A notice that nobody reads."""


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
    stop: Callable[[], None] = nothing,
) -> dict[Key, Result]:
    """Name -> result of ``work(job, progress)``, in the order of ``jobs``; every job tells its own progress, and may
    run jobs of its own.

    The first error, Ctrl-C included, ends it: ``stop`` is called, jobs that wait are dropped, those that run end where
    they next march, and the error is raised.
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

    return side_by_side({key: partial(one, key) for key in jobs}, stop=stop)
