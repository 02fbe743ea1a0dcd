"""A unit on the bench: test signals straight into the circuit, node voltages out, at the internal rate.

No files and no rate conversion: the signal is the open-circuit voltage of the source [V], so a level in dBu means what
a generator's dial says. Procedures of this room drive a ``Bench`` and hand its arrays to the analysers.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from threading import Lock

import numpy as np

from fetsim.audio.levels import dbu_to_rms_v
from fetsim.engine.assembly import Array, System, assemble
from fetsim.engine.bias import find_bias
from fetsim.engine.circuit import GROUND, Circuit
from fetsim.engine.guard import stable_method
from fetsim.engine.simulation import Simulation
from fetsim.errors import InputError
from fetsim.rig.gain_cell import GainCellModel, gain_cell_model
from fetsim.rig.quality import quality_named
from fetsim.schematic.unit import Unit
from fetsim.schematic.wiring import build_circuit

BENCH_RATE_HZ = 48000.0
"""File rate whose quality levels the bench uses: the internal rate is a multiple of it."""
_LOADING = Lock()  # so that threads which start together do not compile the same solver


@dataclass(frozen=True)
class Bench:
    """A unit at one setting, ready to be driven. Cheap to make; circuit and bias are worked out once."""

    unit: Unit
    quality: str = "standard"

    @cached_property
    def circuit(self) -> Circuit:
        return build_circuit(self.unit)

    @cached_property
    def system(self) -> System:
        return assemble(self.circuit)

    @cached_property
    def bias(self) -> Array:
        """Settled state [shape=(n,), order of ``system.unknowns``]."""
        return find_bias(self.system)

    @cached_property
    def gain_cell(self) -> GainCellModel:
        """The unit's gain cell. Raises InputError for a unit without one."""
        if self.unit.gain_cell is None:
            raise InputError(
                f"{self.unit.name}: has no [gain_cell], so there is no gain reduction to measure"
            )
        return gain_cell_model(self.circuit, self.system, self.bias, self.unit.gain_cell.fet)

    @property
    def rate_hz(self) -> float:
        """Internal rate of this quality."""
        return BENCH_RATE_HZ * quality_named(self.quality).factor(BENCH_RATE_HZ)

    def run(self, nodes: Sequence[str] = ()) -> "Run":
        """A fresh run from the bias point that records the output and ``nodes``."""
        return Run(self, tuple(nodes))


@dataclass(frozen=True, kw_only=True)
class Played:
    """What a run has recorded over some steps; each array of shape (steps,)."""

    nodes: Mapping[str, Array]
    """Node -> volts against ground, ground included."""
    output_v: Array
    """Across the output port, which is no node: a node may bear any name."""
    reduction_db: Array
    """Gain reduction in the FET's divider; 0 for a unit without a gain cell."""


class Run:
    """One stretch of time of a bench; ``play`` goes on from where the last one ended."""

    def __init__(self, bench: Bench, nodes: tuple[str, ...]) -> None:
        self.bench = bench
        ends = bench.unit.output.nodes
        self._output = (ends["hot"], ends["cold"])
        cell = bench.gain_cell if bench.unit.gain_cell is not None else None
        names = {*nodes, *self._output, *(cell.nodes if cell else ())} - {GROUND}
        self._names = tuple(sorted(names))
        level = quality_named(bench.quality)
        method = stable_method(bench.system, [bench.bias], bench.rate_hz, level.method).method
        with _LOADING:
            self.simulation = Simulation(
                bench.circuit, bench.rate_hz, self._names, method=method, tolerance_v=level.tolerance_v,
                bias=bench.bias,
            )  # fmt: skip

    def branch(self) -> "Run":
        """A copy at the present instant, to try something else from here."""
        twin = object.__new__(Run)
        twin.__dict__.update(self.__dict__, simulation=self.simulation.branch())
        return twin

    @property
    def memory(self) -> Array:
        """All that the next steps depend on but the input, as one vector: the unknowns that the solver keeps and their
        increments over the last three steps [shape=(4 n,)]."""
        return np.concatenate((self.simulation._x, self.simulation._past.ravel()))

    def recall(self, memory: Array) -> None:
        """Go on from a ``memory`` of this or another run of the bench, or from a linear mixture of some."""
        kept = self.simulation._x.size
        self.simulation._x[:] = memory[:kept]
        self.simulation._past[:] = memory[kept:].reshape(self.simulation._past.shape)

    def play(self, emf_v: Array) -> Played:
        """Drive with source voltages [shape=(steps,), V]."""
        fractions = self.simulation.method.fractions
        if len(fractions) > 1:  # the bench's own tones are smooth: straight lines between the stages
            before = np.concatenate(([self.simulation.last_input], emf_v[:-1]))
            emf_v = before[:, None] + (emf_v - before)[:, None] * fractions
        table = self.simulation.advance(emf_v)
        nodes = {name: table[:, k] for k, name in enumerate(self._names)}
        nodes[GROUND] = np.zeros(len(table))
        hot, cold = self._output
        cell = self.bench.gain_cell if self.bench.unit.gain_cell is not None else None
        return Played(
            nodes=nodes,
            output_v=nodes[hot] - nodes[cold],
            reduction_db=np.zeros(len(table))
            if cell is None
            else cell.reduction_db(cell.conductance_s(*(nodes[name] for name in cell.nodes))),
        )


def tone(
    level_dbu: float, frequency_hz: float, duration_s: float, rate_hz: float, phase: float = 0.0
) -> Array:
    """A sine as source voltage [V; shape=(duration_s * rate_hz,)], first sample one step after phase zero."""
    time = np.arange(1, round(duration_s * rate_hz) + 1) / rate_hz
    return dbu_to_rms_v(level_dbu) * np.sqrt(2.0) * np.sin(2.0 * np.pi * frequency_hz * time + phase)
