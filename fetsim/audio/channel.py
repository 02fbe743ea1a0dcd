"""One channel of sound through one unit, block by block in bounded memory.

Samples -> volts -> oversampled -> circuit -> output and probes back at the file's rate, and log rows. The unit
starts from its settled bias point, or cold with everything discharged and the supplies coming on at time zero.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fetsim.audio.gain_log import GainLog, LogCollector
from fetsim.audio.levels import full_scale_peak_v
from fetsim.audio.oversampling import RateChange, StageInputs
from fetsim.engine.assembly import Array, System, assemble
from fetsim.engine.bias import find_bias
from fetsim.engine.circuit import GROUND, Circuit
from fetsim.engine.guard import stable_method
from fetsim.engine.methods import METHODS
from fetsim.engine.simulation import Effort, Simulation
from fetsim.rig.gain_cell import GainCellModel, gain_cell_model
from fetsim.rig.probes import Probe, find_probe
from fetsim.rig.quality import quality_named
from fetsim.schematic.unit import Unit
from fetsim.schematic.wiring import build_circuit

GUARD_GATE_V = 0.0
"""The stability guard also looks at the FET fully on: gate at this voltage to its source."""


@dataclass(frozen=True)
class Block:
    """What one push brought out: output [shape=(n,)] in full-scale units, probes [shape=(n, probes)] in V or A."""

    output: Array
    probes: Array


class Channel:
    """A unit playing one channel. ``push`` blocks of samples, then ``push(..., last=True)`` once."""

    def __init__(
        self,
        unit: Unit,
        rate_hz: float,
        *,
        quality: str = "standard",
        cold: bool = False,
        probes: Sequence[str] = (),
        log_rate_hz: float = 200.0,
    ) -> None:
        level = quality_named(quality)
        self.factor = level.factor(rate_hz)
        internal_hz = rate_hz * self.factor
        circuit: Circuit = build_circuit(unit)
        system: System = assemble(circuit)
        bias = find_bias(system)
        cell = unit.gain_cell
        self._cell = None if cell is None else gain_cell_model(circuit, system, bias, cell.fet)
        verdict = stable_method(system, _operating_states(system, bias, self._cell), internal_hz, level.method)
        self.method = verdict.method
        self.warning = f"{verdict.reason}; using {verdict.method} instead" if verdict.reason else ""
        self._output_node = unit.output.nodes["hot"]
        self._output_return = unit.output.nodes["cold"]
        self.probes: tuple[Probe, ...] = tuple(find_probe(unit, circuit, text) for text in probes)
        names = {self._output_node, self._output_return}
        names |= {name for probe in self.probes for name in probe.unknowns}
        if self._cell is not None and cell is not None:
            names |= {*self._cell.nodes, cell.control_node}
        self._control = cell.control_node if cell is not None else GROUND
        recorded = sorted(names - {GROUND})
        self._place = {name: k for k, name in enumerate(recorded)}
        self._simulation = Simulation(
            circuit, internal_hz, recorded, method=verdict.method, tolerance_v=level.tolerance_v, cold=cold,
            bias=bias,
        )  # fmt: skip
        self._full_scale_v = full_scale_peak_v(unit.full_scale_dbu)
        self._up = RateChange(rate_hz, internal_hz)
        chosen = METHODS[verdict.method]
        self._stages = StageInputs(chosen.fractions) if len(chosen.fractions) > 1 else None
        self._down = RateChange(internal_hz, rate_hz, 1 + len(self.probes))
        # the filters assume silence before the start, so what rests at a voltage is converted relative to it
        start = np.zeros(system.size) if cold else bias
        self._before = np.array([start[system.index[name]] for name in recorded])
        self._rest = self._columns(np.column_stack((self._before, self._before)), np.zeros(1))[0]
        self._log = LogCollector(internal_hz, log_rate_hz, 1.0 if self._cell is None else self._cell.sign)
        self._given, self._returned = 0, 0

    @property
    def effort(self) -> Effort:
        """What the solver has had to do so far."""
        return self._simulation.effort

    @property
    def log(self) -> GainLog:
        """The log so far; complete after the last push."""
        return self._log.result()

    def push(self, samples: Array, *, last: bool = False) -> Block:
        """Play samples [shape=(n,), 1.0 = full scale]. Raises ConvergenceError with the time and the part."""
        self._given += len(samples)
        volts = self._up.push(samples * self._full_scale_v, last)
        inputs = volts if self._stages is None else self._stages.push(volts, last)
        levels = self._with_before(self._simulation.advance(inputs))
        now = inputs if inputs.ndim == 1 else inputs[:, -1]
        self._write_log(now, levels[:, 1:], last)
        columns = self._columns(levels, now)
        converted = self._down.push(columns - self._rest, last).reshape(-1, len(self._rest)) + self._rest
        if last:
            converted = converted[: self._given - self._returned]
        self._returned += len(converted)
        return Block(converted[:, 0] / self._full_scale_v, converted[:, 1:])

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
        return np.column_stack([output, *(p.compute(at, self._simulation.rate_hz, volts) for p in self.probes)])

    def _level(self, name: str, levels: Array) -> Array | float:
        return 0.0 if name == GROUND else levels[self._place[name]]

    def _output(self, levels: Array) -> Array:
        return np.asarray(self._level(self._output_node, levels) - self._level(self._output_return, levels))

    def _write_log(self, volts: Array, levels: Array, last: bool) -> None:
        if self._cell is None:
            self._log.push(volts, self._output(levels), 0.0, 0.0, 0.0, 0.0, last=last)
            return
        drain, gate, source = (self._level(name, levels) for name in self._cell.nodes)
        conductance = self._cell.conductance_s(drain, gate, source)
        self._log.push(
            volts, self._output(levels), self._cell.reduction_db(conductance), conductance,
            self._level(self._control, levels), gate - source, last=last,
        )  # fmt: skip


def _operating_states(system: System, bias: Array, cell: GainCellModel | None) -> list[Array]:
    """Bias point, and the same with the FET fully on."""
    if cell is None:
        return [bias]
    on = bias.copy()
    _, gate, source = cell.nodes
    if gate != GROUND:
        on[system.index[gate]] = GUARD_GATE_V + (0.0 if source == GROUND else bias[system.index[source]])
    return [bias, on]
