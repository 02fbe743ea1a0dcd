"""A unit made ready to run: what a render and every measurement hold in common.

Circuit, bias point, gain cell, method and packed values are each worked out once, when first asked for, and from the
unit in memory: nothing is read from disk. One policy for all: the stability guard looks at the bias point and at the
FET fully on, the input between steps is interpolated by the engine, and whatever is wrong with the unit at rest is
one sentence in ``warnings``.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from math import inf

import numpy as np
from numpy.typing import NDArray

from fetsim.devices.kinds import KINDS
from fetsim.engine.assembly import Array, System, assemble
from fetsim.engine.bias import find_bias
from fetsim.engine.circuit import GROUND, Circuit
from fetsim.engine.crew import march
from fetsim.engine.cycle import Cycle, find_cycle, repeating_cycle
from fetsim.engine.guard import Verdict, stable_method
from fetsim.engine.inputs import Drive
from fetsim.engine.lanes import WIDTH
from fetsim.engine.linear import Linearised, linearise
from fetsim.engine.modes import GrowingMode, growing_modes
from fetsim.engine.noise import Noise
from fetsim.engine.noise_sources import kelvin
from fetsim.engine.prepared import Prepared, compile_s, noisy_compile_s, prepare
from fetsim.engine.signals import Signal
from fetsim.engine.simulation import Marched, Simulation
from fetsim.errors import ConvergenceError, InputError
from fetsim.rig.beginning import beginning
from fetsim.rig.gain_cell import REFERENCE_HZ, CellAtRest, GainCellModel, Reference, cell_at_rest, gain_cell_model
from fetsim.rig.growth import growth_in_words
from fetsim.rig.heat import Heat, heat_of
from fetsim.rig.mains import awaited, check_rails, fed_by_mains, on_steps, whole_frequency_hz
from fetsim.rig.points import output_point
from fetsim.rig.quality import DEFAULT_QUALITY, Quality, quality_named
from fetsim.schematic.unit import Unit
from fetsim.schematic.wiring import build_circuit

SILENT = 1e-10  # a smaller gain is told as this, -200 dB
BENCH_RATE_HZ = 48000.0
"""Audio rate whose quality levels serve where there is no audio file: the internal rate is a multiple of it."""

WARMEST = 5  # parts that are told with every result
TOLD_K = 0.1  # less does not count as warm
ROUND_S = 5
"""The time of a compile is told to this many seconds."""


@dataclass(frozen=True)
class Rig:
    """A unit at one setting and quality. Cheap to make; each part is worked out when first asked for."""

    unit: Unit
    quality: str = DEFAULT_QUALITY
    audio_rate_hz: float = BENCH_RATE_HZ
    near: "Rig | None" = field(default=None, repr=False, compare=False, kw_only=True)
    """A rig whose bias point lies near, from which the solver may start: another version of the same unit."""

    against: Reference = field(default="idle", kw_only=True)
    """What gain reduction is counted from: the unit at rest, or the FET taken out."""

    on_s: float = field(default=inf, kw_only=True)
    """How long it has been switched on, for the heat of its parts: for ever, or just now (0)."""

    signals: Mapping[str, Signal] = field(default_factory=dict, hash=False, kw_only=True)
    """Inputs of the unit that the engine drives itself, each with its signal: a sine (mains), white noise."""

    second_share: float = field(default=1.0, kw_only=True)
    """Of a pair: what its second channel gets of the program's voltage where nothing is fed to it."""

    noise_seed: int | None = field(default=None, kw_only=True)
    """Of the noise of the unit's parts; None: what is marched has none."""

    tolerance_v: float | None = field(default=None, kw_only=True)
    """Of Newton's last step, in place of the quality's: the smaller, the smoother a run moves with its values."""

    @property
    def level(self) -> Quality:
        """The quality by its figures. Raises InputError for a name that is none."""
        level = quality_named(self.quality)
        return level if self.tolerance_v is None else replace(level, tolerance_v=self.tolerance_v)

    @property
    def factor(self) -> int:
        """Steps for each sample of audio."""
        return self.level.factor(self.audio_rate_hz)

    @property
    def rate_hz(self) -> float:
        """Steps a second."""
        return self.audio_rate_hz * self.factor

    @cached_property
    def circuit(self) -> Circuit:
        return self.wired

    @property
    def wired(self) -> Circuit:
        """The unit as it is wired, with the signals at its inputs. Raises InputError for a signal at none of them."""
        others = self.unit.other_inputs
        for name in self.signals:
            if name not in others:
                what = f"other inputs are {', '.join(others)}" if others else "it has the program's input alone"
                raise InputError(f"input: {self.unit.name} has none named {name[:40]!r}; {what}")
        circuit = build_circuit(self.warm_unit)
        normalled = dict.fromkeys(circuit.normalled, self.second_share)
        signals = {**on_steps(circuit.signals, self.rate_hz), **self.signals}
        return replace(circuit, signals=signals, normalled=normalled)

    @cached_property
    def heat(self) -> Heat:
        """By how much its parts have warmed themselves. Raises ConvergenceError where one runs away."""
        near = self.near
        if near is not None and near.unit is self.unit and near.on_s == self.on_s:
            return near.heat
        return heat_of(self.unit, self.on_s)

    @cached_property
    def warm_unit(self) -> Unit:
        """The unit with its parts as warm as they are."""
        return replace(self.unit, rises_k=self.heat.rises_k) if self.heat.rises_k else self.unit

    @cached_property
    def system(self) -> System:
        return assemble(self.circuit)

    @property
    def resting(self) -> System:
        """The system whose bias point is this rig's rest."""
        return self.system

    @property
    def held_v(self) -> Mapping[str, float]:
        """Nodes that a capacitance beyond measure holds, each with its volts."""
        return {}

    @cached_property
    def bias(self) -> Array:
        """Settled state [shape=(n,), order of ``system.unknowns``]; of a unit with mains its mean over their period.
        Raises ConvergenceError when there is none."""
        return find_bias(self.resting, self._start) if self.cycle is None else self.cycle.mean

    @property
    def mains_hz(self) -> float | None:
        """As played; None for a unit without mains."""
        mains = self.unit.mains
        return whole_frequency_hz(mains[0].values["frequency"], self.rate_hz) if mains else None

    @property
    def mains_steps(self) -> int | None:
        """Steps in a mains period; None for a unit without mains."""
        return None if self.mains_hz is None else round(self.rate_hz / self.mains_hz)

    @cached_property
    def cycle(self) -> Cycle | None:
        """One mains period at rest, in the steps of the search for it; None for a unit without mains. Raises InputError
        where a rail does not come up to what it is meant to be."""
        if self.mains_hz is None:
            return None
        near = self.near
        alike = near is not None and near.mains_hz == self.mains_hz and near.system.unknowns == self.system.unknowns
        start = near.cycle if near is not None and alike else None
        found = find_cycle(self.system, self.mains_hz, self._awaited_names, start, self.held_v)
        check_rails(self.unit, dict(zip(self.system.unknowns, found.mean.tolist(), strict=True)))
        return found

    @cached_property
    def mains_period(self) -> Cycle:
        """One mains period at rest in the steps of this rig."""
        assert self.cycle is not None and self.mains_hz is not None, "only of a unit with mains"
        return repeating_cycle(
            self.prepared, self.cycle.state(self.prepared), self.mains_hz, self._awaited_names
        )

    @property
    def _start(self) -> Array | None:
        near = self.near
        return near.bias if near is not None and near.system.unknowns == self.system.unknowns else self.heat.bias

    @cached_property
    def linear(self) -> Linearised:
        """Small signals at the bias point."""
        return linearise(self.system, self.bias)

    @cached_property
    def gain_cell(self) -> GainCellModel | None:
        """None for a unit without one."""
        cell = self.unit.gain_cell
        return None if cell is None else gain_cell_model(self.circuit, self.system, self.bias, cell, self.linear)

    @cached_property
    def rest(self) -> CellAtRest | None:
        """How the gain cell stands at rest; None for a unit without one."""
        cell, model = self.unit.gain_cell, self.gain_cell
        return None if cell is None or model is None else cell_at_rest(model, self.system, self.bias, cell.fet)

    def idle_gain_db(self, frequency_hz: float = REFERENCE_HZ) -> float:
        """Small-signal gain from the source to the output at rest."""
        unknowns = self.linear.solve(frequency_hz, self.linear.driven_by())
        gain = abs(complex(output_point(self.unit).weights(self.linear.index) @ unknowns))
        return float(20.0 * np.log10(max(gain, SILENT)))

    def reduction_db(self, conductance_s: Array) -> Array:
        """Gain reduction [dB; shape of the conductance] of the FET's channel; 0 for a unit without a gain cell."""
        cell = self.gain_cell
        return np.zeros(np.shape(conductance_s)) if cell is None else cell.reduction_db(conductance_s, self.against)

    @property
    def counted_in_db(self) -> float:
        """What every gain reduction holds of the loss at rest: nothing against idle, all of it against the FET out."""
        return self.rest.loss_db if self.rest is not None and self.against == "open" else 0.0

    @cached_property
    def growing(self) -> tuple[GrowingMode, ...]:
        """Modes that grow at the bias point; none for a unit that rests there."""
        return growing_modes(self.circuit, self.linear, self.bias)

    @cached_property
    def verdict(self) -> Verdict:
        """The integration method, and why it is not the quality's own."""
        return self.stable(self.level.method, self.rate_hz)

    def stable(self, wanted: str, rate_hz: float) -> Verdict:
        """The same for another method and rate."""
        return stable_method(self._guarded, rate_hz, wanted)

    @property
    def method(self) -> str:
        """Name of the integration method."""
        return self.verdict.method

    @cached_property
    def warnings(self) -> tuple[str, ...]:
        """What should be known before a figure or a sound of this unit is believed, in plain sentences."""
        found = [growth_in_words(self.growing[0])] if self.growing else []
        if self.rest is not None and self.rest.warning:
            counted = "; gain reduction is counted from there" if self.rest.conducts and self.against == "idle" else ""
            found.append(f"{self.rest.warning}{counted}")
        found += self._doubts
        if self.verdict.reason:
            found.append(f"{self.verdict.reason}; using {self.method} instead")
        return tuple(found)

    @property
    def _doubts(self) -> list[str]:
        """A sentence about all parts that rest where their law is none for the same reason."""
        volts = {GROUND: 0.0, **{name: float(self.bias[place]) for name, place in self.system.index.items()}}
        parts: dict[str, list[str]] = {}
        for one in self.circuit.elements:
            doubt = KINDS[one.kind].at_rest(one.values, one.at(volts)).doubt
            parts.setdefault(doubt, []).append(one.name)
        return [f"{', '.join(names)}: {doubt}" for doubt, names in parts.items() if doubt]

    @property
    def where_measured(self) -> str:
        """Of a pair: at which channel, in a sentence; empty for another unit."""
        channel = self.unit.channel
        return f"Measured at the {channel} channel, with the same signal in both." if channel else ""

    @property
    def told(self) -> tuple[str, ...]:
        """How the unit rests, in sentences that every result bears: its gain cell, in the words of the warning where
        there is one, and the other warnings."""
        stands = () if self.rest is None or self.rest.warning else (f"At rest {self.rest.told}.",)
        stands = (*([self.where_measured] if self.where_measured else []), *stands)
        if self.against == "open":
            stands = (*stands, "Gain reduction is counted from the FET taken out.")
        warmest = sorted(self.heat.rises_k.items(), key=lambda one: -abs(one[1]))
        if warmest:
            listed = ", ".join(f"{name} by {rise:.3g} K" for name, rise in warmest[:WARMEST] if abs(rise) >= TOLD_K)
            least = f"No part has warmed itself by {TOLD_K:g} K."
            stands = (*stands, f"Parts have warmed themselves: {listed}." if listed else least)
        if self.cycle is not None:
            stands = (*stands, fed_by_mains(self.unit, self.system, self.cycle, self.idle_gain_db()))
        begins = beginning(self.circuit)
        stands = (*stands, *([f"Every run begins with {begins}."] if begins else []))
        return (*stands, *(f"Warning: {text}." for text in self.warnings))

    @property
    def output(self) -> tuple[str, str]:
        """Nodes of the output, hot and cold."""
        ends = self.unit.output.nodes
        return ends["hot"], ends["cold"]

    @property
    def watched(self) -> frozenset[str]:
        """Nodes that every run records: the output's, the gain cell's and the control node, ground left out."""
        cell = self.unit.gain_cell
        of_cell = () if cell is None else (*self.circuit.element(cell.fet).nodes, cell.control_node)
        return frozenset({*self.output, *of_cell} - {GROUND})

    @cached_property
    def prepared(self) -> Prepared:
        """Values packed for the solver; compiles it if it must."""
        return prepare(self.system, self.rate_hz, method=self.method, tolerance_v=self.level.tolerance_v)

    @cached_property
    def awaited(self) -> NDArray[np.bool_]:
        """Which unknowns of a state have to stand still in a steady one [shape=(n,)]."""
        names = self.prepared.reduced.system.unknowns
        return np.array([names[i] in self._awaited_names for i in self.prepared.order])

    @cached_property
    def _awaited_names(self) -> frozenset[str]:
        return awaited(self.circuit)

    def simulation(
        self, recorded: Sequence[str], *, cold: bool = False, stream: int = 0, first_step: int = 0
    ) -> Simulation:
        """A march from rest, or from cold with everything discharged, that records the unknowns ``recorded``.

        At rest every input is at zero but mains, which have been on for ever; ``signals`` set in with the first step.
        ``stream`` tells several units of the same values apart, so that each has noise of its own. A stretch of a
        longer march says which is its first step.
        """
        prepared = self.prepared if self.noise_seed is None else self._noisy(frozenset(recorded))
        if cold or self.mains_hz is None:
            start = np.zeros(self.system.size) if cold else self.bias
            return Simulation(prepared, recorded, replace(prepared.state_at(start, stream), steps=first_step))
        begun = first_step % len(self.mains_period.unknowns)
        start_of_period = replace(self.mains_period.state(prepared, stream), steps=first_step - begun)
        simulation = Simulation(prepared, recorded, start_of_period)
        simulation.advance(np.zeros(begun))
        return simulation

    def _noisy(self, recorded: frozenset[str]) -> Prepared:
        """As ``prepared``, with noise, for marches that record these unknowns."""
        assert self.noise_seed is not None
        if recorded not in self._noisy_so_far:
            noise = Noise(
                circuit=self.circuit, rest=self.bias, temperature_k=kelvin(self.unit.temperature_c),
                seed=self.noise_seed,
            )  # fmt: skip
            self._noisy_so_far[recorded] = prepare(
                self.system, self.rate_hz, method=self.method, tolerance_v=self.level.tolerance_v, noise=noise,
                recorded=recorded,
            )  # fmt: skip
        return self._noisy_so_far[recorded]

    @cached_property
    def _noisy_so_far(self) -> dict[frozenset[str], Prepared]:
        return {}

    def marched(self, simulation: Simulation, emf_v: Drive, stops: Sequence[int] = ()) -> Marched:
        """What a march of this rig brings out over source voltages [shape=(steps,), V], of the program or of several
        inputs by name, together with other marches where this one is at work in a crew; with its states after so many
        steps as ``stops`` say. Raises ConvergenceError, or InputError for a name that is no input."""
        marched = march(simulation, emf_v, stops)
        if marched.failure is not None:
            raise self.blamed(marched.failure) from None
        return marched

    def blamed(self, error: ConvergenceError) -> ConvergenceError:
        """An error of a run of this unit, put down to a mode that grows at rest where there is one."""
        return error.because(growth_in_words(self.growing[0])) if self.growing else error

    @property
    def _guarded(self) -> list[Linearised]:
        """Small signals at the bias point, and at the same with the FET fully on, its gate at the source."""
        cell = self.gain_cell
        if cell is None:
            return [self.linear]
        on = self.bias.copy()
        _, gate, source = cell.nodes
        if gate != GROUND:
            on[self.system.index[gate]] = 0.0 if source == GROUND else self.bias[self.system.index[source]]
        return [self.linear, linearise(self.system, on)]


def compile_notice(*units: Unit, side_by_side: bool = False, noisy: bool = False) -> str:
    """What to say before units are played whose solvers have to be compiled first (once per topology and machine);
    empty where nothing has. ``side_by_side``: with the solver of several lanes. Raises InputError for a unit whose
    solver is never compiled."""
    lanes = (1, WIDTH) if side_by_side else (1,)
    if noisy:
        rigs = [Rig(unit) for unit in units]
        seconds = sum(noisy_compile_s(rig.circuit, rig.system, rig.watched, lanes=lanes) for rig in rigs)
    else:
        seconds = compile_s(*(assemble(build_circuit(unit)) for unit in units), lanes=lanes) if units else 0.0
    if seconds == 0.0:
        return ""
    about = ROUND_S * max(1, round(seconds / ROUND_S))
    return f"compiling the solver for this unit's topology; about {about} s, longer on a busy machine; once per machine"
