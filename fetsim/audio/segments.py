"""Stretches of one file, marched side by side in lanes: where a file is cut, and what one stretch brings out.

A file is cut at instants that depend on its length, rate and channels alone, and on whether the unit has cores that
remember. Each segment starts at the unit's bias point, or as a quick look through the file has it (``scout``), which is
wrong, and comes to the true course by itself, because the circuit forgets. Everything is counted in chunks: a segment
marches whole ones, keeps its state at the end of each, and so can be set against another segment.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TypeVar

import numpy as np

from fetsim.audio.channel import Block, Channel
from fetsim.audio.gain_log import PART
from fetsim.audio.player import Source
from fetsim.audio.spool import Store
from fetsim.engine.assembly import Array
from fetsim.engine.lanes import WIDTH
from fetsim.engine.simulation import Marched
from fetsim.engine.together import march_together
from fetsim.errors import ConvergenceError

CHUNK_FRAMES = 4096
READ_CHUNKS = 4
LEAST_S = 60.0
"""Shorter files are marched in one piece: the solver of several lanes has to pay for its own compile."""
SIDE_BY_SIDE = 8
"""Lanes of the shortest files: two packs, so that two cores have one each;"""
SHORTEST_S = 10.5
"""half as many where segments would be shorter than this, twice an overlap: a second core would gain little then, and
one alone lose."""
WORTH_S = 75.0
"""Files are cut into twice as many segments as soon as each is as long: an overlap is some 5 s."""
SHORTEST_REMEMBERING_S, WORTH_REMEMBERING_S = 20.0, 150.0
"""The same for a unit with cores, where excerpts and overlap take some 15 to 20 s for each segment: two packs, or one
piece. Dunlin, standard, eight segments: 2 min took 1.03 of the processor time of one piece, 3 min 0.81, two channels of
3 min in four 0.68."""
MOST_LANES = 64
MOST_CHANNELS = 4
"""More fill lanes and cores by themselves."""
OVERLAP_S = 5.0
"""By which the last segment, which has nobody to go on to, is longer than the others."""

Job = TypeVar("Job")


def first_chunks(frames: int, rate_hz: float, channels: int, *, remembers: bool = False) -> tuple[int, ...]:
    """The chunk that each segment of a file begins with; (0,) for a file that is best left whole."""
    if frames < LEAST_S * rate_hz or channels > MOST_CHANNELS:
        return (0,)
    shortest_s, worth_s = (SHORTEST_REMEMBERING_S, WORTH_REMEMBERING_S) if remembers else (SHORTEST_S, WORTH_S)
    count = SIDE_BY_SIDE // channels
    if frames < (count * shortest_s + OVERLAP_S) * rate_hz:
        if remembers:
            return (0,)
        count //= 2
    while frames >= 2 * count * worth_s * rate_hz and 2 * count * channels <= MOST_LANES:
        count *= 2
    return even_chunks(frames, rate_hz, count)


def even_chunks(frames: int, rate_hz: float, count: int) -> tuple[int, ...]:
    """First chunks of ``count`` segments of one length, the last one longer by an overlap."""
    each = max(1, (chunks_in(frames) - round(OVERLAP_S * rate_hz / CHUNK_FRAMES)) // count)
    return tuple(number * each for number in range(count))


def chunks_in(frames: int) -> int:
    """Chunks that so many frames take."""
    return -(-frames // CHUNK_FRAMES)


def in_packs(jobs: Sequence[Job], channels: int) -> list[Sequence[Job]]:
    """Segments of so many channels, or what belongs to one: as many together as fill the lanes of one core."""
    size = max(1, WIDTH // channels)
    return [jobs[k : k + size] for k in range(0, len(jobs), size)]


@dataclass(frozen=True, eq=False)
class Stores:
    """Where one segment keeps what it brought out."""

    heard: Store
    """Output of every channel, then probes channel by channel."""
    log_parts: Store
    """Of every channel side by side."""
    states: Store
    """Unknowns of every channel, and what its devices remember, at the end of each chunk."""


class Segment:
    """All channels of a file from one chunk on, each in the state that it has been given."""

    def __init__(self, channels: Sequence[Channel], source: Source, first_chunk: int, stores: Stores) -> None:
        self.channels = tuple(channels)
        self.first_chunk = self.next_chunk = first_chunk
        self.stores = stores
        self.failure: ConvergenceError | None = None
        self.ended = False
        """At the end of the file, or where a step had no solution."""
        first = channels[0].simulation.state
        self.unknowns, n = len(first.x), len(first.x) + len(first.memory)
        self.remembered = channels[0].simulation.prepared.remembered
        self.lowest, self.highest = np.full((len(channels), n), np.inf), np.full((len(channels), n), -np.inf)
        self._part_ends = [0]  # rows of log parts up to the beginning of each chunk and the end of the last
        self._source = source
        self._read_frames = self._fed_frames = max(0, first_chunk - 1) * CHUNK_FRAMES
        self._before = (first_chunk * CHUNK_FRAMES - self._fed_frames) * channels[0].rig.factor
        """Steps of the chunk before, which fills the rate conversion and is not marched."""
        self._samples = np.empty((0, len(channels)))
        self._waiting = [np.empty(0) for _ in channels]  # source voltage of steps that are not marched yet

    @property
    def heard_chunks(self) -> int:
        """Up to which chunk of the file (without it) the output is out."""
        frames = self.first_chunk * CHUNK_FRAMES + self.stores.heard.rows
        return chunks_in(frames) if self.ended and self.failure is None else frames // CHUNK_FRAMES

    def heard(self, chunk: int) -> Array:
        """Output and probes of a chunk [shape=(frames, columns)]."""
        return self.stores.heard.read((chunk - self.first_chunk) * CHUNK_FRAMES, CHUNK_FRAMES)

    def log_parts(self, chunk: int) -> Array:
        """Parts of log intervals in a chunk [shape=(parts, channels, 11)]."""
        first, end = self._part_ends[chunk - self.first_chunk : chunk - self.first_chunk + 2]
        return self.stores.log_parts.read(first, end - first).reshape(end - first, len(self.channels), PART)

    def state(self, chunk: int) -> Array:
        """Unknowns, then what devices remember, at the end of a chunk [shape=(channels, n)]."""
        return self.stores.states.read(chunk - self.first_chunk, 1).reshape(len(self.channels), -1)

    def next_volts(self) -> list[Array]:
        """Source voltage over the next chunk, for each channel [V; shape=(steps,)]; fewer at the end of the file."""
        start, end = self._before, self._before + CHUNK_FRAMES * self.channels[0].rig.factor
        while len(self._waiting[0]) < end and self._fed_frames < self._source.frames:
            samples, within = self._next_samples(), self._fed_frames >= self.first_chunk * CHUNK_FRAMES
            self._fed_frames += len(samples)
            last = self._fed_frames >= self._source.frames
            self._waiting = [
                np.concatenate((waiting, channel.source_v(one, last=last, within=within)))
                for waiting, channel, one in zip(self._waiting, self.channels, samples.T, strict=True)
            ]
        found = [waiting[start:end] for waiting in self._waiting]
        self._waiting, self._before = [waiting[end:] for waiting in self._waiting], 0
        return found

    def take(self, volts: Sequence[Array], marched: Sequence[Marched]) -> None:
        """What the march over ``next_volts`` brought out; a chunk in which a channel failed is left out."""
        failures = [one for one in marched if one.failure is not None]
        if failures:
            self.failure = min(failures, key=lambda one: len(one.kept)).failure
            self.ended = True
            return
        last = self._fed_frames >= self._source.frames and not len(self._waiting[0])
        blocks = [
            channel.heard(one, v, last=last) for channel, one, v in zip(self.channels, marched, volts, strict=True)
        ]
        self._keep(blocks)
        self.next_chunk += 1
        self.ended = last

    def _keep(self, blocks: Sequence[Block]) -> None:
        states = self._states()
        self.lowest, self.highest = np.minimum(self.lowest, states), np.maximum(self.highest, states)
        self.stores.states.write(states.reshape(1, -1))
        self.stores.log_parts.write(np.hstack([block.log_parts for block in blocks]))
        self._part_ends.append(self.stores.log_parts.rows)
        self.stores.heard.write(np.column_stack([*(b.output for b in blocks), *(b.probes for b in blocks)]))

    def _states(self) -> Array:
        states = [channel.simulation.state for channel in self.channels]
        return np.array([np.concatenate((state.x, state.memory)) for state in states])

    def _next_samples(self) -> Array:
        if not len(self._samples):
            self._samples = self._source.at(self._read_frames, READ_CHUNKS * CHUNK_FRAMES)
            self._read_frames += len(self._samples)
        found, self._samples = self._samples[:CHUNK_FRAMES], self._samples[CHUNK_FRAMES:]
        return found


def march_chunk(segments: Sequence[Segment]) -> None:
    """Each of them one chunk further, all channels of all of them in lanes."""
    volts = [segment.next_volts() for segment in segments]
    lengths = sorted(range(len(segments)), key=lambda k: len(volts[k][0]))
    for _, group in groupby(lengths, key=lambda k: len(volts[k][0])):
        numbers = list(group)
        marched = iter(march_together(
            [channel.simulation for k in numbers for channel in segments[k].channels],
            [one for k in numbers for one in volts[k]],
        ))  # fmt: skip
        for k in numbers:
            segments[k].take(volts[k], [next(marched) for _ in segments[k].channels])
