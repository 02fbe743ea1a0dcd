"""The channels of a sound through one unit whose values may be another's from the next step on.

A march without an end, block by block. Its values are swapped between steps, and the state goes on as it is
(``engine/carried``). A change of quality is another rate: the march of the new quality begins one or two blocks back,
where the old one stood then, and its sound takes over where the old one's ends, so that its rate conversion is filled
and what the change of steps brings about has died away.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from fetsim.audio.channel import Block, Channel
from fetsim.audio.gain_log import GainLog
from fetsim.engine.assembly import Array
from fetsim.engine.carried import Standing
from fetsim.engine.circuit import GROUND, PROGRAM
from fetsim.engine.prepared import Prepared
from fetsim.engine.simulation import Marched, Simulation
from fetsim.engine.state import State
from fetsim.errors import InputError
from fetsim.measurements.needle.meter import Meter, meter_of
from fetsim.rig.probes import Probe, find_probe
from fetsim.rig.rig import Rig
from fetsim.rig.runner import Progress, run_all
from fetsim.schematic.unit import Unit

LOG_RATE_HZ = 100.0
COIL_PARTS = 4
"""Means of a meter's current out of one block, of some 5 ms each."""
BACK = 2
"""Blocks before the last one's end another quality begins,"""
KEPT = 8
"""and blocks of input that are kept for it: some two are in the rate conversion, and as many fill the new one."""


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
class Heard:
    """What a block brought out."""

    output: Array
    """[shape=(n, channels), 1.0 = full scale]; n differs from block to block as the rate conversion fills."""
    logs: tuple[GainLog, ...]
    """New rows of each channel; their times count from where the present quality began."""
    traces: Array
    """What is probed in the first channel, at every step [V or A; shape=(steps, probes)]."""
    coils: tuple[Array, ...] = ()
    """Of each channel the current through the coil of the unit's own meter, over the full-scale current, as means over
    equal shares of the block's steps; empty where it has none."""
    march_s: float = 0.0
    """Length of the block's steps."""


class Voices:
    """A unit playing blocks of a sound, from a frame of the session on."""

    def __init__(self, ready: Ready, standing: Sequence[Standing] | None = None, first_frame: int = 0) -> None:
        """``standing``: where each channel stands at that frame; None: at rest."""
        self.ready = ready
        self.probes: tuple[Probe, ...] = ()
        recorded = _recorded(ready, ())
        if standing is None:
            marches = [
                rig.simulation(recorded, stream=number, first_step=first_frame * rig.factor)
                for number, rig in enumerate(ready.rigs)
            ]
        else:
            marches = _carried(ready, standing, recorded)
        self._channels = [
            Channel(rig, log_rate_hz=LOG_RATE_HZ, first_frame=first_frame, shared=(march, recorded))
            for rig, march in zip(ready.rigs, _as_circuits(ready, marches), strict=True)
        ]
        self._before: dict[str, float] = {}
        self._stood: deque[tuple[int, list[Standing]]] = deque(maxlen=BACK)
        self._given: deque[Array] = deque(maxlen=KEPT)
        self._frames = self._returned = first_frame
        self._skipped = self._dropped = 0  # steps, frames that are still to be left out
        self._held = np.empty((0, len(ready.rigs)))

    @property
    def factor(self) -> int:
        """Steps a frame."""
        return self.ready.rigs[0].factor

    @property
    def stands(self) -> int:
        """Frames of the session that the circuit has gone."""
        return self._channels[0].simulation.steps // self.factor

    @property
    def may_change_quality(self) -> bool:
        """Whether it has gone on with the same values for long enough."""
        return len(self._stood) == BACK and len(self._given) == KEPT

    def push(self, block: Array) -> Heard:
        """Play a block [shape=(n, channels)]. Raises ConvergenceError, after which it cannot go on."""
        volts = [one.source_v(samples) for one, samples in zip(self._channels, block.T, strict=True)]
        skipped = min(self._skipped, len(volts[0]))
        self._skipped -= skipped
        played = self._march([v[skipped:] for v in volts])
        self._frames += len(block)
        self._given.append(block)
        output = np.concatenate((self._held, np.column_stack([one.output for one, _ in played])))
        dropped = min(self._dropped, len(output))
        self._dropped -= dropped
        self._held = self._held[:0]
        self._returned += len(output) - dropped
        logs = tuple(one.take_log() for one in self._channels)
        marched = [one for _, one in played]
        march_s = len(marched[0].kept) / self.ready.rigs[0].rate_hz
        return Heard(output[dropped:], logs, self._traced(marched[0]), self._coils(marched), march_s)

    def go_on_as(self, ready: Ready) -> None:
        """From the next step on with the values of another unit, at the same rate."""
        standing = [Standing.of([_stand(one)]) for one in self._channels]
        if ready.shares_a_circuit and not self.ready.shares_a_circuit:
            standing = [Standing.of([_stand(one) for one in self._channels])] * len(standing)
        recorded = _recorded(ready, self.probes)
        marches = _as_circuits(ready, _carried(ready, standing, recorded))
        for channel, rig, march in zip(self._channels, ready.rigs, marches, strict=True):
            channel.go_on(rig, march, recorded)
        self.ready = ready
        self._stood.clear()  # with other values it would have stood elsewhere

    def in_quality(self, ready: Ready) -> "Voices":
        """The same unit at another rate, gone as far: its next block brings out what would have come next here. Only
        where ``may_change_quality``."""
        frame, standing = self._stood[0]
        before = np.concatenate(self._given)
        first = self._frames - len(before)
        new = Voices(ready, standing, frame)
        new._skipped, new._dropped = (frame - first) * new.factor, self._returned - frame
        new._frames = first
        held = [new.push(block).output for block in self._given]
        new._returned = self._returned
        new._held = np.concatenate(held)
        new.probe(self.probes)
        return new

    def probe(self, probes: Sequence[Probe]) -> None:
        """What is traced from the next step on."""
        self.probes, self._before = tuple(probes), {}
        recorded = _recorded(self.ready, self.probes)
        marches = [one.simulation for one in self._channels]
        marches = _as_circuits(self.ready, [one.recording(recorded) for one in marches])
        for channel, march in zip(self._channels, marches, strict=True):
            channel.go_on(channel.rig, march, recorded)

    def find_probes(self, names: Sequence[str]) -> tuple[Probe, ...]:
        """Nodes and currents by name, in the first channel. Raises InputError."""
        rig = self.ready.rigs[0]
        return tuple(find_probe(rig.unit, rig.circuit, name) for name in names)

    def _march(self, volts: Sequence[Array]) -> list[tuple[Block, Marched]]:
        """What each channel makes of its source voltages [each of shape=(steps,), V]."""
        march = self._channels[0].simulation
        whole = (march.steps + len(volts[0])) // self.factor * self.factor - march.steps
        stops = [whole] if whole >= 0 else []
        if self.ready.shares_a_circuit:
            names = (PROGRAM, *self.ready.unit.second_channels)
            drive = dict(zip(names, volts, strict=True))
            done = [self.ready.rigs[0].marched(march, drive, stops)] * len(volts)
        else:
            jobs = dict(enumerate(zip(self._channels, volts, strict=True)))

            def one(job: tuple[Channel, Array], _told: Progress) -> Marched:
                channel, v = job
                return channel.rig.marched(channel.simulation, v, stops)

            done = list(run_all(jobs, one).values())
        if stops:
            states = [marched.states[0] for marched in done]
            standing = [
                Standing.of([(one.simulation.prepared, state)])
                for one, state in zip(self._channels, states, strict=True)
            ]
            self._stood.append((states[0].steps // self.factor, standing))
        return [
            (channel.take(marched, v), marched)
            for channel, marched, v in zip(self._channels, done, volts, strict=True)
        ]

    def _traced(self, marched: Marched) -> Array:
        """The probes at every step."""
        if not self.probes:
            return np.empty((len(marched.kept), 0))
        levels = {
            name: np.concatenate(([self._before.get(name, level[0] if len(level) else 0.0)], level))
            for name, level in self._levels(marched).items()
        }
        self._before = {name: float(level[-1]) for name, level in levels.items()}
        rate_hz = self.factor * self.ready.rigs[0].audio_rate_hz
        return np.column_stack([one.compute(levels, rate_hz, marched.input_v(one.input)) for one in self.probes])

    def _coils(self, marched: Sequence[Marched]) -> tuple[Array, ...]:
        """What drives the unit's own meters."""
        return tuple(
            np.empty(0) if meter is None else _shares(meter.drive(self._levels(one)))
            for meter, one in zip(self.ready.meters, marched, strict=True)
        )

    def _levels(self, marched: Marched) -> dict[str, Array]:
        """Everything that a march has kept, at every step."""
        names = _recorded(self.ready, self.probes)
        found = dict(zip(names, marched.recorder.each(marched.kept, marched.u), strict=True))
        return {**found, GROUND: np.zeros(len(marched.kept))}


def _recorded(ready: Ready, probes: Sequence[Probe]) -> list[str]:
    """What marches have to keep."""
    return sorted({
        *(name for rig in ready.rigs for name in rig.watched), *(name for one in probes for name in one.unknowns),
        *(name for meter in ready.meters if meter is not None for name in meter.recorded),
    } - {GROUND})  # fmt: skip


def _stand(channel: Channel) -> tuple[Prepared, State]:
    return channel.simulation.prepared, channel.simulation.state


def _carried(ready: Ready, standing: Sequence[Standing], recorded: Sequence[str]) -> list[Simulation]:
    """Marches of the unit's circuits that go on from there."""
    return [
        Simulation(rig.prepared, recorded, one.carried_into(rig.prepared, rig.bias, number))
        for number, (rig, one) in enumerate(zip(ready.rigs, standing, strict=True))
    ]


def _as_circuits(ready: Ready, marches: Sequence[Simulation]) -> list[Simulation]:
    """One march for all channels of a joined pair."""
    return [marches[0]] * len(marches) if ready.shares_a_circuit else list(marches)


def _shares(values: Array) -> Array:
    """Means of equal shares of it, fewer where there are not as many."""
    return np.array([one.mean() for one in np.array_split(values, COIL_PARTS) if len(one)])
