"""A quick look through a whole file before it is played in segments: what its cores will remember, and since when.

A core keeps what the loudest swing has left in it until a louder one comes, so that a segment which begins at rest
would never agree with the one before it. So the file is marched once from its start to its end at a low rate, in a
tenth of the time that one piece takes. It leaves the large stops of the Dunlin wrong by 1e-5 to 1e-4 of y_c at the
input, by 1e-2 to 3e-1 at the output; when they moved last is what it is good for: those moments are played in full
before the segments begin (``excerpts``, ``recall``).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from fetsim.audio.excerpts import Chunks, Excerpt, last_moved
from fetsim.audio.levels import full_scale_peak_v
from fetsim.audio.oversampling import RateChange
from fetsim.audio.player import Source
from fetsim.audio.segments import CHUNK_FRAMES
from fetsim.audio.spool import MakeStore, Store
from fetsim.engine.assembly import Array
from fetsim.engine.circuit import PROGRAM
from fetsim.engine.prepared import Prepared, prepare
from fetsim.engine.simulation import Simulation
from fetsim.engine.state import State
from fetsim.rig.rig import Rig
from fetsim.rig.runner import Progress, run_all

LEAST_HZ = 20e3
"""Steps a second at the least, where the file has as many; half of them take 0.6 of the time and are two to ten times
as far from the truth."""
METHOD = "bdf4"
"""Where it is stable: at no cost five times as near as BDF2."""
TOLERANCE_V = 0.01
READ_FRAMES = 16 * CHUNK_FRAMES


def scout_prepared(rig: Rig) -> Prepared:
    """The unit of a rig ready for a look through: a whole number of steps for each chunk, and no noise."""
    rate_hz, frames = rig.audio_rate_hz, CHUNK_FRAMES
    while rate_hz >= 2.0 * LEAST_HZ and frames % 2 == 0:
        rate_hz, frames = rate_hz / 2.0, frames // 2
    return prepare(rig.system, rate_hz, method=rig.stable(METHOD, rate_hz).method, tolerance_v=TOLERANCE_V)


@dataclass(frozen=True, eq=False)
class Look:
    """What was seen of all channels at the beginning of each chunk, and at the end of the last."""

    states: Store
    """Unknowns and port voltages, channel by channel."""
    memory: Array
    """Of the devices [shape=(chunks + 1, channels, numbers)]; better where ``correct`` was called."""
    last_moved: Chunks
    """In which chunk before this one each number was moved last, -1 where in none [shape as ``memory``]."""
    unknowns: int

    def correct(self, excerpt: Excerpt, memory: Array) -> None:
        """What a march in full has left at the end of an excerpt [shape=(channels, numbers)]: of what was moved in it,
        that holds on until it is moved again."""
        chunk = excerpt.end
        for place in np.argwhere(self.last_moved[chunk] >= excerpt.first):
            since = self.last_moved[:, *place]
            end = np.searchsorted(since, since[chunk], side="right")
            self.memory[chunk:end, *place] = memory[*place]

    def state(self, chunk: int, channel: int, rest: State) -> State:
        """A state for a march in full from the beginning of a chunk: as ``rest``, with what was seen there."""
        row = self.states.read(chunk, 1).reshape(self.memory.shape[1], -1)[channel]
        memory = rest.memory.copy()
        memory[: self.memory.shape[2]] = self.memory[chunk, channel]
        return replace(rest, x=row[: self.unknowns], ports=row[self.unknowns :], memory=memory)


def look_through(
    rig: Rig, source: Source, channels: int, make_store: MakeStore, *, cold: bool, progress: Callable[[int], object]
) -> Look:
    """March all of a source at the low rate. ``progress`` is called with the frames done so far.

    Raises ConvergenceError where a step has no solution, which the march in full may well have.
    """
    prepared = scout_prepared(rig)
    start = prepared.state_at(np.zeros(rig.system.size) if cold else rig.bias)
    scouts = [_Scout(rig, Simulation(prepared, (), start)) for _ in range(channels)]
    store = make_store(channels * (len(start.x) + len(start.ports)), np.float64)
    memory: list[list[Array]] = []

    def see(states: Sequence[State]) -> None:
        store.write(np.concatenate([part for one in states for part in (one.x, one.ports)])[None])
        memory.append([one.memory for one in states])

    def push(job: tuple[_Scout, Array], _told: Progress) -> list[State]:
        scout, samples = job
        return scout.push(samples, last=done >= source.frames)

    done = 0
    see([start] * channels)
    for block in source.blocks(READ_FRAMES):
        done += len(block)
        found = run_all(dict(enumerate(zip(scouts, block.T, strict=True))), push).values()
        for states in zip(*found, strict=True):
            see(states)
        progress(done)
    seen = np.array(memory)
    return Look(store, seen, last_moved(seen), len(start.x))


class _Scout:
    """One channel."""

    def __init__(self, rig: Rig, simulation: Simulation) -> None:
        self._up = RateChange(rig.audio_rate_hz, simulation.rate_hz)
        self._full_scale_v = full_scale_peak_v(rig.unit.full_scale_dbu)
        self._steps = round(CHUNK_FRAMES * simulation.rate_hz / rig.audio_rate_hz)
        self._simulation, self._waiting = simulation, np.empty(0)

    def push(self, samples: Array, *, last: bool) -> list[State]:
        """States after the whole chunks that these samples bring, and after what is left at the end."""
        self._waiting = np.append(self._waiting, self._up.push(samples * self._full_scale_v, last))
        found = []
        while len(self._waiting) >= self._steps or (last and len(self._waiting)):
            marched = self._simulation.march({PROGRAM: self._waiting[: self._steps]})
            if marched.failure is not None:
                raise marched.failure
            self._waiting = self._waiting[self._steps :]
            found.append(self._simulation.state)
        return found
