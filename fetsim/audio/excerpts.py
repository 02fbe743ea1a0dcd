"""Which moments of a file are played in full before its segments begin, so that their cores remember what they would
have heard by then, and in which order.

Each number that a part remembers was moved last in some chunk before. To be right, it has to be played that moment,
with a run-up in which the rest comes to its true course, and with what stood then right too: so the moments when that
was moved last are played before. What stood when those began is as the quick look has it (``scout``), and matters
little: on the Dunlin a wrong stop leaves up to a third of what it is wrong by in those that are moved next, a tenth in
itself. Through music of strokes and chords, jingles and speech at levels that wander, stops that no swing had reached
for two seconds and more were right to 2e-7 of y_c at a cut in the middle, to 5e-6 at the most. Many cuts share a
moment: eight segments of 10 min want 4 to 10 excerpts, 20 to 80 s in all.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fetsim.engine.assembly import Array

RUN_UP_S = 5.0
"""In half of it the rest has come to its course, nearly."""
KNOWN_AFTER_S = 8.0
"""After a cut; what is moved between is moved by the segment itself, if a run-up lies before."""

Chunks = NDArray[np.int32]


@dataclass(frozen=True)
class Excerpt:
    """Chunks of a file."""

    first: int
    end: int
    """The chunk behind the last."""


def last_moved(memory: Array) -> Chunks:
    """In which chunk before each one every number was moved last, -1 where in none: what no step has moved is the same
    to the last bit. ``memory`` is that at the beginning of each chunk and at the end of the last [shape=(chunks + 1,
    ...)], as the result."""
    chunks = np.arange(len(memory) - 1, dtype=np.int32).reshape(-1, *[1] * (memory.ndim - 1))
    found = np.full(memory.shape, -1, dtype=np.int32)
    np.maximum.accumulate(np.where(memory[1:] != memory[:-1], chunks, np.int32(-1)), axis=0, out=found[1:])
    return found


def excerpts(last: Chunks, cuts: Iterable[int], *, run_up: int, known_after: int) -> tuple[Excerpt, ...]:
    """What is to be heard before segments begin with the chunks ``cuts``, in order, no two of which overlap.

    ``last`` is that of ``last_moved`` [shape=(chunks + 1, numbers)]; ``run_up`` and ``known_after`` are in chunks. An
    excerpt that nearly touches a cut goes on to it.
    """
    chunks, settled = len(last) - 1, run_up // 2

    def excerpt(moment: int) -> Excerpt:
        return Excerpt(max(0, moment - run_up), min(moment + 2, chunks))  # its swing may end in the chunk behind it

    found: list[Excerpt] = []
    wanted: set[int] = set()
    for cut in cuts:
        for moment in _moments(last[min(cut + known_after, chunks)]):
            if moment - settled < cut:
                one = excerpt(moment)
                found.append(Excerpt(one.first, cut) if cut <= moment + settled else one)
                wanted.add(moment)
    before = {one for moment in wanted for one in _moments(last[moment]) if one < moment - settled}
    return _joined([*found, *map(excerpt, before)])


def generations(found: Sequence[Excerpt], last: Chunks) -> list[list[Excerpt]]:
    """The same one after the other, those side by side that want nothing of each other."""
    ranks: list[int] = []
    for one in found:
        wanted = last[one.first]
        before = [
            rank
            for rank, other in zip(ranks, found, strict=False)
            if ((other.first <= wanted) & (wanted < other.end)).any()
        ]
        ranks.append(1 + max(before, default=-1))
    return [
        [one for one, rank in zip(found, ranks, strict=True) if rank == number]
        for number in range(1 + max(ranks, default=-1))
    ]


def _moments(last: Chunks) -> list[int]:
    return [int(moment) for moment in np.unique(last) if moment >= 0]


def _joined(found: Iterable[Excerpt]) -> tuple[Excerpt, ...]:
    joined: list[Excerpt] = []
    for one in sorted(found, key=lambda one: one.first):
        if joined and one.first <= joined[-1].end:
            before = joined.pop()
            joined.append(Excerpt(before.first, max(before.end, one.end)))
        else:
            joined.append(one)
    return tuple(joined)
