"""What a segment is played before it begins, so that its cores remember what they would have heard by then.

Each number that a part remembers was moved last in some chunk before. The moments when those were moved that are still
to be known some time after the cut are played in full, each with a run-up in which the rest comes to its true course;
between two of them the file is skipped. What was moved last before the skip stays as it was played, all else is as the
quick look through the file has it (``scout``).

Measured on the Dunlin (music and drum loops): a stop whose moment is played with 4 to 5 s of run-up is right to 1e-6 to
3e-4 of y_c, as each loud swing takes what is apart down to a third or less; the segment before goes on until all are
right to ``splices.MEMORY_SHARE``.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fetsim.audio.scout import Look
from fetsim.audio.segments import CHUNK_FRAMES, Segment, march_chunk
from fetsim.engine.assembly import Array

RUN_UP_S = 5.0
KNOWN_AFTER_S = 8.0
"""After the cut; what is moved between is moved by the segment itself, if a run-up lies before."""


@dataclass(frozen=True)
class Excerpt:
    """Chunks of a file."""

    first: int
    end: int
    """The chunk behind the last."""


def excerpts(moved: NDArray[np.bool_], cut: int, *, run_up: int, known_after: int) -> tuple[Excerpt, ...]:
    """What is to be heard before a segment begins with chunk ``cut``, in order.

    ``moved`` says which number was moved in which chunk [shape=(chunks, numbers)]; ``run_up`` and ``known_after`` are
    in chunks. Excerpts that nearly touch are one, and one that nearly touches the cut ends there.
    """
    found: list[Excerpt] = []
    for moment in _last_moments(moved[: cut + known_after]):
        one = Excerpt(max(0, moment - run_up), min(moment + 1, cut))
        if one.first >= cut:
            break
        if found and one.first <= found[-1].end + run_up // 2:
            one = Excerpt(found.pop().first, one.end)
        found.append(one)
    if found and cut <= found[-1].end + run_up // 2:
        found.append(Excerpt(found.pop().first, cut))
    return tuple(found)


def _last_moments(moved: NDArray[np.bool_]) -> Sequence[int]:
    """The chunks in which some number was moved for the last time, in order."""
    ever = moved[:, moved.any(axis=0)]
    return sorted({int(k) for k in len(ever) - 1 - np.argmax(ever[::-1], axis=0)})


class Recall:
    """One segment being prepared: after ``excerpts`` have been played, its channels stand where it begins."""

    def __init__(self, segment: Segment, look: Look, stretch: Callable[[int], Segment]) -> None:
        """``stretch`` makes a segment that begins, at rest, with a chunk, and whose output nobody wants."""
        a_second = segment.channels[0].rig.audio_rate_hz / CHUNK_FRAMES
        self.playing: Segment | None = None
        self._segment, self._look, self._make = segment, look, stretch
        self._waiting = list(excerpts(
            look.moved, segment.first_chunk, run_up=round(RUN_UP_S * a_second),
            known_after=round(KNOWN_AFTER_S * a_second),
        ))  # fmt: skip
        self._played: tuple[int, list[Array]] | None = None  # the chunk behind an excerpt, and every channel's memory

    @property
    def chunks(self) -> int:
        """To be played."""
        return sum(one.end - one.first for one in self._waiting)

    def goes_on(self) -> bool:
        """Whether a chunk of ``playing`` is to be marched next; False when the segment is ready."""
        if self.playing is not None:
            if not self.playing.ended and self.playing.next_chunk < self._waiting[0].end:
                return True
            self._end(self.playing, self._waiting.pop(0).end)
        if not self._waiting:
            if self._played is None or self._played[0] < self._segment.first_chunk:
                self._stand(self._segment)
            return False
        self.playing = self._make(self._waiting[0].first)
        self._stand(self.playing)
        return True

    def _end(self, played: Segment, end: int) -> None:
        self.playing = None
        if played.failure is not None:
            return
        states = [channel.simulation.state for channel in played.channels]
        self._played = end, [state.memory for state in states]
        if end == self._segment.first_chunk:
            for channel, state in zip(self._segment.channels, states, strict=True):
                channel.simulation.state = state

    def _stand(self, segment: Segment) -> None:
        """Bring its channels to where it begins: as seen, and what was played and is not moved since, as played."""
        first = segment.first_chunk
        if first == 0:
            return
        for number, channel in enumerate(segment.channels):
            state = self._look.state(first, number, channel.simulation.state)
            if self._played is not None:
                since, memory = self._played
                kept = self._look.kept(since, first)[number]
                state.memory[: len(kept)][kept] = memory[number][: len(kept)][kept]
            channel.simulation.state = state


def recall(recalls: Sequence[Recall], told: Callable[[int], object], stopped: Callable[[], bool]) -> None:
    """Prepare several segments side by side; ``told`` is called with the chunks that have been marched."""
    going = list(recalls)
    while (going := [one for one in going if one.goes_on()]) and not stopped():
        march_chunk([one.playing for one in going if one.playing is not None])
        told(len(going))
