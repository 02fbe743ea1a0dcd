"""The channels of a sound through one unit, block by block, from any instant on.

All that a block depends on is an ``Instant``, a value: where the circuits stand, and the end of what they brought out,
which rate conversion needs. Who keeps an instant can go on from there again, with the values of another unit too: they
are swapped between steps, and the state goes on as it is (``engine/carried``).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from fetsim.audio.gain_log import GainLog, LogCollector
from fetsim.audio.levels import full_scale_peak_v
from fetsim.audio.listened import Listened, levels_of
from fetsim.audio.oversampling import EDGE_FRAMES, stretch
from fetsim.engine.assembly import Array
from fetsim.engine.carried import Standing
from fetsim.engine.circuit import GROUND, PROGRAM
from fetsim.engine.simulation import Marched, Simulation
from fetsim.engine.state import State
from fetsim.errors import InputError
from fetsim.measurements.needle.meter import Meter, meter_of
from fetsim.rig.probes import Probe, find_probe
from fetsim.rig.rig import Rig
from fetsim.rig.runner import Progress, run_all
from fetsim.schematic.unit import Unit

LOG_ROWS = 2
"""Of a block, each of some 10 ms."""
COIL_PARTS = 4
"""Means of a meter's current out of one block, of some 5 ms each."""


@dataclass(frozen=True, eq=False)
class Ready:
    """A unit whose values are packed: all that can be done before its turn comes."""

    unit: Unit
    rigs: tuple[Rig, ...]
    """One for each channel; the same for all channels of a unit of one, of a joined pair one circuit listened to at
    each."""

    @property
    def shares_a_circuit(self) -> bool:
        """Whether its channels are marched as one."""
        return self.unit.is_joined

    @property
    def circuits(self) -> tuple[Rig, ...]:
        """One for each circuit that is marched."""
        return self.rigs[:1] if self.shares_a_circuit else self.rigs

    @cached_property
    def meters(self) -> tuple[Meter | None, ...]:
        """The unit's own meter in each channel."""
        return tuple(meter_of(rig.unit) for rig in self.rigs)

    def like(self, other: "Ready") -> bool:
        """Whether one solver does for both."""
        mine, its = ([rig.system.topology for rig in one.rigs] for one in (self, other))
        return mine == its and self.shares_a_circuit == other.shares_a_circuit


def assembled(unit: Unit, rate_hz: float, channels: int, quality: str, near: Ready | None = None) -> Ready:
    """A unit with as many channels, before its solver is needed. ``near``: one whose rest is like it.

    Raises InputError for a number of channels that it does not have.
    """
    each = unit.each_channel
    if len(each) > 1 and channels != len(each):
        raise InputError(f"{unit.name} plays {len(each)} channels, not {channels}")
    others: Sequence[Rig | None] = [None] * len(each) if near is None else near.rigs[: len(each)]
    made = [Rig(one, quality, rate_hz, near=other) for one, other in zip(each, others, strict=False)]
    return Ready(unit, tuple(made) if len(made) > 1 else (made[0],) * channels)


def prepared(ready: Ready) -> Ready:
    """The same with everything worked out, a compile included where it must be. Raises ConvergenceError."""
    for rig in ready.rigs:
        _ = rig.prepared, rig.gain_cell, rig.bias
    return ready


@dataclass(frozen=True, eq=False)
class Instant:
    """Between two blocks: all that the next one depends on but the unit."""

    frame: int
    """Of the session: what the circuits have gone."""
    states: tuple[State, ...]
    """Of each circuit."""
    tail: Array
    """The end of what each channel brought out, at its steps [V; shape=(steps, channels)]."""


@dataclass(frozen=True, eq=False)
class Heard:
    """What a block brought out."""

    first_frame: int
    """Of ``output``: a little before the block, since rate conversion looks ahead."""
    output: Array
    """[shape=(n, channels), 1.0 = full scale]; the frames of a block, fewer at the very beginning."""
    logs: tuple[GainLog, ...]
    """Rows of each channel; their times count from the beginning of the block."""
    traces: Array
    """What is probed in the first channel, at every step [V or A; shape=(steps, probes)]."""
    coils: tuple[Array, ...] = ()
    """Of each channel the current through the coil of the unit's own meter, over the full-scale current, as means over
    equal shares of the block's steps; empty where it has none."""
    march_s: float = 0.0
    """Length of the block's steps."""


class Voices:
    """A unit playing blocks of one length."""

    def __init__(self, ready: Ready, block: int, probes: Sequence[Probe] = ()) -> None:
        """``probes`` are traced in the first channel."""
        self.ready, self.block, self.probes = ready, block, tuple(probes)
        self._recorded = sorted({
            *(name for rig in ready.rigs for name in rig.watched), *(name for one in probes for name in one.unknowns),
            *(name for meter in ready.meters if meter is not None for name in meter.recorded),
        } - {GROUND})  # fmt: skip
        self._marches = [
            Simulation(rig.prepared, self._recorded, rig.prepared.state_at(rig.bias, number))
            for number, rig in enumerate(ready.circuits)
        ]
        self._log_steps = block * self.factor // LOG_ROWS
        self._listened = [Listened(rig, self._recorded, self._log_steps) for rig in ready.rigs]
        self._full_scale_v = np.array([full_scale_peak_v(rig.unit.full_scale_dbu) for rig in ready.rigs])

    @property
    def factor(self) -> int:
        """Steps a frame."""
        return self.ready.rigs[0].factor

    @property
    def _rates_hz(self) -> tuple[float, float]:
        """Of the file and of the steps."""
        rig = self.ready.rigs[0]
        return rig.audio_rate_hz, rig.rate_hz

    def probing(self, probes: Sequence[Probe]) -> "Voices":
        """The same with other traces."""
        return Voices(self.ready, self.block, probes)

    def find_probes(self, names: Sequence[str]) -> tuple[Probe, ...]:
        """Nodes and currents by name, in the first channel. Raises InputError."""
        rig = self.ready.rigs[0]
        return tuple(find_probe(rig.unit, rig.circuit, name) for name in names)

    def at_rest(self, frame: int) -> Instant:
        """At rest at a frame of the session."""
        marches = [
            rig.simulation(self._recorded, stream=number, first_step=frame * self.factor)
            for number, rig in enumerate(self.ready.circuits)
        ]
        resting = [self._unknowns(march.state, rig) for march, rig in zip(marches, self.ready.circuits, strict=True)]
        output_v = np.array([
            one.output_v(levels) for one, levels in zip(self._listened, self._of_channels(resting), strict=True)
        ])  # fmt: skip
        return Instant(frame, tuple(one.state for one in marches), np.tile(output_v, (self._tail_steps, 1)))

    def carried(self, other: "Voices", instant: Instant) -> Instant:
        """Where ``other`` stands, as an instant of this unit. At another rate nothing is known of what was brought out
        before: two blocks are to be played before what comes is listened to."""
        each = [
            Standing.of([(rig.prepared, state)])
            for rig, state in zip(other.ready.circuits, instant.states, strict=True)
        ]
        if len(each) > len(self.ready.circuits):
            each = [Standing.of([march for one in each for march in one.marches])]
        each = each * (len(self.ready.circuits) // len(each))
        states = tuple(
            one.carried_into(rig.prepared, rig.bias, number)
            for number, (rig, one) in enumerate(zip(self.ready.circuits, each, strict=True))
        )
        same = other.factor == self.factor
        tail = instant.tail if same else np.zeros((self._tail_steps, len(self.ready.rigs)))
        return Instant(instant.frame, states, tail)

    def play(self, instant: Instant, sound: Array) -> tuple[Heard, Instant]:
        """The next block, and where it ends. ``sound``: the block with ``EDGE_FRAMES`` before and behind it
        [shape=(block + 2 * EDGE_FRAMES, channels), 1.0 = full scale]. Raises ConvergenceError."""
        file_hz, steps_hz = self._rates_hz
        volts = list(stretch(sound * self._full_scale_v, file_hz, steps_hz).T)
        before = self._unknowns(instant.states[0], self.ready.circuits[0])
        for march, state in zip(self._marches, instant.states, strict=True):
            march.state = state
        marched = self._march(volts)
        levels = [levels_of(one) for one in marched]
        brought = np.column_stack([one.output_v(v) for one, v in zip(self._listened, levels, strict=True)])
        whole = np.concatenate((instant.tail, brought))
        output = stretch(whole, steps_hz, file_hz)
        first = max(instant.frame - EDGE_FRAMES, 0)
        heard = Heard(
            first_frame=first, output=(output / self._full_scale_v)[first - instant.frame + EDGE_FRAMES :],
            logs=self._logs(volts, brought, levels), traces=self._traced(marched[0], before, levels[0]),
            coils=self._coils(levels), march_s=len(brought) / steps_hz,
        )  # fmt: skip
        states = tuple(one.state for one in self._marches)
        return heard, Instant(instant.frame + self.block, states, whole[-self._tail_steps :].copy())

    @property
    def _tail_steps(self) -> int:
        """What a block's conversion needs of those before: both its edges lie there."""
        return 2 * EDGE_FRAMES * self.factor

    def _march(self, volts: Sequence[Array]) -> list[Marched]:
        """What each channel makes of its source voltages [each of shape=(steps,), V]."""
        if self.ready.shares_a_circuit:
            names = (PROGRAM, *self.ready.unit.second_channels)
            return [self.ready.rigs[0].marched(self._marches[0], dict(zip(names, volts, strict=True)))] * len(volts)
        jobs = dict(enumerate(zip(self.ready.rigs, self._marches, volts, strict=True)))

        def one(job: tuple[Rig, Simulation, Array], _told: Progress) -> Marched:
            rig, march, v = job
            return rig.marched(march, v)

        return list(run_all(jobs, one).values())

    def _logs(self, volts: Sequence[Array], brought: Array, levels: Sequence[Sequence[Array]]) -> tuple[GainLog, ...]:
        """Rows of each channel."""
        found = []
        for rig, one, v, output_v, known in zip(
            self.ready.rigs, self._listened, volts, brought.T, levels, strict=True
        ):
            sign = 1.0 if rig.gain_cell is None else rig.gain_cell.control_sign
            rows = LogCollector(rig.rate_hz, rig.rate_hz / self._log_steps, sign)
            rows.add(one.parts(v, output_v, known), last=True)
            found.append(rows.result())
        return tuple(found)

    def _traced(self, marched: Marched, before: Sequence[Array], levels: Sequence[Array]) -> Array:
        """The probes at every step."""
        if not self.probes:
            return np.empty((len(marched.kept), 0))
        names = (*self._recorded, GROUND)
        both = {
            name: np.append(first, level) for name, first, level in zip(names, before, levels, strict=True)
        }
        _, steps_hz = self._rates_hz
        return np.column_stack([one.compute(both, steps_hz, marched.input_v(one.input)) for one in self.probes])

    def _coils(self, levels: Sequence[Sequence[Array]]) -> tuple[Array, ...]:
        """What drives the unit's own meters."""
        names = (*self._recorded, GROUND)
        return tuple(
            np.empty(0) if meter is None else _shares(meter.drive(dict(zip(names, known, strict=True))))
            for meter, known in zip(self.ready.meters, levels, strict=True)
        )

    def _unknowns(self, state: State, rig: Rig) -> list[Array]:
        """What is recorded of a circuit, as it stands."""
        found = rig.prepared.all_unknowns(state)
        return [*(found[rig.system.index[name]] for name in self._recorded), np.float64(0.0)]

    def _of_channels(self, circuits: list[list[Array]]) -> list[list[Array]]:
        return circuits * len(self.ready.rigs) if self.ready.shares_a_circuit else circuits


def _shares(values: Array) -> Array:
    """Means of equal shares of it, fewer where there are not as many."""
    return np.array([one.mean() for one in np.array_split(values, COIL_PARTS) if len(one)])
