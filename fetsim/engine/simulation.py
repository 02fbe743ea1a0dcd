"""Front door of the engine: a circuit, marched through time block by block."""

from collections.abc import Callable, Sequence
from copy import copy
from dataclasses import dataclass
from functools import cached_property
from typing import Self

import numpy as np
from numpy.typing import NDArray

from fetsim.engine.assembly import Array, System, assemble, port_voltages
from fetsim.engine.bias import find_bias
from fetsim.engine.circuit import PROGRAM, Circuit
from fetsim.engine.inputs import Drive, of_each_input
from fetsim.engine.march import Moving, compiled_march, march
from fetsim.engine.methods import INPUTS, Method
from fetsim.engine.noise import Noise
from fetsim.engine.noisy import NoiseBuffers, buffers_for, interpreted
from fetsim.engine.plain import solve_stage
from fetsim.engine.prepared import Prepared, Recorder, prepare
from fetsim.engine.state import State
from fetsim.errors import ConvergenceError


@dataclass(frozen=True, kw_only=True)
class Effort:
    """What the solver had to do."""

    steps: int
    iterations: int
    """Newton's, those of subdivided steps included."""
    most_iterations: int
    """In one stage."""
    subdivided_steps: int
    rescue_stages: int
    """Stages inside subdivided steps, those that found no solution included."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Marched:
    """What a march over some inputs brought out."""

    kept: Array
    """What the solver kept of each step done [shape=(steps done, len(recorder.columns)), by columns in memory]."""
    recorder: Recorder
    u: Array
    """Every input at the end of each step done [shape=(steps done, inputs)]."""
    failure: ConvergenceError | None
    """Why it stopped before the last input; the state then stands at the last good step."""
    states: tuple[State, ...] = ()
    """After those of the steps asked for that were done."""

    @classmethod
    def joined(cls, parts: Sequence[Self]) -> Self:
        """Marches of one simulation that followed each other, as one."""
        if len(parts) == 1:
            return parts[0]
        return cls(
            kept=np.concatenate([one.kept for one in parts]), recorder=parts[0].recorder,
            u=np.concatenate([one.u for one in parts]), failure=parts[-1].failure,
            states=tuple(state for one in parts for state in one.states),
        )  # fmt: skip

    @cached_property
    def record(self) -> Array:
        """Recorded unknowns [shape=(steps done, recorded)]; worked out when first asked for."""
        return self.recorder.unknowns(self.kept, self.u)

    def input_v(self, name: str = PROGRAM) -> Array:
        """One input at the end of each step done [shape=(steps done,)]."""
        return self.u[:, self.recorder.inputs.index(name)]


class Simulation:
    """One march of a prepared circuit: its state, its workspace, and the unknowns that it records.

    ``start`` is the state to go on from; it is copied. ``Simulation.of`` starts a circuit at rest or cold.
    """

    def __init__(self, prepared: Prepared, recorded: Sequence[str], start: State) -> None:
        self.prepared = prepared
        self.recorder = prepared.recorder(recorded)
        self._scratch = prepared.scratch()
        self._counted = 0
        self.state = start
        self._march = march if prepared.noise is None else interpreted(march)
        if prepared.compiled:  # here, where it must be, and not inside the first block
            self._march = compiled_march(self._try, noisy=prepared.noise is not None)

    @classmethod
    def of(
        cls,
        circuit: Circuit,
        rate_hz: float,
        recorded: Sequence[str],
        *,
        method: str = "bdf4",
        tolerance_v: float = 0.01,
        cold: bool = False,
        bias: Array | None = None,
        compiled: bool = True,
        noise_seed: int | None = None,
        temperature_k: float = 300.0,
    ) -> Self:
        """A circuit from rest, or from cold with everything discharged.

        ``bias`` is the state at rest where it is known already; ``compiled=False`` runs the generated solver as plain
        Python (no compile, for a few steps). With a ``noise_seed`` its parts are noisy, at ``temperature_k``.
        """
        system = assemble(circuit)
        rest = find_bias(system) if bias is None and (noise_seed is not None or not cold) else bias
        start = np.zeros(system.size) if cold or rest is None else rest
        noise = None if noise_seed is None or rest is None else Noise(
            circuit=circuit, rest=rest, temperature_k=temperature_k, seed=noise_seed
        )
        prepared = prepare(
            system, rate_hz, method=method, tolerance_v=tolerance_v, compiled=compiled, noise=noise, recorded=recorded
        )
        return cls(prepared, recorded, prepared.state_at(start))

    @property
    def system(self) -> System:
        return self.prepared.system

    @property
    def rate_hz(self) -> float:
        return self.prepared.rate_hz

    @property
    def method(self) -> Method:
        return self.prepared.method

    @property
    def state(self) -> State:
        """All that the next steps depend on, as a copy; set it to go on from another instant.

        Raises InputError for a state of another topology or rate.
        """
        return self._state.copy()

    @state.setter
    def state(self, state: State) -> None:
        self.prepared.check(state)
        self._state = state.copy()

    @property
    def steps(self) -> int:
        """Done since the start of the circuit's time."""
        return self._state.steps

    @property
    def all_unknowns(self) -> Array:
        """All unknowns now [shape=(n,)], in the order of ``system.unknowns``."""
        return self.prepared.all_unknowns(self._state)

    @property
    def effort(self) -> Effort:
        """Counters since the start of this march."""
        iterations, most, subdivided, stages = (int(count) for count in self._scratch.counts)
        return Effort(
            steps=self._counted, iterations=iterations, most_iterations=most, subdivided_steps=subdivided,
            rescue_stages=stages,
        )  # fmt: skip

    def branch(self) -> Self:
        """An independent march from the present instant: the same past, another future."""
        twin = copy(self)
        twin._state, twin._scratch = self._state.copy(), self.prepared.scratch()
        twin._scratch.counts[:] = self._scratch.counts
        return twin

    def recording(self, names: Sequence[str]) -> Self:
        """As ``branch``, with other unknowns recorded."""
        twin = self.branch()
        twin.recorder = self.prepared.recorder(names)
        return twin

    def advance(self, u: Drive) -> Array:
        """March over the inputs ``u`` and return the recorded unknowns [shape=(steps, recorded)].

        ``u`` [shape=(steps,), V] is the program input at the end of each step; between them it is interpolated where
        the method has stages. Where it is known at the stages it may be given there [shape=(steps, stages)], at
        ``method.fractions`` of each step. Of several inputs, ``u`` maps names to such arrays of one length; an input
        that is left out is silent, unless the engine makes it. Raises InputError for a name that is no input of the
        circuit, ConvergenceError with the time and the part when a step has no solution; ``march`` keeps what was
        recorded until then.
        """
        marched = self.march(u)
        if marched.failure is not None:
            raise marched.failure
        return marched.record

    def march(self, u: Drive) -> Marched:
        """As ``advance``, but a failure comes back beside the record of the steps before it."""
        inputs, ends = self.stage_inputs(u)
        state, prepared = self._state, self.prepared
        record = np.empty((len(self.recorder.columns), len(inputs)))
        done = self._march(
            prepared.solver.functions, prepared.values, prepared.tableau, prepared.rescue_tableau,
            Moving(state.x, state.past, state.ports, state.memory), self._scratch, noise_buffers([self]),
            inputs, self.recorder.columns, record, None,
        )  # fmt: skip
        return self.arrive(state, inputs, ends, record[:, :done].T, np.zeros_like(self._scratch.counts))

    def arrive(
        self, state: State, inputs: Array, ends: Array, record: Array, counts: NDArray[np.int64],
        states: tuple[State, ...] = (),
    ) -> Marched:  # fmt: skip
        """Take over where a march of this circuit has come to: the arrays of ``state`` as it left them, what it kept of
        each step done [shape=(done, len(recorder.columns))], the inputs as ``stage_inputs`` gave them, what others
        counted in the meantime, and ``states`` on the way."""
        done = len(record)
        mine = self._scratch.counts
        mine += counts
        mine[1] = max(mine[1] - counts[1], counts[1])
        self._counted += done
        self._state = later(state, ends, done)
        failure = None if done == len(inputs) else self._failure(inputs[done, -1])
        return Marched(kept=record, recorder=self.recorder, u=inputs[:done, -1], failure=failure, states=states)

    def _try(self, march: Callable[..., int]) -> None:
        """No step at all, with this march."""
        self._march = march
        self.march(np.empty(0))

    def stage_inputs(self, u: Drive) -> tuple[Array, Array]:
        """Inputs before and at each stage [shape=(steps, 1 + stages, inputs)], and at the ends of the steps, those
        before in front [shape=(5 + steps, inputs)]."""
        state, fractions = self._state, self.method.fractions
        given = of_each_input(u, self.system.inputs, self.system.signals, self.system.normalled, state, fractions)
        steps = len(given[0])
        ends = np.empty((INPUTS - 1 + steps, len(given)))
        ends[: INPUTS - 1] = state.inputs
        staged = np.empty((steps, 1 + len(fractions), len(given)))
        for j, one in enumerate(given):
            ends[INPUTS - 1 :, j] = one if one.ndim == 1 else one[:, -1]
            if one.ndim == 2 or len(fractions) == 1:
                staged[:, 1:, j] = one.reshape(steps, len(fractions))
            else:
                places = np.arange(steps)[:, None] + np.arange(INPUTS)
                staged[:, 1:, j] = ends[places, j] @ self.prepared.input_weights.T
        staged[:, 0] = ends[INPUTS - 2 : INPUTS - 2 + steps]
        return staged, ends

    def _failure(self, u: Array) -> ConvergenceError:
        x, system, state = self.all_unknowns, self.system, self._state
        solved = solve_stage(
            system,
            system.c * (self.method.lead * self.rate_hz),
            system.b + system.b_input @ u,
            x,
            np.zeros_like(x),
            port_voltages(system.devices, x),
            state.memory[: self.prepared.remembered],
            self.prepared.tolerance_v,
        )
        name, port = solved.worst_port
        where = (
            f"around {name} (port {port + 1}, last step {solved.worst_step:.3g} V)" if name else "in the linear part"
        )
        return ConvergenceError(
            f"no convergence at {state.time_s:.6f} s {where}",
            advice="try a finer quality or check the values around that part",
        )


def noise_buffers(simulations: Sequence[Simulation]) -> NoiseBuffers | None:
    """What a noisy march of these side by side draws from, from where each of them stands; None without noise."""
    prepared = simulations[0].prepared
    noises = [one.prepared.noise for one in simulations if one.prepared.noise is not None]
    if not noises:
        return None
    inputs, stages = len(prepared.system.inputs), len(prepared.method.fractions)
    return buffers_for(noises, [one.state for one in simulations], prepared.remembered, inputs, stages)


def later(state: State, ends: Array, done: int) -> State:
    """``state``, whose arrays have been moved on by ``done`` steps, with the inputs and the time that belong to them;
    ``ends`` as ``stage_inputs`` gives them."""
    return State(
        x=state.x, past=state.past, ports=state.ports, memory=state.memory,
        inputs=ends[done : done + INPUTS - 1].copy(), steps=state.steps + done, rate_hz=state.rate_hz,
        stream=state.stream,
    )  # fmt: skip
