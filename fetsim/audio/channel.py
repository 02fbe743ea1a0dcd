"""One channel of sound through one unit, block by block in bounded memory.

Samples -> volts -> oversampled -> circuit -> output and probes back at the file's rate, and log rows. The unit
starts from its settled bias point, or cold with everything discharged and the supplies coming on at time zero.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fetsim.audio.gain_log import GainLog, IntervalSums, LogCollector
from fetsim.audio.levels import full_scale_peak_v
from fetsim.audio.oversampling import RateChange
from fetsim.engine.assembly import Array
from fetsim.engine.circuit import GROUND
from fetsim.engine.simulation import Effort, Marched
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
        first_frame: int = 0,
    ) -> None:  # fmt: skip
        """``first_frame`` is the place in the file that the samples begin at."""
        self.rig = rig
        self._cell = rig.gain_cell
        self._output_node, self._output_return = rig.output
        self.probes = tuple(probes)
        cell = rig.unit.gain_cell
        self._control = GROUND if cell is None else cell.control_node
        recorded = sorted({*rig.watched, *(name for probe in self.probes for name in probe.unknowns)})
        self._place = {name: k for k, name in enumerate(recorded)}
        self.simulation = rig.simulation(recorded, cold=cold)
        first_step = first_frame * rig.factor
        self.simulation.state = replace(self.simulation.state, steps=first_step)
        self._full_scale_v = full_scale_peak_v(rig.unit.full_scale_dbu)
        self._up = RateChange(rig.audio_rate_hz, rig.rate_hz)
        self._down = RateChange(rig.rate_hz, rig.audio_rate_hz, 1 + len(self.probes))
        # the filters assume silence before the start, so what rests at a voltage is converted relative to it
        start = self.simulation.all_unknowns
        self._before = np.array([start[rig.system.index[name]] for name in recorded])
        self._rest = self._columns(np.column_stack((self._before, self._before)), np.zeros(1))[0]
        sign = 1.0 if self._cell is None else self._cell.sign
        self._sums = IntervalSums(rig.rate_hz, log_rate_hz, sign, first_step)
        self._log = LogCollector(rig.rate_hz, log_rate_hz, sign)
        self._given, self._returned = 0, 0

    @property
    def effort(self) -> Effort:
        """What the solver has had to do so far."""
        return self.simulation.effort

    @property
    def log(self) -> GainLog:
        """The log so far; complete after the last push."""
        return self._log.result()

    def push(self, samples: Array, *, last: bool = False) -> Block:
        """Play samples [shape=(n,), 1.0 = full scale]. Raises ConvergenceError with the time and the part."""
        volts = self.source_v(samples, last=last)
        block = self.heard(self.rig.marched(self.simulation, volts), volts, last=last)
        self._log.add(block.log_parts, last=last)
        return block

    def source_v(self, samples: Array, *, last: bool = False) -> Array:
        """Source voltage at the steps that these samples bring [V; shape=(steps,)]."""
        self._given += len(samples)
        return self._up.push(samples * self._full_scale_v, last)

    def heard(self, marched: Marched, volts: Array, *, last: bool = False) -> Block:
        """What a march over these source voltages brought out."""
        levels = self._with_before(marched.record)
        parts = self._log_parts(volts, levels[:, 1:])
        columns = self._columns(levels, volts)
        converted = self._down.push(columns - self._rest, last).reshape(-1, len(self._rest)) + self._rest
        if last:
            converted = converted[: self._given - self._returned]
        self._returned += len(converted)
        return Block(converted[:, 0] / self._full_scale_v, converted[:, 1:], parts)

    def _with_before(self, record: Array) -> Array:
        """One recorded unknown a row, with the step before in front [shape=(recorded, 1 + steps)]."""
        levels = np.empty((record.shape[1], 1 + len(record)))
        levels[:, 0] = self._before
        levels[:, 1:] = record.T
        self._before = levels[:, -1].copy()
        return levels

    def _columns(self, levels: Array, volts: Array) -> Array:
        """Output and probes of every step [shape=(steps, 1 + probes)]."""
        output = self._output(levels[:, 1:])
        if not self.probes:
            return output[:, None]
        at = {name: levels[k] for name, k in self._place.items()} | {GROUND: np.zeros(levels.shape[1])}
        return np.column_stack([output, *(p.compute(at, self.simulation.rate_hz, volts) for p in self.probes)])

    def _level(self, name: str, levels: Array) -> Array | float:
        return 0.0 if name == GROUND else levels[self._place[name]]

    def _output(self, levels: Array) -> Array:
        return np.asarray(self._level(self._output_node, levels) - self._level(self._output_return, levels))

    def _log_parts(self, volts: Array, levels: Array) -> Array:
        if self._cell is None:
            return self._sums.summed(volts, self._output(levels), 0.0, 0.0, 0.0, 0.0)
        drain, gate, source = (self._level(name, levels) for name in self._cell.nodes)
        conductance = self._cell.conductance_s(drain, gate, source)
        return self._sums.summed(
            volts, self._output(levels), self.rig.reduction_db(conductance), conductance,
            self._level(self._control, levels), gate - source,
        )  # fmt: skip
