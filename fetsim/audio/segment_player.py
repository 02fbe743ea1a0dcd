"""A long file played in segments: all of them at the same time in the lanes of all cores, then spliced.

First every segment goes as far as the next one's beginning; then each goes on into the next until both agree
(``splices``), in the worst case to the end of the file, and what the next one played until then is thrown away. Where
the unit has cores that remember, each is first played what it has to know (``scout``, ``recall``). What is done depends
on the file and the unit, never on the cores, and lanes do not depend on their neighbours: the result is the same on
every machine, bit for bit.

Measured on music, a spliced render is within -140 dB of one in one piece (``benchmarks/segments.py``). The Dunlin with
its cores, in draft: drum loops, 120 s in four, -147 dB; loud, 20 dB quieter, loud again at the slowest release, cut in
the quiet, -160 dB.
"""

from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from math import inf
from threading import Event, Lock
from types import TracebackType
from typing import TypeVar, Unpack

import numpy as np

from fetsim.audio.channel import Channel
from fetsim.audio.gain_log import PART, GainLog, LogCollector, Splice
from fetsim.audio.player import BLOCK_FRAMES, Heard, Player, PlayerOptions, Playing, Source, check_rate, unheard
from fetsim.audio.probe_files import PER_FULL_SCALE
from fetsim.audio.recall import Recall, recall
from fetsim.audio.scout import Look, look_through
from fetsim.audio.segments import CHUNK_FRAMES, OVERLAP_S, Segment, Stores, chunks_in, first_chunks, march_chunk
from fetsim.audio.splices import Agreement, agreement, splices_of
from fetsim.audio.spool import Kept, MakeStore, Store
from fetsim.engine.assembly import Array
from fetsim.engine.lanes import WIDTH
from fetsim.engine.simulation import Effort
from fetsim.errors import ConvergenceError
from fetsim.rig.beginning import beginning
from fetsim.rig.runner import run_all
from fetsim.schematic.unit import Unit
from fetsim.schematic.wiring import build_circuit

ROUND_CHUNKS = 16
"""After so many the segments that still go on are packed anew."""
LOOK_SHARE = 0.1
"""Of the progress, for the quick look through the file."""
PLAYED_TWICE_S = 25.0
"""A guess for each segment of a unit that remembers, for the progress: excerpts and overlap."""

Job = TypeVar("Job")

def player_for(
    unit: Unit,
    rate_hz: float,
    channels: int,
    frames: int,
    make_store: MakeStore,
    *,
    segments: bool,
    beside: Iterable[Mapping[str, Array]] | None = None,
    **options: Unpack[PlayerOptions],
) -> "Player | SegmentPlayer":
    """A player for sound of this length: in segments where they are wanted and it is long enough, and nothing goes
    to inputs ``beside`` the program's (``Player``)."""
    check_rate(rate_hz)
    firsts = begun(unit, frames, rate_hz, channels, segments=segments and beside is None)
    if len(firsts) == 1:
        return Player(unit, rate_hz, channels, beside or (), **options)
    return SegmentPlayer(unit, rate_hz, channels, firsts, make_store, **options)


def begun(unit: Unit, frames: int, rate_hz: float, channels: int, *, segments: bool) -> tuple[int, ...]:
    """The chunk that each segment begins with; (0,) for short sound, a pair, or where none are wanted."""
    if not segments or unit.channels:
        return (0,)
    return first_chunks(frames, rate_hz, channels, remembers=bool(beginning(build_circuit(unit))))


class SegmentPlayer(Playing):
    """Plays one file in segments that begin with ``firsts``; ``play`` once, then ask for the rest."""

    def __init__(
        self,
        unit: Unit,
        rate_hz: float,
        channels: int,
        firsts: Sequence[int],
        make_store: MakeStore,
        **options: Unpack[PlayerOptions],
    ) -> None:
        super().__init__(unit, rate_hz, channels, **options)
        self._firsts = (0,) if self.rig.growing else tuple(firsts)  # what grows at rest never forgets
        self._remembers = len(self._firsts) > 1 and bool(beginning(self.rig.circuit))
        self._make_store = make_store
        self._stores: list[Store] = []
        self._segments: list[Segment] = []
        self._agreed: dict[Segment, Agreement] = {}
        self._usable: list[int] = []  # chunk up to which others are set against each segment
        self._checked: dict[Segment, int] = {}  # and up to which it has been set against others
        sign = 1.0 if self.rig.gain_cell is None else self.rig.gain_cell.control_sign
        self._logs = [LogCollector(self.rig.rate_hz, self.log_rate_hz, sign) for _ in range(channels)]
        volts = [PER_FULL_SCALE[probe.unit] for probe in self.probes]
        self._scales = np.array([1.0] * channels + volts * channels)
        self._stopped, self._lock = Event(), Lock()
        self._done_chunks = 0

    def play(
        self,
        source: Source,
        heard: Callable[[Array], object] = unheard,
        progress: Callable[[int], object] = unheard,
    ) -> Iterator[Heard]:
        """As ``Player.play``; nothing comes out before all segments are done, and ``progress`` is called by other
        threads, one at a time, with what has been done as a part of the whole."""
        source = self._looked_through(source, heard)
        look = self._look(source, progress) if self._remembers else None
        self._segments = [self._segment(source, first, self._new_store) for first in self._firsts]
        if look is not None:
            self._recall(look, source, progress)
        self._march(source.frames, progress)
        for segment, start, end in self._chain():
            for chunk in range(start, end):
                rows, parts = segment.heard(chunk), segment.log_parts(chunk)
                for number, log in enumerate(self._logs):
                    log.add(parts[:, number])
                output = rows[:, : self.channels]
                self.check_output(output)
                yield output, rows[:, self.channels :].reshape(len(rows), self.channels, -1)
            if segment.failure is not None and segment not in self._agreed:
                raise self.rig.blamed(segment.failure)
        for log in self._logs:
            log.add(np.empty((0, PART)), last=True)
        progress(source.frames)

    @property
    def splices(self) -> tuple[Splice, ...]:
        """Where the segments hang together."""
        return splices_of([self._agreed[one] for one, _, _ in self._chain() if one in self._agreed], self.rate_hz)

    @property
    def logs(self) -> tuple[GainLog, ...]:
        """One log for each channel."""
        return tuple(log.result() for log in self._logs)

    @property
    def efforts(self) -> tuple[Effort, ...]:
        """What the solver did, for each channel, overlaps included."""
        return tuple(_sum([segment.channels[k].effort for segment in self._segments]) for k in range(self.channels))

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for store in self._stores:
            store.close()

    def _looked_through(self, source: Source, heard: Callable[[Array], object]) -> Source:
        """The source, once from its start to its end; copied where it cannot be read anywhere."""
        copy = None if source.anywhere else self._new_store(self.channels, np.float32)
        for block in source.blocks(BLOCK_FRAMES):
            self.check_input(block)
            heard(block)
            if copy is not None:
                copy.write(block)
        return source if copy is None else StoredSource(copy)

    def _look(self, source: Source, progress: Callable[[int], object]) -> Look | None:
        """A quick look through the file; where that has no solution, the file is not cut."""
        try:
            return look_through(
                self.rig, source, self.channels, self._new_store, cold=self.cold,
                progress=lambda frames: progress(int(LOOK_SHARE * frames)),
            )  # fmt: skip
        except ConvergenceError:
            self._firsts = (0,)
            return None

    def _recall(self, look: Look, source: Source, progress: Callable[[int], object]) -> None:
        """All segments but the first are played what they have to know; those with as much of it share a core."""

        def stretch(first: int) -> Segment:
            return self._segment(source, first, lambda columns, kind: Kept())

        def told(chunks: int) -> None:
            self._tell(chunks, source.frames, progress)

        recalls = sorted((Recall(one, look, stretch) for one in self._segments[1:]), key=lambda one: one.chunks)
        packs = self._packs(recalls)
        run_all(packs, lambda pack, _: recall(pack, told, self._stopped.is_set), stop=self._stopped.set)

    def _march(self, frames: int, progress: Callable[[int], object]) -> None:
        """All segments to the beginning of the next one, then on until they agree with it."""

        def told(chunks: int) -> None:
            self._tell(chunks, frames, progress)

        each = self._firsts[1] if len(self._firsts) > 1 else chunks_in(frames)
        packs = self._packs(self._segments)
        run_all(packs, lambda pack, _: self._to_the_next(pack, each, told), stop=self._stopped.set)
        self._usable = [segment.heard_chunks for segment in self._segments]
        self._checked = {segment: segment.next_chunk for segment in self._segments}
        while not self._stopped.is_set() and (going := self._going_on()):
            run_all(self._packs(going), lambda pack, _: self._go_on(pack, told), stop=self._stopped.set)

    def _packs(self, jobs: Sequence[Job]) -> dict[int, Sequence[Job]]:
        """As many segments, or what belongs to one, as fill the lanes of one core."""
        size = max(1, WIDTH // self.channels)
        return {k: jobs[k : k + size] for k in range(0, len(jobs), size)}

    def _tell(self, chunks: int, frames: int, progress: Callable[[int], object]) -> None:
        """So many more have been marched."""
        before, more_s = (LOOK_SHARE, PLAYED_TWICE_S) if self._remembers else (0.0, OVERLAP_S)
        whole = chunks_in(frames) + more_s * self.rate_hz / CHUNK_FRAMES * (len(self._firsts) - 1)
        with self._lock:
            self._done_chunks += chunks
            progress(int(frames * (before + (1.0 - before) * min(self._done_chunks / whole, 1.0))))

    def _to_the_next(self, pack: Sequence[Segment], chunks: int, told: Callable[[int], object]) -> None:
        for _ in range(chunks):
            going = [segment for segment in pack if not segment.ended]
            if not going or self._stopped.is_set():
                return
            march_chunk(going)
            first = self._segments[0]
            if first.failure is not None:
                raise self.rig.blamed(first.failure)  # nobody else could have gone on there
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
        *_, (last, _, _) = self._chain()
        return found or [one for one in (last,) if not one.ended]

    def _go_on(self, pack: Sequence[Segment], told: Callable[[int], object]) -> None:
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
        number = self._place(chunk)
        later = self._segments[number]
        if later is segment or chunk >= self._usable[number]:
            return None
        return agreement(segment, later, chunk, self._usable[number], self._scales)

    def _place(self, chunk: int) -> int:
        """Number of the last segment that begins with or before a chunk."""
        return bisect_right(self._firsts, chunk) - 1

    def _chain(self) -> Iterator[tuple[Segment, int, int]]:
        """The segments that the file hangs together of, each with its first chunk and that after its last."""
        segment, start = self._segments[0], 0
        while (found := self._agreed.get(segment)) is not None:
            yield segment, start, found.chunk + 1
            segment, start = found.later, found.chunk + 1
        yield segment, start, segment.heard_chunks if segment.failure is not None else segment.next_chunk

    def _segment(self, source: Source, first: int, make_store: MakeStore) -> Segment:
        channels = [self.channel(k, first_frame=first * CHUNK_FRAMES) for k in range(self.channels)]
        return Segment(channels, source, first, self._new_stores(channels[0], make_store))

    def _new_stores(self, channel: Channel, make_store: MakeStore) -> Stores:
        heard, parts = self.channels * (1 + len(self.probes)), self.channels * PART
        state = channel.simulation.state
        numbers = self.channels * (len(state.x) + len(state.memory))
        return Stores(
            make_store(heard, np.float32), make_store(parts, np.float64), make_store(numbers, np.float64),
        )  # fmt: skip

    def _new_store(self, columns: int, kind: type[np.floating]) -> Store:
        self._stores.append(self._make_store(columns, kind))
        return self._stores[-1]


class StoredSource:
    """A copy of a source."""

    anywhere = True

    def __init__(self, store: Store) -> None:
        self._store = store

    @property
    def frames(self) -> int:
        return self._store.rows

    def blocks(self, frames: int) -> Iterator[Array]:
        """All of it in order."""
        for first in range(0, self.frames, frames):
            yield self.at(first, frames)

    def at(self, first: int, frames: int) -> Array:
        """As many frames from ``first`` on."""
        return self._store.read(first, max(0, min(frames, self.frames - first)))


def _sum(efforts: Sequence[Effort]) -> Effort:
    return Effort(
        steps=sum(one.steps for one in efforts), iterations=sum(one.iterations for one in efforts),
        most_iterations=max(one.most_iterations for one in efforts),
        subdivided_steps=sum(one.subdivided_steps for one in efforts),
        rescue_stages=sum(one.rescue_stages for one in efforts),
    )  # fmt: skip
