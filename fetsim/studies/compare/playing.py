"""All versions played and measured side by side, each circuit once.

Threads, not processes: the compiled solver lets go of the interpreter while it marches, and the outputs lie on disk.
A version that cannot be played keeps its error and the others go on; the untouched unit must play.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from threading import Event

from fetsim.errors import ConvergenceError, UnitError
from fetsim.files.user_cache import UserCache
from fetsim.rig.rig import compile_notice
from fetsim.rig.runner import run_all
from fetsim.studies.compare.comparison import Activity, BenchFigures
from fetsim.studies.compare.figures import kept_figures
from fetsim.studies.compare.takes import Programme, Take, circuit_key, take, take_key
from fetsim.studies.compare.versions import Version

PLAYING, MEASURING = "playing", "measuring"

Watcher = Callable[[str, str, float], None]
"""Called with a version's name, what is being done with it, and the share of that which is done; from any thread."""


@dataclass(frozen=True)
class Played:
    """A version that was played and measured, or why it was not."""

    version: Version
    take: Take | None
    figures: BenchFigures | None
    error: str
    activity: Activity | None = None
    """Of a recording, which has no log."""


class _Stopped(Exception):
    """Ends a job when another one has failed for good or the user has had enough."""


def play_all(
    versions: Sequence[Version],
    programme: Programme,
    quality: str,
    cache: UserCache,
    progress: Watcher,
    notice: Callable[[str], None],
) -> list[Played]:
    """Play and measure all ``versions``, the first of which must play.

    Raises ConvergenceError or UnitError for that one, InputError when the programme or the disk fails.
    """
    keys = [None if one.unit is None else circuit_key(one.unit) for one in versions]
    circuits = {key: one.unit for key, one in zip(keys, versions, strict=True) if key is not None and one.unit}
    takes: dict[str, Take] = {}
    errors: dict[str, str] = {}
    figures: dict[str, BenchFigures] = {}
    stop = Event()

    def tell(key: str, doing: str, share: float) -> None:
        if stop.is_set():
            raise _Stopped
        for one, its in zip(versions, keys, strict=True):
            if its == key:
                progress(one.label, doing, share)

    def play(key: str) -> None:
        try:
            takes[key] = take(cache, circuits[key], programme, quality, partial(tell, key, PLAYING))
        except (ConvergenceError, UnitError) as error:
            if key == keys[0]:
                raise type(error)(f"{versions[0].label}: {error}") from None
            errors[key] = str(error)

    def measure(key: str) -> None:
        figures[key] = kept_figures(cache, circuits[key], quality, partial(tell, key, MEASURING))

    new = [unit for unit in circuits.values() if cache.find(take_key(unit, programme, quality)) is None]
    noisy = programme.noise_seed is not None
    if told := compile_notice(*{one.origin.path: one for one in new}.values(), noisy=noisy):
        notice(told)  # once, whichever thread is first
    jobs = {(number, key): partial(job, key) for number, job in enumerate((play, measure)) for key in circuits}
    run_all(jobs, lambda job, _: job(), stop=stop.set)
    return [
        Played(one, None, None, one.error)
        if key is None
        else Played(one, takes.get(key), figures[key] if key in takes else None, errors.get(key, ""))
        for key, one in zip(keys, versions, strict=True)
    ]
