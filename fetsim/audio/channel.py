"""One channel of sound through one unit, block by block in bounded memory.

Samples -> volts -> oversampled -> circuit -> output and probes back at the file's rate, and log rows. The unit
starts from its settled bias point, or cold with everything discharged and the supplies coming on at time zero.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fetsim.audio.gain_log import GainLog, LogCollector, interval_steps
from fetsim.audio.levels import full_scale_peak_v
from fetsim.audio.listened import Listened, levels_of
from fetsim.audio.oversampling import RateChange
from fetsim.engine.assembly import Array
from fetsim.engine.circuit import GROUND, PROGRAM
from fetsim.engine.simulation import Effort, Marched, Simulation
from fetsim.rig.probes import Probe
from fetsim.rig.rig import Rig


@dataclass(frozen=True)
class Block:
    """What one push brought out: output [shape=(n,)] in full-scale units, probes [shape=(n, probes)] in V or A."""

    output: Array
    probes: Array
    log_parts: Array
    """What ``IntervalSums`` made of its steps."""


class Channel:
    """A unit playing one channel. ``push`` blocks of samples, then ``push(..., last=True)`` once.

    Channels of one rig share its circuit, bias point and packed values; each has a state of its own. Who marches
    several channels together does by himself what lies between ``source_v`` and ``heard``.
    """

    def __init__(
        self, rig: Rig, *, cold: bool = False, probes: Sequence[Probe] = (), log_rate_hz: float = 200.0,
        first_frame: int = 0, number: int = 0, shared: tuple[Simulation, Sequence[str]] | None = None,
    ) -> None:  # fmt: skip
        """``first_frame`` is the place in the file that the samples begin at, ``number`` the channel's among others:
        noise at its inputs is its own. ``shared``: a march at its start that other channels play too, and what it
        records."""
        self.probes = tuple(probes)
        first_step = first_frame * rig.factor
        if shared is None:
            recorded: Sequence[str] = sorted(
                {*rig.watched, *(name for probe in self.probes for name in probe.unknowns)}
            )
            shared = rig.simulation(recorded, cold=cold, stream=number, first_step=first_step), recorded
        self.rig, (self.simulation, recorded) = rig, shared
        self._full_scale_v = full_scale_peak_v(rig.unit.full_scale_dbu)
        self._place = {name: k for k, name in enumerate((*recorded, GROUND))}
        self._listened = Listened(rig, recorded, interval_steps(rig.rate_hz, log_rate_hz), first_step)
        fed = [name for name in rig.unit.inputs if name not in rig.signals]
        self._up = {name: RateChange(rig.audio_rate_hz, rig.rate_hz) for name in fed}
        self._down = RateChange(rig.rate_hz, rig.audio_rate_hz, 1 + len(self.probes))
        # the filters assume silence before the start, so what rests at a voltage is converted relative to it, the same
        # in every stretch of a file
        self._before = self._levels(recorded, self.simulation)
        nothing = dict.fromkeys(rig.circuit.inputs, np.zeros(1))
        later = bool(first_frame and rig.unit.mains)
        resting = self._levels(recorded, rig.simulation(recorded)) if later else self._before
        self._rest = self._columns([np.array([level]) for level in resting], nothing)[0]
        self._log = LogCollector(rig.rate_hz, log_rate_hz, 1.0 if rig.gain_cell is None else rig.gain_cell.control_sign)
        self._given, self._returned = 0, 0

    @property
    def effort(self) -> Effort:
        """What the solver has had to do so far."""
        return self.simulation.effort

    @property
    def log(self) -> GainLog:
        """The log so far; complete after the last push."""
        return self._log.result()

    def push(self, samples: Array, *, beside: Mapping[str, Array] | None = None, last: bool = False) -> Block:
        """Play samples [shape=(n,), 1.0 = full scale], those of other inputs ``beside`` them, of the same length.

        Raises ConvergenceError with the time and the part.
        """
        volts = self.source_v(samples, last=last)
        others = {name: self.beside_v(name, one, last=last) for name, one in (beside or {}).items()}
        return self.take(self.rig.marched(self.simulation, {PROGRAM: volts, **others}), volts, last=last)

    def take(self, marched: Marched, volts: Array, *, last: bool = False) -> Block:
        """What a march over these source voltages brought out, with the log carried on."""
        block = self.heard(marched, volts, last=last)
        self._log.add(block.log_parts, last=last)
        return block

    def source_v(self, samples: Array, *, last: bool = False, within: bool = True) -> Array:
        """Source voltage at the steps that these samples bring [V; shape=(steps,)]; samples that are not ``within`` lie
        before the first and are there for the rate conversion alone."""
        self._given += len(samples) if within else 0
        return self.beside_v(PROGRAM, samples, last=last)

    def beside_v(self, name: str, samples: Array, *, last: bool = False) -> Array:
        """The same of another input."""
        return self._up[name].push(samples * self._full_scale_v, last)

    def heard(self, marched: Marched, volts: Array, *, last: bool = False) -> Block:
        """What a march over these source voltages brought out."""
        levels = levels_of(marched)
        columns = self._columns(levels, {probe.input: marched.input_v(probe.input) for probe in self.probes})
        parts = self._listened.parts(volts, columns[:, 0], levels)
        columns -= self._rest
        converted = self._down.push(columns, last).reshape(-1, len(self._rest)) + self._rest
        if last:
            converted = converted[: self._given - self._returned]
        self._returned += len(converted)
        return Block(converted[:, 0] / self._full_scale_v, converted[:, 1:], parts)

    def _levels(self, names: Sequence[str], simulation: Simulation) -> Array:
        """Where a simulation stands [shape=(names + 1,)], ground the last."""
        unknowns = simulation.all_unknowns
        return np.array([*(unknowns[self.rig.system.index[name]] for name in names), 0.0])

    def _columns(self, levels: Sequence[Array], volts: Mapping[str, Array]) -> Array:
        """Output and probes of every step [shape=(steps, 1 + probes)]."""
        output = self._listened.output_v(levels)
        if not self.probes:
            return output[:, None]
        at = {name: np.append(self._before[k], levels[k]) for name, k in self._place.items()}
        self._before = np.array([level[-1] for level in at.values()])
        return np.column_stack([output, *(p.compute(at, self.simulation.rate_hz, volts[p.input]) for p in self.probes)])
