"""Many jobs in batches, each kept in the user's cache when it is done.

A study that was interrupted and is asked again goes on from there, to the same figures bit for bit. Batches do not
depend on the workers, so that any number of them finds what another has kept.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol, Self, TypeVar

import orjson

from fetsim.files.user_cache import TRIM_EVERY_S, UserCache
from fetsim.rig.processes import run_apart
from fetsim.rig.runner import Progress, unwatched

LARGEST_BATCH = 32
"""Jobs that a process works on at a time: enough that the lanes are seldom empty at the end of one."""
LEAST_BATCH, FEW_BATCHES = 4, 16
ROWS = "rows.json"


class Row(Protocol):
    """What comes of a job: a record whose fields are plain or arrays."""

    @classmethod
    def of_plain(cls, kept: Mapping[str, Any]) -> Self:
        """The record out of its fields as JSON has them. Raises KeyError, TypeError or ValueError."""


Job = TypeVar("Job")
OneRow = TypeVar("OneRow", bound=Row)


def batch_size(jobs: int) -> int:
    """Of a study of so many: whole packs of lanes."""
    each = -(-jobs // FEW_BATCHES)
    return min(LARGEST_BATCH, max(LEAST_BATCH, LEAST_BATCH * -(-each // LEAST_BATCH)))


@dataclass(frozen=True, kw_only=True)
class Kept:
    """Where batches are kept, and who works on those that are not there yet."""

    cache: UserCache
    workers: int | None = None
    scheduler: str | None = None

    def rows(
        self,
        jobs: Sequence[Job],
        ready: Callable[[], Callable[[Sequence[Job]], list[OneRow]]],
        kind: type[OneRow],
        key: Callable[[Sequence[Job]], str],
        progress: Progress = unwatched,
    ) -> list[OneRow]:
        """A row for each job, those of a batch worked out together where they are not kept.

        ``ready`` gives the function that works on a batch, and is asked only where one is left; ``key`` names a batch
        by all that its rows depend on (``cache.key_of``). Raises InputError where nobody can do the work.
        """
        size = batch_size(len(jobs))
        batches = [list(jobs[first : first + size]) for first in range(0, len(jobs), size)]
        keys = [key(batch) for batch in batches]
        found = {number: rows for number, name in enumerate(keys) if (rows := self._fetched(name, kind)) is not None}
        left = [number for number in range(len(batches)) if number not in found]
        done_before = len(found)

        def arrived(place: int, rows: list[OneRow]) -> None:
            found[left[place]] = rows
            self._keep(keys[left[place]], rows)

        def told(share: float) -> None:
            progress((done_before + share * len(left)) / len(batches))

        if left:
            progress(done_before / len(batches))
            waiting = [batches[number] for number in left]
            run_apart(waiting, ready(), told, workers=self.workers, scheduler=self.scheduler, arrived=arrived)
            self.cache.trim(TRIM_EVERY_S)
        else:
            progress(1.0)
        return [row for number in range(len(batches)) for row in found[number]]

    def _keep(self, key: str, rows: Sequence[Row]) -> None:
        plain = [vars(row) for row in rows]
        with self.cache.filling(key) as folder:
            (folder / ROWS).write_bytes(orjson.dumps(plain, option=orjson.OPT_SERIALIZE_NUMPY))

    def _fetched(self, key: str, kind: type[OneRow]) -> list[OneRow] | None:
        """What is kept under a key; None where there is nothing, or what is damaged."""
        folder = self.cache.find(key)
        if folder is None:
            return None
        try:
            return [kind.of_plain(one) for one in orjson.loads((folder / ROWS).read_bytes())]
        except (OSError, ValueError, KeyError, TypeError):
            self.cache.drop(key)
            return None
