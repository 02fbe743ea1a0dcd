"""Segments of one file, marched until the file hangs together: all of them at the same time in the lanes of all cores.

First every segment goes as far as the next one's beginning; then each goes on into the next until both agree
(``splices``), in the worst case to the end of the file, and what the next one played until then is thrown away. What is
done depends on the file and the unit, never on the cores.
"""

from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from math import inf
from threading import Event

from fetsim.audio.segments import Segment, in_packs, march_chunk
from fetsim.audio.splices import Agreement, agreement
from fetsim.engine.assembly import Array
from fetsim.rig.runner import run_all

ROUND_CHUNKS = 16
"""After so many the segments that still go on are packed anew."""

Told = Callable[[int], object]
"""Called, by other threads, with so many chunks more that have been marched."""


class Chain:
    """``march`` once, then ask for the rest."""

    def __init__(self, segments: Sequence[Segment], scales: Array, stopped: Event) -> None:
        """``scales``: as ``agreement`` has them."""
        self._segments, self._scales, self._stopped = segments, scales, stopped
        self._firsts = [one.first_chunk for one in segments]
        self._channels = len(segments[0].channels)
        self._agreed: dict[Segment, Agreement] = {}
        self._usable: list[int] = []  # chunk up to which others are set against each segment
        self._checked: dict[Segment, int] = {}  # and up to which it has been set against others

    def march(self, told: Told) -> None:
        """All segments to the beginning of the next one, then on until they agree with it."""
        self._in_packs(self._segments, lambda pack: self._to_the_next(pack, told))
        self._usable = [segment.heard_chunks for segment in self._segments]
        self._checked = {segment: segment.next_chunk for segment in self._segments}
        while not self._stopped.is_set() and (going := self._going_on()):
            self._in_packs(going, lambda pack: self._go_on(pack, told))

    @property
    def links(self) -> Iterator[tuple[Segment, int, int]]:
        """The segments that the file hangs together of, each with its first chunk and that after its last."""
        segment, start = self._segments[0], 0
        while (found := self._agreed.get(segment)) is not None:
            yield segment, start, found.chunk + 1
            segment, start = found.later, found.chunk + 1
        yield segment, start, segment.heard_chunks if segment.failure is not None else segment.next_chunk

    @property
    def agreements(self) -> tuple[Agreement, ...]:
        """By which they do."""
        return tuple(self._agreed[one] for one, _, _ in self.links if one in self._agreed)

    def _in_packs(self, segments: Sequence[Segment], march: Callable[[Sequence[Segment]], None]) -> None:
        packs = dict(enumerate(in_packs(segments, self._channels)))
        run_all(packs, lambda pack, _: march(pack), stop=self._stopped.set)

    def _to_the_next(self, pack: Sequence[Segment], told: Told) -> None:
        chunks = self._firsts[1] if len(self._firsts) > 1 else inf
        while (
            going := [one for one in pack if not one.ended and one.next_chunk - one.first_chunk < chunks]
        ) and not self._stopped.is_set():
            march_chunk(going)
            first = self._segments[0]
            if first.failure is not None:
                raise first.channels[0].rig.blamed(first.failure)  # nobody else could have gone on there
            told(len(going))

    def _going_on(self) -> list[Segment]:
        """Those that are to go on: each until it has gone through the whole of the next one, which may have begun with
        something wrong that nothing moved; then only the one that the file hangs on."""
        ends = [*self._firsts[2:], inf, inf]
        found = [
            segment
            for segment, end in zip(self._segments, ends, strict=False)
            if not segment.ended and segment not in self._agreed and segment.next_chunk < end
        ]
        *_, (last, _, _) = self.links
        return found or [one for one in (last,) if not one.ended]

    def _go_on(self, pack: Sequence[Segment], told: Told) -> None:
        """A round of chunks, or until all of a pack agree."""
        for _ in range(ROUND_CHUNKS):
            going = [segment for segment in pack if not segment.ended and segment not in self._agreed]
            if not going or self._stopped.is_set():
                return
            march_chunk(going)
            told(len(going))
            for segment in going:
                for chunk in range(self._checked[segment], segment.heard_chunks):
                    found = self._agreement(segment, chunk)
                    if found is not None:
                        self._agreed[segment] = found
                        break
                self._checked[segment] = segment.heard_chunks

    def _agreement(self, segment: Segment, chunk: int) -> Agreement | None:
        number = bisect_right(self._firsts, chunk) - 1  # of the last segment that begins with or before it
        later = self._segments[number]
        if later is segment or chunk >= self._usable[number]:
            return None
        return agreement(segment, later, chunk, self._usable[number], self._scales)
