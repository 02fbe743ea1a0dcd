"""Segments of a unit with cores are brought to where they begin: what those remember there has been played in full.

Unknowns, and what was not played, are as the quick look has them (``scout``). What comes out of an excerpt corrects the
look for all that begins later, other excerpts among them; a segment whose beginning an excerpt comes by goes on from
where that stands.
"""

from collections.abc import Callable, Sequence
from threading import Event

import numpy as np

from fetsim.audio.excerpts import KNOWN_AFTER_S, RUN_UP_S, Excerpt, excerpts, generations
from fetsim.audio.scout import Look
from fetsim.audio.segments import CHUNK_FRAMES, Segment, in_packs, march_chunk
from fetsim.rig.runner import run_all


class Recall:
    """What is to be played before the segments of a file begin, all but the first; ``play`` it once."""

    def __init__(self, look: Look, segments: Sequence[Segment], stretch: Callable[[int], Segment]) -> None:
        """``stretch`` makes a segment that begins, at rest, with a chunk, and whose output nobody wants."""
        self._look, self._stretch, self._segments = look, stretch, segments[1:]
        a_second = segments[0].channels[0].rig.audio_rate_hz / CHUNK_FRAMES
        last = look.last_moved.reshape(len(look.last_moved), -1)
        self.plan = generations(
            excerpts(
                last, [one.first_chunk for one in self._segments], run_up=round(RUN_UP_S * a_second),
                known_after=round(KNOWN_AFTER_S * a_second),
            ),
            last,
        )  # fmt: skip

    @property
    def chunks(self) -> int:
        """To be played."""
        return sum(one.end - one.first for generation in self.plan for one in generation)

    def play(self, told: Callable[[int], object], stopped: Event) -> None:
        """Prepare all segments; ``told`` is called with the chunks that have been marched."""
        cuts = {one.first_chunk: one for one in self._segments}
        for generation in self.plan:
            playing = [_Playing(self._standing(self._stretch(one.first)), one, cuts) for one in generation]
            playing.sort(key=lambda one: one.excerpt.end - one.excerpt.first)
            packs = dict(enumerate(in_packs(playing, len(self._segments[0].channels))))
            run_all(packs, lambda pack, _: _play(pack, told, stopped), stop=stopped.set)
            for one in playing:
                one.tell(self._look)
        for segment in cuts.values():
            self._standing(segment)

    def _standing(self, segment: Segment) -> Segment:
        """A segment brought to where it begins, as it was seen."""
        if segment.first_chunk > 0:
            for number, channel in enumerate(segment.channels):
                state = self._look.state(segment.first_chunk, number, channel.simulation.state)
                channel.simulation.state = state
        return segment


class _Playing:
    """One excerpt; a segment that it comes by is taken out of ``cuts``."""

    def __init__(self, stretch: Segment, excerpt: Excerpt, cuts: dict[int, Segment]) -> None:
        self.stretch, self.excerpt, self._cuts = stretch, excerpt, cuts

    @property
    def goes_on(self) -> bool:
        return not self.stretch.ended and self.stretch.next_chunk < self.excerpt.end

    def come_by(self) -> None:
        """A chunk has been marched."""
        if self.stretch.failure is None and (segment := self._cuts.pop(self.stretch.next_chunk, None)) is not None:
            for mine, its in zip(self.stretch.channels, segment.channels, strict=True):
                its.simulation.state = mine.simulation.state

    def tell(self, look: Look) -> None:
        """What it has left in the devices."""
        if self.stretch.failure is None:
            numbers = look.memory.shape[2]
            memory = np.array([one.simulation.state.memory[:numbers] for one in self.stretch.channels])
            look.correct(self.excerpt, memory)


def _play(pack: Sequence[_Playing], told: Callable[[int], object], stopped: Event) -> None:
    while (going := [one for one in pack if one.goes_on]) and not stopped.is_set():
        march_chunk([one.stretch for one in going])
        told(len(going))
        for one in going:
            one.come_by()
