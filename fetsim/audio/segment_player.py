"""A long file played in segments: all of them at the same time in the lanes of all cores, then spliced.

The file is cut (``segments``), each segment is brought to where it begins where the unit has cores that remember
(``scout``, ``recall``), all are marched until they agree (``chain``), and the file is put together. What is done
depends on the file and the unit, never on the cores, and lanes do not depend on their neighbours: the result is the
same on every machine, bit for bit.

Measured on music, a spliced render is within -140 dB of one in one piece (``benchmarks/segments.py``). The Dunlin with
its cores, 10 min in eight, draft: strokes, noises and chords over 24 dB of level -157 dB; jingles and speech at levels
that wander -147 dB, 3 min of it at standard -146 dB, of two channels -162 dB.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from threading import Event, Lock
from types import TracebackType
from typing import Unpack

import numpy as np

from fetsim.audio.chain import Chain
from fetsim.audio.channel import Channel
from fetsim.audio.gain_log import PART, GainLog, LogCollector, Splice
from fetsim.audio.player import BLOCK_FRAMES, Heard, Player, PlayerOptions, Playing, Source, check_rate, unheard
from fetsim.audio.probe_files import PER_FULL_SCALE
from fetsim.audio.recall import Recall
from fetsim.audio.scout import Look, look_through
from fetsim.audio.segments import CHUNK_FRAMES, OVERLAP_S, Segment, Stores, chunks_in, first_chunks
from fetsim.audio.splices import splices_of
from fetsim.audio.spool import MakeStore, Store, Unkept
from fetsim.engine.assembly import Array
from fetsim.engine.simulation import Effort
from fetsim.errors import ConvergenceError
from fetsim.rig.beginning import beginning
from fetsim.schematic.unit import Unit
from fetsim.schematic.wiring import build_circuit

LOOK_SHARE = 0.1
"""Of the progress, for the quick look through the file."""


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
        sign = 1.0 if self.rig.gain_cell is None else self.rig.gain_cell.control_sign
        self._logs = [LogCollector(self.rig.rate_hz, self.log_rate_hz, sign) for _ in range(channels)]
        volts = [PER_FULL_SCALE[probe.unit] for probe in self.probes]
        self._scales = np.array([1.0] * channels + volts * channels)
        self._chain: Chain | None = None
        self._stopped, self._lock = Event(), Lock()
        self._done_chunks, self._more_chunks = 0, 0.0

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
        chain = self._chain = Chain(self._segments, self._scales, self._stopped)

        def told(chunks: int) -> None:
            self._tell(chunks, source.frames, progress)

        self._more_chunks = OVERLAP_S * self.rate_hz / CHUNK_FRAMES * (len(self._firsts) - 1)
        if look is not None:
            recall = Recall(look, self._segments, lambda first: self._segment(source, first, _unkept))
            self._more_chunks += recall.chunks
            recall.play(told, self._stopped)
        chain.march(told)
        for segment, start, end in chain.links:
            for chunk in range(start, end):
                rows, parts = segment.heard(chunk), segment.log_parts(chunk)
                for number, log in enumerate(self._logs):
                    log.add(parts[:, number])
                output = rows[:, : self.channels]
                self.check_output(output)
                yield output, rows[:, self.channels :].reshape(len(rows), self.channels, -1)
        if segment.failure is not None:
            raise self.rig.blamed(segment.failure)
        for log in self._logs:
            log.add(np.empty((0, PART)), last=True)
        progress(source.frames)

    @property
    def splices(self) -> tuple[Splice, ...]:
        """Where the segments hang together."""
        return () if self._chain is None else splices_of(self._chain.agreements, self.rate_hz)

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

    def _tell(self, chunks: int, frames: int, progress: Callable[[int], object]) -> None:
        """So many more have been marched."""
        before = LOOK_SHARE if self._remembers else 0.0
        whole = chunks_in(frames) + self._more_chunks
        with self._lock:
            self._done_chunks += chunks
            progress(int(frames * (before + (1.0 - before) * min(self._done_chunks / whole, 1.0))))

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


def _unkept(columns: int, kind: type[np.floating]) -> Store:
    return Unkept()


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
