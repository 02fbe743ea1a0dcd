"""A circuit made ready to march: everything that depends on its values and not on time.

Assembled, reduced, planned and packed once; any number of marches share it, on any number of threads, since nothing
writes to it. ``state_at`` makes the states that a march starts from.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fetsim.engine import generated, march
from fetsim.engine.assembly import Array, System, accepted, no_memory, port_voltages
from fetsim.engine.circuit import Circuit
from fetsim.engine.generated import Solver, interpreted_solver, solver_for
from fetsim.engine.march import DEEPEST, Scratch, Tableau, Values
from fetsim.engine.methods import INPUTS, RESCUE, Method, input_weights, method_at
from fetsim.engine.noise import Noise, NoiseShape, PreparedNoise, prepare_noise
from fetsim.engine.numeric import VECTOR
from fetsim.engine.packing import pack_devices, pack_linear
from fetsim.engine.plan import make_plan
from fetsim.engine.reduction import Reduced, reduce_resistive
from fetsim.engine.state import State
from fetsim.errors import InputError

MAX_ITERATIONS = 100
ANY_KELVIN, ANY_RATE_HZ = 300.0, 288e3
"""What is compiled does not depend on them."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Prepared:
    """One circuit at a rate, method and tolerance; ``prepare`` makes it."""

    system: System
    reduced: Reduced
    solver: Solver
    method: Method
    rate_hz: float
    tolerance_v: float
    compiled: bool
    values: Values
    noise: PreparedNoise | None = None
    kept: frozenset[str] = frozenset()
    """Unknowns that were kept from the reduction: of a noisy circuit only what stays in it is recorded with its noise.
    """

    @cached_property
    def order(self) -> NDArray[np.intp]:
        """Position in a state -> index in the reduced system."""
        return np.array(self.solver.plan.order)

    @cached_property
    def tableau(self) -> Tableau:
        """The method's coefficients as the march takes them."""
        return _tableau(self.method)

    @cached_property
    def rescue_tableau(self) -> Tableau:
        return _tableau(RESCUE)

    @cached_property
    def input_weights(self) -> Array:
        """Weights of the last six inputs at each stage [shape=(stages, 6)]."""
        return input_weights(self.method.fractions)

    def state_at(self, unknowns: Array, stream: int = 0) -> State:
        """The state of a circuit that has been at ``unknowns`` [shape=(n,), order of ``system.unknowns``] for ever,
        with its inputs at zero; what remembers, went straight there, and noise begins.

        Signals that the engine makes set in with the first step; ``stream`` says which sequences their noise takes.
        """
        devices = self.system.devices
        memory = accepted(devices, port_voltages(devices, unknowns), no_memory(devices))
        inputs = np.zeros((INPUTS - 1, len(self.system.inputs)))
        return self.state_along(np.tile(unknowns, (4, 1)), memory, inputs, stream)

    def state_along(self, unknowns: Array, memory: Array, inputs: Array, stream: int = 0, steps: int = 0) -> State:
        """The state of a circuit that has come along these unknowns, those of now and after the last three steps, the
        latest first [shape=(4, n), order of ``system.unknowns``]; what its devices remember and the inputs as in a
        state."""
        along = unknowns[:, self.reduced.kept][:, self.order]
        ports = port_voltages(self.system.devices, unknowns[0])
        return State(
            x=along[0].copy(),
            past=along[:-1] - along[1:],
            ports=np.array([v for of_device in ports for v in of_device]),
            memory=np.append(memory, np.zeros(self._of_noise)),
            inputs=inputs.copy(),
            steps=steps,
            rate_hz=self.rate_hz,
            stream=stream,
        )

    def all_unknowns(self, state: State) -> Array:
        """All unknowns of a state [shape=(n,)], in the order of ``system.unknowns``."""
        x = np.empty_like(state.x)
        x[self.order] = state.x
        return self.reduced.expand @ x + self.reduced.constant + self.reduced.per_input @ state.inputs[-1]

    def check(self, state: State) -> None:
        """Raises InputError for a state that belongs to another topology or rate, or that is none."""
        if not isinstance(state, State):
            raise InputError(f"state: must be a state of a simulation, not a {type(state).__name__}")
        arrays = (state.x, state.past, state.ports, state.memory, state.inputs)
        if tuple(array.shape for array in arrays) != self._shapes:
            (n,), _, (ports,), memory, (_, inputs) = self._shapes
            raise InputError(
                f"state: is of a circuit with {state.x.size} unknowns, {state.ports.size} ports, {state.memory.size} "
                f"numbers remembered and {state.inputs.size // (INPUTS - 1)} inputs, this one has {n}, {ports}, "
                f"{memory[0]} and {inputs}; take a state of "
                "this unit"
            )
        if state.rate_hz != self.rate_hz:
            raise InputError(f"state: is of a run at {state.rate_hz:g} steps a second, not {self.rate_hz:g}")

    @cached_property
    def _shapes(self) -> tuple[tuple[int, ...], ...]:
        """Of a state's unknowns, past, ports, memory and inputs."""
        n, memory, inputs = self.reduced.system.size, self.remembered + self._of_noise, len(self.system.inputs)
        return (n,), (3, n), (self._ports,), (memory,), (INPUTS - 1, inputs)

    @cached_property
    def _ports(self) -> int:
        return sum(len(d.ports) for d in self.system.devices)

    @cached_property
    def remembered(self) -> int:
        """Numbers of the memory that are the devices'; those of noise stand behind."""
        return len(no_memory(self.system.devices))

    @property
    def noise_shape(self) -> NoiseShape | None:
        """What its solver's text holds of noise."""
        return None if self.noise is None else self.noise.shape

    @property
    def _of_noise(self) -> int:
        return 0 if self.noise is None else self.noise.memory

    def scratch(self) -> Scratch:
        """Workspace for one march."""
        length = -(-max(self.solver.junction_count, 1) // VECTOR) * VECTOR
        n = self.reduced.system.size
        return Scratch(
            arg=np.zeros(length), increments=np.zeros((len(self.method.fractions), n)), s=np.zeros(n),
            kept=np.zeros(self._ports), failed=np.zeros(2), counts=np.zeros(4, dtype=np.int64),
        )  # fmt: skip

    def recorder(self, names: Sequence[str]) -> "Recorder":
        """What to keep of every step to know the unknowns ``names``."""
        assert self.noise is None or self.kept.issuperset(names), "they would be recorded without their own noise"
        rows = [self.system.index[name] for name in names]
        wanted = self.reduced.expand[rows][:, self.order]
        columns = np.flatnonzero(np.any(wanted != 0.0, axis=0))
        return Recorder(
            columns=columns,
            weights=wanted[:, columns],
            constant=self.reduced.constant[rows],
            per_input=self.reduced.per_input[rows],
            inputs=self.system.inputs,
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Recorder:
    """Named unknowns out of what the march keeps: ``weights`` kept + ``constant`` + ``per_input`` u."""

    columns: NDArray[np.intp]
    """Positions in the state that the march keeps."""
    weights: Array
    constant: Array
    per_input: Array
    inputs: tuple[str, ...]

    @cached_property
    def _terms(self) -> list[list[tuple[int, float]]]:
        """(column, weight) of what each unknown is made of: one to three, so that this is cheaper than a matrix
        product."""
        return [[(int(j), float(row[j])) for j in np.flatnonzero(row)] for row in self.weights]

    def each(self, record: Array, u: Array) -> list[Array]:
        """The unknowns asked for [each of shape=(steps,)], those taken out by the reduction among them; one that the
        solver keeps as it is, is a view of the record.

        ``u`` [shape=(steps, inputs)] are the inputs at the end of each step.
        """
        found = []
        for terms, constant, per_input in zip(self._terms, self.constant, self.per_input, strict=True):
            if len(terms) == 1 and terms[0][1] == 1.0 and not constant and not per_input.any():
                found.append(record[:, terms[0][0]])
                continue
            level = np.full(len(record), constant)
            for j, weight in terms:
                level += weight * record[:, j]
            for k in np.flatnonzero(per_input):
                level += u[:, k] * per_input[k]
            found.append(level)
        return found

    def unknowns(self, record: Array, u: Array) -> Array:
        """The same side by side [shape=(steps, names), by columns in memory]."""
        levels = np.empty((len(self.constant), len(record)))
        for level, found in zip(levels, self.each(record, u), strict=True):
            level[:] = found
        return levels.T


def prepare(
    system: System, rate_hz: float, *, method: str = "bdf4", tolerance_v: float = 0.01, compiled: bool = True,
    noise: Noise | None = None, recorded: Iterable[str] = (),
) -> Prepared:
    """Reduce, plan and pack an assembled circuit; compiles its solver if it must (``compiled=False``: plain Python).

    With ``noise``, say which unknowns will be ``recorded``.
    """
    kept = frozenset(recorded if noise is not None else ())
    reduced = reduce_resistive(system, kept)
    small = reduced.system
    noisy = None if noise is None else prepare_noise(noise, system, reduced, make_plan(small), rate_hz)
    shape = None if noisy is None else noisy.shape
    solver = solver_for(small, noise=shape) if compiled else interpreted_solver(small, shape)
    plan, layout = solver.plan, solver.layout
    chosen = method_at(method, rate_hz)
    rescue_leads = RESCUE.lead * rate_hz * 2.0 ** np.arange(DEEPEST + 1)
    lin = pack_linear(small, plan, layout, np.append(rescue_leads, chosen.lead * rate_hz))
    values = Values(
        lin=lin[-1],
        lin_rescue=lin[:-1],
        dev=pack_devices(small.devices, tolerance_v),
        tolerance_v=tolerance_v,
        max_iterations=MAX_ITERATIONS,
    )
    return Prepared(
        system=system, reduced=reduced, solver=solver, method=chosen, rate_hz=rate_hz, tolerance_v=tolerance_v,
        compiled=compiled, values=values, noise=noisy, kept=kept,
    )  # fmt: skip


def compile_s(*systems: System, lanes: tuple[int, ...] = (1,)) -> float:
    """Estimate of the time that marching these systems, in so many lanes each, would first spend on compiling their
    solvers and the march itself; 0 where all lies ready. Raises InputError for a solver that is never compiled."""
    reduced = [reduce_resistive(system).system for system in systems]
    return sum(generated.compile_s(*reduced, lanes=width) + march.compile_s(width) for width in lanes)


def noisy_compile_s(
    circuit: Circuit, system: System, recorded: Iterable[str], *, lanes: tuple[int, ...] = (1,)
) -> float:
    """The same of one circuit with noise, of which these unknowns will be recorded."""
    reduced = reduce_resistive(system, frozenset(recorded))
    noise = Noise(circuit=circuit, rest=np.zeros(system.size), temperature_k=ANY_KELVIN, seed=0)
    shape = prepare_noise(noise, system, reduced, make_plan(reduced.system), ANY_RATE_HZ).shape
    return sum(
        generated.compile_s(reduced.system, lanes=width, noise=shape) + march.compile_s(width, noisy=True)
        for width in lanes
    )


def _tableau(method: Method) -> Tableau:
    return Tableau(np.array(method.past) / method.lead, method.weights / method.lead, method.fractions)
