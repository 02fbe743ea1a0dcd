"""The two channels of a joined pair: one circuit, marched once for both, with two inputs and two outputs."""

from collections.abc import Mapping, Sequence

import numpy as np

from fetsim.audio.channel import Block, Channel
from fetsim.engine.assembly import Array
from fetsim.engine.circuit import PROGRAM
from fetsim.errors import InputError
from fetsim.rig.probes import Probe
from fetsim.rig.rig import Rig


class JoinedChannels:
    """A joined pair playing both its channels; as ``Channel``, of which each has one for its levels, probes and log."""

    def __init__(
        self, rigs: Sequence[Rig], *, cold: bool, probes: Sequence[Sequence[Probe]], log_rate_hz: float
    ) -> None:
        """``rigs`` and ``probes`` are those of each channel: the same circuit, listened to at one and at the other."""
        watched = [name for rig in rigs for name in rig.watched]
        recorded = sorted({*watched, *(name for own in probes for probe in own for name in probe.unknowns)})
        self._rig, self._simulation = rigs[0], rigs[0].simulation(recorded, cold=cold)
        self._inputs = (PROGRAM, *rigs[0].unit.second_channels)
        self.channels = [
            Channel(rig, probes=own, log_rate_hz=log_rate_hz, shared=(self._simulation, recorded))
            for rig, own in zip(rigs, probes, strict=True)
        ]

    def push(self, block: Array, *, beside: Mapping[str, Array], last: bool = False) -> list[Block]:
        """Play samples [shape=(n, 2), 1.0 = full scale], those of other inputs ``beside`` them [shape=(n, 2)].

        Raises ConvergenceError with the time and the part, InputError where the channels would have different samples
        at an input that both share.
        """
        volts = [one.source_v(samples, last=last) for one, samples in zip(self.channels, block.T, strict=True)]
        for name, samples in beside.items():
            if not np.array_equal(samples[:, 0], samples[:, 1]):
                raise InputError(f"input {name}: joined channels have one; feed it one channel, as {name}=FILE:1")
        others = {name: self.channels[0].beside_v(name, one[:, 0], last=last) for name, one in beside.items()}
        marched = self._rig.marched(self._simulation, {**dict(zip(self._inputs, volts, strict=True)), **others})
        return [one.take(marched, v, last=last) for one, v in zip(self.channels, volts, strict=True)]
