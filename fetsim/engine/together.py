"""Several marches side by side in the lanes of one processor core: one topology, method, rate and tolerance, each with
its own values, state and input.

Four lanes take little more time than one circuit alone. A march comes out the same whatever its neighbours are and
however many there are; the block is packed, marched and unpacked here, and ``Simulation`` stays the keeper of state.
"""

import logging
from collections.abc import Callable, Sequence
from functools import lru_cache

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.engine.draws import BLOCK
from fetsim.engine.generated import Solver, is_compiled, solver_for
from fetsim.engine.inputs import Drive
from fetsim.engine.lanes import WIDTH, lanes_empty, lanes_stack, lanes_zeros
from fetsim.engine.march import Moving, Pack, Scratch, Values, compiled_march
from fetsim.engine.march import is_ready as march_is_ready
from fetsim.engine.prepared import Prepared
from fetsim.engine.simulation import Marched, Simulation, later, noise_buffers
from fetsim.engine.state import State

log = logging.getLogger("fetsim")


def march_together(
    simulations: Sequence[Simulation], inputs: Sequence[Drive], stops: Sequence[Sequence[int]] = ()
) -> list[Marched]:
    """March each simulation over its own inputs (as ``Simulation.march`` takes them, all of one length) and say what
    each brought out, with its states after the numbers of steps in its own ``stops`` where they are given.

    The simulations are of one topology, method, rate and tolerance (``can_march_together``). One that finds no solution
    stops at its last good step, the others go on. Even a single one marches in lanes here, so that it comes out as it
    would among others.
    """
    found: list[Marched] = []
    for first in range(0, len(simulations), WIDTH):
        pack = slice(first, first + WIDTH)
        found += _march_pack(simulations[pack], inputs[pack], stops[pack] or [()] * len(simulations[pack]))
    return found


def can_march_together(a: Simulation, b: Simulation) -> bool:
    """Whether both fit into the lanes of one march; noisy ones are to be at one step of their blocks, too."""
    one, other = a.prepared, b.prepared
    return (
        one.compiled and other.compiled and one.solver is other.solver and one.method == other.method
        and one.rate_hz == other.rate_hz and one.tolerance_v == other.tolerance_v
        and (one.noise is None or (a.steps - b.steps) % BLOCK == 0)
    )  # fmt: skip


def lanes_ready(prepared: Prepared) -> bool:
    """Whether the solver of several lanes lies ready for this topology; looked up once in a process."""
    solver = prepared.solver
    if solver not in _of_lanes:
        small, noise = prepared.reduced.system, prepared.noise_shape
        ready = march_is_ready(WIDTH, noisy=noise is not None) and is_compiled(small, WIDTH, noise)
        _of_lanes[solver] = solver_for(small, WIDTH, noise) if ready else None
    return _of_lanes[solver] is not None


_of_lanes: dict[Solver, Solver | None] = {}
"""Solver of a single circuit -> that of several lanes, or None while it lies not ready."""


def _lanes_solver(prepared: Prepared) -> Solver:
    if not lanes_ready(prepared):
        log.info("compiling the solver once more, for %d circuits side by side; once per machine", WIDTH)
        _of_lanes[prepared.solver] = solver_for(prepared.reduced.system, WIDTH, prepared.noise_shape)
    found = _of_lanes[prepared.solver]
    assert found is not None
    return found


def _march_pack(
    simulations: Sequence[Simulation], inputs: Sequence[Drive], stops: Sequence[Sequence[int]]
) -> list[Marched]:
    marching = [*simulations, *[simulations[-1]] * (WIDTH - len(simulations))]  # spare lanes do over the last one's
    prepared = marching[0].prepared
    solver = _lanes_solver(prepared)
    staged = [s.stage_inputs(inputs[min(lane, len(inputs) - 1)]) for lane, s in enumerate(marching)]
    states = [s.state for s in marching]
    packed, rescue = _values(tuple(s.prepared for s in marching))
    u = lanes_stack([within for within, _ in staged])
    columns = np.unique(np.concatenate([s.recorder.columns for s in simulations]))
    moving = Moving(*(lanes_stack([getattr(state, name) for state in states]) for name in Moving._fields))
    n, stages = len(moving.x), u.shape[1] - 1
    scratch = Scratch(
        arg=lanes_zeros((max(solver.junction_count, 1),)), increments=lanes_zeros((stages, n)), s=lanes_zeros((n,)),
        kept=lanes_zeros(moving.ports.shape[:1]), failed=lanes_zeros((2,)),
        counts=np.zeros(4, dtype=np.int64),
    )  # fmt: skip
    noise = noise_buffers(marching)
    pack = Pack(
        functions=prepared.solver.functions, rescue=rescue, values=packed, moving=moving,
        scratch=scratch, u=u[:0], arg=prepared.scratch().arg, ends=Moving(*(np.zeros_like(a) for a in moving)),
        driven=np.empty((0, 0, WIDTH)) if noise is None else noise.driven, given_up=np.full(WIDTH, -1),
    )  # fmt: skip

    def run(march: Callable[..., int], u: Array) -> Array:
        record = lanes_empty((len(columns), len(u)))
        march(
            solver.functions, packed, prepared.tableau, prepared.rescue_tableau, moving, scratch, noise, u, columns,
            record, pack._replace(u=u),
        )  # fmt: skip
        return record

    def state_of(lane: int, moving: Moving) -> State:
        before = states[lane]
        return State(
            x=moving.x[:, lane].copy(), past=moving.past[..., lane].copy(), ports=moving.ports[:, lane].copy(),
            memory=moving.memory[:, lane].copy(), inputs=before.inputs, steps=before.steps, rate_hz=before.rate_hz,
            stream=before.stream,
        )  # fmt: skip

    march = compiled_march(lambda march: run(march, u[:0]), WIDTH, noisy=noise is not None)
    records: list[Array] = []
    on_the_way: list[list[State]] = [[] for _ in simulations]
    start, given_up = 0, pack.given_up
    for stop in sorted({len(u)}.union(*stops)):
        going = given_up < 0
        records.append(run(march, u[start:stop]))
        given_up[going & (given_up >= 0)] += start
        for lane, its in enumerate(stops):
            if stop in its and given_up[lane] < 0:
                on_the_way[lane].append(later(state_of(lane, moving), staged[lane][1], stop))
        start = stop
    by_lane = np.concatenate([np.moveaxis(record, -1, 0) for record in records], axis=-1)
    found = []
    for lane, simulation in enumerate(simulations):
        stopped = int(given_up[lane])
        end = state_of(lane, moving if stopped < 0 else pack.ends)
        own = by_lane[lane]
        if len(simulation.recorder.columns) < len(columns):
            own = own[np.searchsorted(columns, simulation.recorder.columns)]
        kept = own[:, : len(u) if stopped < 0 else stopped].T
        found.append(simulation.arrive(end, *staged[lane], kept, scratch.counts, tuple(on_the_way[lane])))
    return found


def _values(circuits: tuple[Prepared, ...]) -> tuple[Values, Array]:
    """Values side by side, of which linear part and devices belong to the caller, and those of the rescue."""
    values = [one.values for one in circuits]
    lin, dev = lanes_stack([v.lin for v in values]), lanes_stack([v.dev for v in values])
    return Values(lin, np.empty(0), dev, values[0].tolerance_v, values[0].max_iterations), _of_rescue(circuits)


@lru_cache(maxsize=64)
def _of_rescue(circuits: tuple[Prepared, ...]) -> Array:
    return np.array([one.values.lin_rescue for one in circuits])
