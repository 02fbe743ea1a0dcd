"""Front door of the engine: a circuit, marched through time block by block."""

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass

import numpy as np

from fetsim.engine.assembly import Array, System, assemble, port_voltages
from fetsim.engine.bias import find_bias
from fetsim.engine.circuit import Circuit
from fetsim.engine.generated import interpreted_solver, is_compiled, solver_for
from fetsim.engine.march import DEEPEST, interpreted_march, is_ready, march
from fetsim.engine.methods import METHODS, RESCUE, Method
from fetsim.engine.numeric import VECTOR
from fetsim.engine.packing import pack_devices, pack_linear
from fetsim.engine.plain import solve_stage
from fetsim.engine.reduction import reduce_resistive
from fetsim.errors import ConvergenceError

MAX_ITERATIONS = 100


def needs_compile(circuit: Circuit) -> bool:
    """Whether simulating this topology would start with a compile (some 10 s, once per machine)."""
    return not (is_ready() and is_compiled(reduce_resistive(assemble(circuit)).system))


@dataclass(frozen=True)
class Effort:
    """What the solver had to do."""

    steps: int
    iterations: int
    most_iterations: int
    """In one stage."""
    subdivided_steps: int

    @property
    def iterations_per_step(self) -> float:
        return self.iterations / max(self.steps, 1)


class Simulation:
    """One circuit in time, at a fixed rate, from rest (or from cold, everything discharged).

    ``recorded`` names the unknowns that ``advance`` returns; ``compiled=False`` runs the generated solver as plain
    Python (no compile, for a few steps).
    """

    def __init__(
        self,
        circuit: Circuit,
        rate_hz: float,
        recorded: Sequence[str],
        *,
        method: str = "bdf4",
        tolerance_v: float = 0.01,
        cold: bool = False,
        bias: Array | None = None,
        compiled: bool = True,
    ) -> None:
        self.system: System = assemble(circuit)
        self.rate_hz = rate_hz
        self.method: Method = METHODS[method]
        self._reduced = reduce_resistive(self.system)
        small = self._reduced.system
        self._compiled = compiled
        self._solver = solver_for(small) if compiled else interpreted_solver(small)
        plan, layout = self._solver.plan, self._solver.layout
        self._order = np.array(plan.order)
        rows = [self.system.index[name] for name in recorded]
        self._wanted = self._reduced.expand[rows][:, self._order]
        self._recorded = np.flatnonzero(np.any(self._wanted != 0.0, axis=0))
        self._rows = rows
        self._lin = pack_linear(small, plan, layout, self.method.lead * rate_hz)
        self._lin_rescue = np.array(
            [pack_linear(small, plan, layout, RESCUE.lead * rate_hz * 2.0**level) for level in range(DEEPEST + 1)]
        )
        self._dev = pack_devices(small.devices, tolerance_v)
        self._tolerance_v = tolerance_v
        state = np.zeros(self.system.size) if cold else (find_bias(self.system) if bias is None else bias)
        self._x = state[self._reduced.kept][self._order].copy()
        self._past = np.zeros((3, small.size))
        self._v = np.array([v for ports in port_voltages(self.system.devices, state) for v in ports])
        self._arg = np.zeros(-(-max(self._solver.junction_count, 1) // VECTOR) * VECTOR)
        self._counts = np.zeros(4, dtype=np.int64)
        self._steps = 0
        self.last_input = 0.0
        if compiled:
            self.advance(np.empty(0))  # compiles the march here, where it must, and not inside the first block

    @property
    def state(self) -> Array:
        """All unknowns now [shape=(n,)], in the order of ``system.unknowns``."""
        x = np.empty_like(self._x)
        x[self._order] = self._x
        return self._full(x)

    @property
    def effort(self) -> Effort:
        """Counters since the start."""
        return Effort(self._steps, int(self._counts[0]), int(self._counts[1]), int(self._counts[2]))

    def branch(self) -> "Simulation":
        """An independent copy at the present instant: the same past, another future."""
        twin = copy(self)
        for name in ("_x", "_past", "_v", "_arg", "_counts"):
            setattr(twin, name, getattr(self, name).copy())
        return twin

    def advance(self, u: Array) -> Array:
        """March over the inputs ``u`` and return the recorded unknowns [shape=(steps, recorded)].

        ``u`` has shape (steps,) for a multistep method, the input at the end of each step; for a one-step method
        (steps, stages), the input at each stage (``method.fractions`` of the step). Raises ConvergenceError with
        the time and the part when a step has no solution.
        """
        steps = len(u)
        record = np.empty((steps, len(self._recorded)))
        method = self.method
        stages = u.reshape(steps, len(method.fractions))
        before = np.concatenate(([self.last_input], stages[:-1, -1]))[:steps]
        inputs = np.column_stack((before, stages))
        advance = march if self._compiled else interpreted_march()
        done = advance(
            self._solver.stage,
            self._lin,
            self._lin_rescue,
            self._dev,
            np.array(method.past) / method.lead,
            method.weights / method.lead,
            method.fractions,
            RESCUE.weights / RESCUE.lead,
            RESCUE.fractions,
            inputs,
            self._x,
            self._past,
            self._v,
            self._arg,
            self._tolerance_v,
            MAX_ITERATIONS,
            self._recorded,
            record,
            self._counts,
        )
        if done < steps:
            raise self._failure(done, float(np.ravel(u[done])[-1]))
        self._steps += steps
        self.last_input = float(np.ravel(u)[-1]) if steps else self.last_input
        return self._rebuilt(record, inputs)

    def _full(self, x: Array) -> Array:
        return self._reduced.expand @ x + self._reduced.constant + self._reduced.per_input * self.last_input

    def _rebuilt(self, record: Array, inputs: Array) -> Array:
        """Recorded unknowns in the order asked for, those taken out by the reduction among them."""
        levels = np.empty((len(record), len(self._rows)))
        for k, row in enumerate(self._rows):  # one to three terms each: cheaper than a matrix product
            levels[:, k] = self._reduced.constant[row]
            for j, weight in enumerate(self._wanted[k, self._recorded]):
                if weight != 0.0:
                    levels[:, k] += weight * record[:, j]
        per_input = self._reduced.per_input[self._rows]
        if np.any(per_input):
            levels += np.outer(inputs[:, -1], per_input)
        return levels

    def _failure(self, done: int, u: float) -> ConvergenceError:
        x = self.state
        matrix = self.system.c * (self.method.lead * self.rate_hz)
        solved = solve_stage(
            self.system,
            matrix,
            self.system.b + self.system.b_input * u,
            x,
            np.zeros_like(x),
            port_voltages(self.system.devices, x),
            self._tolerance_v,
        )
        name, port = solved.worst_port
        where = (
            f"around {name} (port {port + 1}, last step {solved.worst_step:.3g} V)" if name else "in the linear part"
        )
        return ConvergenceError(
            f"no convergence at {(self._steps + done) / self.rate_hz:.6f} s {where}; "
            "try a finer quality or check the values around that part"
        )
