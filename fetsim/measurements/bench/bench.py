"""A unit on the bench: test signals straight into the circuit, node voltages out, at the internal rate.

No files and no rate conversion: the signal is the open-circuit voltage of the source [V], so a level in dBu means what
a generator's dial says. Procedures of this room drive a ``Bench`` and hand its arrays to the analysers.
"""

from collections.abc import Mapping, Sequence
from copy import copy
from dataclasses import dataclass, field, replace
from functools import cached_property
from math import inf

import numpy as np

from fetsim.audio.levels import dbu_to_rms_v
from fetsim.engine.assembly import Array, System
from fetsim.engine.circuit import GROUND, Circuit
from fetsim.engine.inputs import Drive
from fetsim.engine.signals import Signal
from fetsim.engine.simulation import Marched
from fetsim.engine.state import State
from fetsim.errors import InputError
from fetsim.rig.gain_cell import GainCellModel, Reference, reference_named
from fetsim.rig.rig import Rig
from fetsim.schematic.unit import Unit

TOGETHER = 4096
"""Steps of which conductances are worked out at a time: what that needs stays in the processor's cache, which takes two
thirds of the time of a long record as a whole."""


@dataclass(frozen=True)
class Bench:
    """A unit at one setting, ready to be driven. Cheap to make; what it needs of its rig is worked out once."""

    unit: Unit
    quality: str = "standard"
    against: Reference = field(default="idle", kw_only=True)
    """What gain reduction is counted from: the unit at rest, or the FET taken out."""
    signals: Mapping[str, Signal] = field(default_factory=dict, hash=False, kw_only=True)
    """Inputs that the engine drives itself."""
    on_s: float = field(default=inf, kw_only=True)
    """How long the unit has been switched on, for the heat of its parts."""
    second_share: float = field(default=1.0, kw_only=True)
    """Of a pair: what its second channel gets of the program's voltage (see ``Rig``)."""
    near: Rig | None = field(default=None, repr=False, compare=False, kw_only=True)
    """A rig whose bias point lies near (see ``Rig``)."""

    @cached_property
    def rig(self) -> Rig:
        """The unit made ready to run."""
        return Rig(
            self.unit, self.quality, near=self.near, against=reference_named(self.against), signals=self.signals,
            on_s=self.on_s, second_share=self.second_share,
        )  # fmt: skip

    @property
    def circuit(self) -> Circuit:
        return self.rig.circuit

    @property
    def system(self) -> System:
        return self.rig.system

    @property
    def bias(self) -> Array:
        """Settled state [shape=(n,), order of ``system.unknowns``]."""
        return self.rig.bias

    @property
    def gain_cell(self) -> GainCellModel:
        """The unit's gain cell. Raises InputError for a unit without one."""
        cell = self.rig.gain_cell
        if cell is None:
            raise InputError(f"{self.unit.name}: has no [gain_cell], so there is no gain reduction to measure")
        return cell

    @property
    def rate_hz(self) -> float:
        """Internal rate of this quality."""
        return self.rig.rate_hz

    def of_version(self, unit: Unit) -> "Bench":
        """The same with another version of the unit, whose bias point is looked for from this one's."""
        return self if unit is self.unit else replace(self, unit=unit, near=self.rig)

    def run(self, nodes: Sequence[str] = ()) -> "Run":
        """A fresh run from the bias point that records the output and ``nodes``."""
        return Run(self, tuple(nodes))


@dataclass(frozen=True, kw_only=True, eq=False)
class Played:
    """What a run has recorded over some steps; each array of shape (steps,), worked out when first asked for."""

    rig: Rig
    names: tuple[str, ...]
    """Of the nodes that were recorded, in their order."""
    marched: Marched

    @cached_property
    def nodes(self) -> Mapping[str, Array]:
        """Node -> volts against ground, ground included."""
        table = self.marched.record
        return {GROUND: np.zeros(len(table)), **{name: table[:, k] for k, name in enumerate(self.names)}}

    @cached_property
    def output_v(self) -> Array:
        """Across the output port, which is no node: a node may bear any name."""
        hot, cold = self.rig.output
        return self.nodes[hot] - self.nodes[cold]

    @cached_property
    def reduction_db(self) -> Array:
        """Gain reduction in the FET's divider; 0 for a unit without a gain cell."""
        cell = self.rig.gain_cell
        if cell is None:
            return np.zeros(len(self.marched.kept))
        volts = [self.nodes[name] for name in cell.nodes]
        starts = range(0, max(len(volts[0]), 1), TOGETHER)
        parts = [cell.conductance_s(*(v[start : start + TOGETHER] for v in volts)) for start in starts]
        return self.rig.reduction_db(np.concatenate(parts))


class Run:
    """One stretch of time of a bench; ``play`` goes on from where the last one ended."""

    def __init__(self, bench: Bench, nodes: tuple[str, ...]) -> None:
        self.bench = bench
        self._names = tuple(sorted({*nodes, *bench.rig.watched} - {GROUND}))
        self.simulation = bench.rig.simulation(self._names)

    def branch(self) -> "Run":
        """A copy at the present instant, to try something else from here."""
        twin = copy(self)
        twin.simulation = self.simulation.branch()
        return twin

    @property
    def state(self) -> State:
        """All that the next steps depend on, as a copy; set it to go on from an instant of this or another run of the
        bench."""
        return self.simulation.state

    @state.setter
    def state(self, state: State) -> None:
        self.simulation.state = state

    def play(self, emf_v: Drive) -> Played:
        """Drive with source voltages [shape=(steps,), V]: the program's, or a mapping from the names of several inputs.

        Raises ConvergenceError with the time and the part, InputError for a name that is no input.
        """
        marched = self.bench.rig.marched(self.simulation, emf_v)
        return Played(rig=self.bench.rig, names=self._names, marched=marched)

    def states_after(self, emf_v: Array, times: int) -> tuple[State, ...]:
        """Drive with the same source voltages [shape=(steps,), V] so many times, and keep the state after each, but no
        record on the way."""
        stops = [len(emf_v) * number for number in range(1, times + 1)]
        states = self.bench.rig.marched(self.simulation.recording([]), np.tile(emf_v, times), stops).states
        self.simulation.state = states[-1]
        return states


def tone(
    level_dbu: float, frequency_hz: float, duration_s: float, rate_hz: float, phase: float = 0.0
) -> Array:
    """A sine as source voltage [V; shape=(duration_s * rate_hz,)], first sample one step after phase zero."""
    time = np.arange(1, round(duration_s * rate_hz) + 1) / rate_hz
    return dbu_to_rms_v(level_dbu) * np.sqrt(2.0) * np.sin(2.0 * np.pi * frequency_hz * time + phase)
