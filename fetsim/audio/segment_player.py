"""A long file played in segments: all of them at the same time in the lanes of all cores, then spliced.

First every segment goes as far as the next one's beginning; then each goes on into the next until both agree
(``splices``), in the worst case to the end of the file, and what the next one played until then is thrown away. What
is done depends on the file and the unit, never on the cores, and lanes do not depend on their neighbours: the result is
the same on every machine, bit for bit.

Measured on music, a spliced render is within -140 dB of one in one piece (``benchmarks/segments.py``).
"""

from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from threading import Event, Lock
from types import TracebackType
from typing import Unpack

import numpy as np

from fetsim.audio.channel import Channel
from fetsim.audio.gain_log import PART, GainLog, LogCollector, Splice
from fetsim.audio.player import BLOCK_FRAMES, Heard, Player, PlayerOptions, Playing, Source, check_rate, unheard
from fetsim.audio.probe_files import PER_FULL_SCALE
from fetsim.audio.segments import CHUNK_FRAMES, OVERLAP_S, Segment, Stores, chunks_in, first_chunks, march_chunk
from fetsim.audio.splices import Agreement, agreement, splices_of
from fetsim.audio.spool import Store
from fetsim.engine.assembly import Array
from fetsim.engine.lanes import WIDTH
from fetsim.engine.simulation import Effort
from fetsim.rig.beginning import beginning
from fetsim.rig.runner import run_all
from fetsim.schematic.unit import Unit
from fetsim.schematic.wiring import build_circuit

MakeStore = Callable[[int, type[np.floating]], Store]
"""Makes a store of so many columns of numbers of a kind."""


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
    """The chunk that each segment begins with; (0,) where none are wanted, the sound is short, the unit is a pair, or
    it has parts with memory: what the loudest swing has left in a core stays until a louder one comes, so that a
    segment which has not heard it never comes to agree. (Of the Dunlin, two marches that had agreed to -200 dB were
    apart by -116 dB in the next loud passage, and by -90 dB of the quiet stretch behind it.)
    """
    if not segments or unit.channels or beginning(build_circuit(unit)):
        return (0,)
    return first_chunks(frames, rate_hz, channels)


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
        self._make_store = make_store
        self._stores: list[Store] = []
        self._segments: list[Segment] = []
        self._agreed: dict[Segment, Agreement] = {}
        self._usable: list[int] = []  # chunk up to which others are set against each segment
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
        for first in self._firsts:
            channels = [self.channel(k, first_frame=first * CHUNK_FRAMES) for k in range(self.channels)]
            self._segments.append(Segment(channels, source, first, self._new_stores(channels[0])))
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

    def _march(self, frames: int, progress: Callable[[int], object]) -> None:
        """All segments to the beginning of the next one, then on until they agree with it."""
        whole = chunks_in(frames) + OVERLAP_S * self.rate_hz / CHUNK_FRAMES * (len(self._firsts) - 1)

        def told(chunks: int) -> None:
            with self._lock:
                self._done_chunks += chunks
                progress(int(frames * min(self._done_chunks / whole, 1.0)))

        each = self._firsts[1] if len(self._firsts) > 1 else chunks_in(frames)
        size = max(1, WIDTH // self.channels)
        packs = {k: self._segments[k : k + size] for k in range(0, len(self._segments), size)}
        run_all(packs, lambda pack, _: self._to_the_next(pack, each, told), stop=self._stopped.set)
        self._usable = [segment.heard_chunks for segment in self._segments]
        run_all(packs, lambda pack, _: self._until_agreed(pack, told), stop=self._stopped.set)

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

    def _until_agreed(self, pack: Sequence[Segment], told: Callable[[int], object]) -> None:
        going = [segment for segment in pack if not segment.ended]
        checked = {segment: segment.next_chunk for segment in going}
        while going and not self._stopped.is_set():
            march_chunk(going)
            told(len(going))
            for segment in going:
                for chunk in range(checked[segment], segment.heard_chunks):
                    found = self._agreement(segment, chunk)
                    if found is not None:
                        self._agreed[segment] = found
                        break
                checked[segment] = segment.heard_chunks
            going = [segment for segment in going if not segment.ended and segment not in self._agreed]

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

    def _new_stores(self, channel: Channel) -> Stores:
        heard, parts = self.channels * (1 + len(self.probes)), self.channels * PART
        state = channel.simulation.state
        numbers = self.channels * (len(state.x) + len(state.memory))
        return Stores(
            self._new_store(heard, np.float32), self._new_store(parts, np.float64),
            self._new_store(numbers, np.float64),
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
