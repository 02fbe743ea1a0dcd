"""The loop over time steps, the same for every method and topology, for one circuit or several side by side: the
generated ``stage`` and ``accept`` come in as functions.

Ordinary Python here, to go with an interpreted solver; ``compiled_march`` is the same text compiled, kept in the user's
cache. What does not change (``Values``, ``Tableau``), what does (``Moving``) and what is only workspace (``Scratch``)
come in as records of arrays; taking them apart costs some microseconds a call, nothing beside the thousands of steps
of a block. With lanes every array has one more axis, the last, and the step reads them as arrays of ``Lanes``; where a
lane finds no solution, it alone is taken out, and mended by the solver of a single circuit.
"""

from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from fetsim.engine.compiler import CACHED, compiled_module, engine_digest
from fetsim.engine.compiler import is_ready as module_is_ready
from fetsim.engine.lanes import all_lanes, any_lane, borrowed, lane_view
from fetsim.engine.noisy import noisy_text

Array = NDArray[np.float64]

DEEPEST = 14
"""A step is subdivided down to h / 2^14 before the solver gives up (0.2 ns at 288 kHz)."""

COMPILE_S = 6.0
"""Processor time of a compile of the march, 5.8 and 6.1 s on a busy server; 12 s for lanes."""



class Functions(NamedTuple):
    """What is generated for a topology."""

    stage: Any
    """Function of ``emit.STAGE_ARGUMENTS``: fills the increment; returns the iterations, or -1 when any lane found no
    solution."""
    accept: Any
    """Function of ``dev``, the memory and the port voltages: an accepted step is written into the memory. Once more at
    the same port voltages it changes nothing, so that a lane which was mended piece by piece may be accepted with the
    others."""
    strengths: Any = None
    """Of a noisy march: function of ``noise_text.STRENGTHS_ARGUMENTS``, which asks the devices how strong noise is,"""
    rows: Any = None
    """and of ``noise_text.ROWS_ARGUMENTS``, which adds up what each noisy row gets."""


class Values(NamedTuple):
    """One circuit's numbers at one step size, as ``packing`` lays them out; never written to."""

    lin: Array
    """Linear part for the method [shape=(len(layout.slots),)]."""
    lin_rescue: Array
    """The same for the rescue method; row k at step h / 2^k [shape=(DEEPEST + 1, len(layout.slots))]."""
    dev: Array
    """Parameters, limits and tolerances of the devices, flat."""
    tolerance_v: float
    """Largest last Newton step on a conducting junction."""
    max_iterations: int
    """In one stage."""


class Tableau(NamedTuple):
    """A method's coefficients, divided by its leading one (``methods.py``)."""

    past: Array
    """Weights of the last three increments, the latest first [shape=(3,)]."""
    weights: Array
    """Weights of the earlier stages of the same step [shape=(stages, stages)]."""
    fractions: Array
    """Instants of the stages as fractions of the step [shape=(stages,)]."""


class Moving(NamedTuple):
    """What a step changes, in order of elimination; a view of a ``State``."""

    x: Array
    """Unknowns [shape=(n,)]."""
    past: Array
    """Increments of the last three steps, the latest first [shape=(3, n)]."""
    ports: Array
    """Accepted port voltages [shape=(ports,)]."""
    memory: Array
    """What the devices remember; only ``accept`` writes it [shape=(numbers,)]."""


class Scratch(NamedTuple):
    """Workspace of whoever marches; nothing in it outlives a call but the counts."""

    arg: Array
    """Arguments of the exponentials [a multiple of ``numeric.VECTOR``]."""
    increments: Array
    """Of each stage of a step [shape=(stages, n)]; there are as many rows as any method has stages."""
    s: Array
    """Weighted past increments [shape=(n,)]."""
    kept: Array
    """Accepted port voltages before the step [shape=(ports,)]."""
    failed: Array
    """1 where a stage found no solution, else 0 [shape=(1,)], and where any stage of the step did [shape=(2,)]."""
    counts: NDArray[np.int64]
    """Newton iterations, most in one stage, subdivided steps, rescue stages."""


class Pack(NamedTuple):
    """What single circuits in the lanes are mended with: the same arrays as numbers, and a lane's own."""

    functions: Functions
    """Of a single circuit."""
    rescue: Array
    """``lin_rescue`` of each lane [shape=(lanes, levels, len(layout.slots))]."""
    values: Values
    moving: Moving
    scratch: Scratch
    u: Array
    """As the march takes it [shape=(steps, stages + 1, inputs, lanes)]."""
    arg: Array
    """Exponentials of a single circuit."""
    ends: Moving
    """State of each lane that was given up, at its last good step."""
    driven: Array
    """Of a noisy march: its ``driven``, as numbers; else empty."""
    given_up: NDArray[np.int64]
    """Step at which each lane was given up, -1 for those that go on [shape=(lanes,)]."""


def put(to, values) -> None:  # type: ignore[no-untyped-def]
    """``to[:] = values`` of one length, in a loop: numba spends seconds on compiling what could be said otherwise."""
    for j in range(to.shape[0]):
        to[j] = values[j]


def rescue_step(  # type: ignore[no-untyped-def]
    functions, lin_rescue, dev, tolerance_v, max_iterations, tableau, x, v, memory, arg, counts, u_start, u_end, d
) -> bool:
    """One step of a single circuit, cut into pieces as small as they need be; leaves the sum of increments in ``d``.

    The inputs run on straight lines from ``u_start`` to ``u_end`` [shape=(inputs,)]; each piece that is solved is
    accepted into the memory. Without a solution unknowns and memory are as before.
    """
    weights, fractions = tableau.weights, tableau.fractions
    n = x.shape[0]
    whole = 1 << DEEPEST
    stages = fractions.shape[0]
    start, remembered = x.copy(), memory.copy()
    kept = v.copy()
    failed = np.zeros(1)
    increments = np.zeros((stages, n))
    s = np.zeros(n)
    u = np.zeros(u_start.shape[0])
    position, level = 0, 2
    while position < whole:
        size = whole >> level
        ok = True
        for i in range(stages):
            for j in range(n):
                total = 0.0
                for k in range(i):
                    total += weights[i, k] * increments[k, j]
                s[j] = total
                if i > 0:
                    increments[i, j] = increments[i - 1, j] * fractions[i] / fractions[i - 1]
                else:
                    increments[i, j] = 0.0
            for k in range(u.shape[0]):
                u[k] = u_start[k] + (u_end[k] - u_start[k]) * ((position + fractions[i] * size) / whole)
            used = functions.stage(
                lin_rescue[level], dev, memory, x, s, increments[i], v, arg, failed, u, tolerance_v, max_iterations
            )
            counts[3] += 1
            if used < 0:
                ok = False
                break
            counts[0] += used
        if ok:
            for j in range(n):
                x[j] += increments[stages - 1, j]
            put(kept, v)
            if memory.shape[0] > 0:
                functions.accept(dev, memory, v)
            position += size
            if level > 1 and position % (whole >> (level - 1)) == 0:
                level -= 1
        else:
            put(v, kept)
            level += 1
            if level > DEEPEST:
                put(x, start)
                put(memory, remembered)
                return False
    for j in range(n):
        d[j] = x[j] - start[j]
        x[j] = start[j]
    return True


def mend_one(functions, values, rescue, moving, scratch, inputs, step, pack) -> bool:  # type: ignore[no-untyped-def]
    """A step in which the method found no solution, subdivided; False when that finds none either."""
    put(moving.ports, scratch.kept)
    scratch.counts[2] += 1
    ok = rescue_step(
        functions, values.lin_rescue, values.dev, values.tolerance_v, values.max_iterations, rescue, moving.x,
        moving.ports, moving.memory, scratch.arg, scratch.counts, inputs[0], inputs[inputs.shape[0] - 1],
        scratch.increments[inputs.shape[0] - 2],
    )  # fmt: skip
    if not ok:
        put(moving.ports, scratch.kept)
    return ok


def mend_lanes(functions, values, rescue, moving, scratch, inputs, step, pack) -> bool:  # type: ignore[no-untyped-def]
    """Such a step of several circuits: each lane that failed is subdivided alone, the others keep theirs.

    A lane that cannot be mended is given up: its state is put aside, and from then on it does over what another lane
    does. False when none is left.
    """
    x, past, ports, memory = pack.moving.x, pack.moving.past, pack.moving.ports, pack.moving.memory
    kept, failed, counts = pack.scratch.kept, pack.scratch.failed, pack.scratch.counts
    lin, dev, u, given_up = pack.values.lin, pack.values.dev, pack.u, pack.given_up
    numbers = inputs_of(pack, u, step)  # type: ignore[no-untyped-call]
    last = numbers.shape[0] - 1
    d = pack.scratch.increments[last - 1]
    lanes = given_up.shape[0]
    own_d = np.zeros(x.shape[0])
    for lane in range(lanes):
        if failed[1, lane] == 0.0 or given_up[lane] >= 0:
            continue
        counts[2] += 1
        own_v, own_memory = kept[:, lane].copy(), memory[:, lane].copy()
        ok = rescue_step(
            pack.functions, pack.rescue[lane], dev[:, lane].copy(), values.tolerance_v, values.max_iterations, rescue,
            x[:, lane].copy(), own_v, own_memory, pack.arg, counts, numbers[0, :, lane].copy(),
            numbers[last, :, lane].copy(), own_d,
        )  # fmt: skip
        if ok:
            put(d[:, lane], own_d)
            put(ports[:, lane], own_v)
            put(memory[:, lane], own_memory)
        else:
            given_up[lane] = step
            put(pack.ends.x[:, lane], x[:, lane])
            for k in range(past.shape[0]):
                put(pack.ends.past[k, :, lane], past[k, :, lane])
            put(pack.ends.ports[:, lane], kept[:, lane])
            put(pack.ends.memory[:, lane], memory[:, lane])
    well = -1
    for lane in range(lanes):
        if given_up[lane] < 0:
            well = lane
    if well < 0:
        return False
    for lane in range(lanes):
        if given_up[lane] >= 0:
            for array in (lin, dev, x, ports, memory, d):
                put(array[:, lane], array[:, well])
            for k in range(past.shape[0]):
                put(past[k, :, lane], past[k, :, well])
            for i in range(u.shape[0]):
                for k in range(u.shape[1]):
                    put(u[i, k, :, lane], u[i, k, :, well])
    return True


mend: Callable[..., bool] = mend_one  # in the compiled march of several lanes: ``mend_lanes``


def inputs_of(noise, u, step):  # type: ignore[no-untyped-def]
    """Inputs before and at each stage of a step [shape=(stages + 1, inputs)]; in a noisy march ``noisy.driven_of``."""
    return u[step]


def viewed(noise):  # type: ignore[no-untyped-def]
    """Nothing; in a noisy march of several lanes ``noisy.viewed_in_lanes``."""
    return noise


def march(functions, values, tableau, rescue, moving, scratch, noise, u, recorded, record, pack) -> int:  # type: ignore[no-untyped-def]
    """March over ``u`` [shape=(steps, stages + 1, inputs)], the inputs before and at each stage of a step.

    ``noise`` is None; the text of a noisy march, which has its ``NoiseBuffers``, is made of this one (``noisy``).
    Fills ``record`` [shape=(len(recorded), steps)] and returns the steps done: fewer when one found no solution; the
    state is then that of the last step done.
    """
    x, past, v, memory, counts = moving.x, moving.past, moving.ports, moving.memory, scratch.counts
    weights, fractions = tableau.weights, tableau.fractions
    increments, s, kept, failed = borrowed(scratch.increments), scratch.s, scratch.kept, scratch.failed
    u = borrowed(u)
    n = x.shape[0]
    stages = fractions.shape[0]
    first, of_bend = fractions[0], 0.5 * (fractions[0] + 1.0)
    weight_1, weight_2, weight_3 = tableau.past[0], tableau.past[1], tableau.past[2]
    for step in range(u.shape[0]):
        for j in range(v.shape[0]):
            kept[j] = v[j]
        failed[1] = 0.0
        for i in range(stages):
            for j in range(n):
                s[j] = weight_1 * past[0, j] + weight_2 * past[1, j] + weight_3 * past[2, j]
                if i == 0:  # the parabola through the last three states
                    increments[0, j] = first * (past[0, j] + of_bend * (past[0, j] - past[1, j]))
                else:
                    for k in range(i):
                        s[j] += weights[i, k] * increments[k, j]
                    increments[i, j] = increments[i - 1, j] * fractions[i] / fractions[i - 1]
            used = functions.stage(
                values.lin, values.dev, memory, x, s, increments[i], v, scratch.arg, failed, u[step, i + 1],
                values.tolerance_v, values.max_iterations,
            )  # fmt: skip
            if used < 0:
                failed[1] = max(failed[1], failed[0])
                if all_lanes(failed[1] > 0.0):
                    break
            else:
                counts[0] += used
                counts[1] = max(counts[1], used)
        if any_lane(failed[1] > 0.0):
            inputs = inputs_of(noise, u, step)  # type: ignore[no-untyped-call]
            if not mend(functions, values, rescue, moving, scratch, inputs, step, pack):
                return step
        for j in range(n):
            past[2, j] = past[1, j]
            past[1, j] = past[0, j]
            past[0, j] = increments[stages - 1, j]
            x[j] = x[j] + increments[stages - 1, j]
        if memory.shape[0] > 0:
            functions.accept(values.dev, memory, v)
        for j in range(recorded.shape[0]):
            record[j, step] = x[recorded[j]]
    return u.shape[0]


def march_lanes(functions, values, tableau, rescue, moving, scratch, noise, u, recorded, record, pack) -> int:  # type: ignore[no-untyped-def]
    """``march`` over arrays whose last axis is the lane."""
    return march(
        functions,
        Values(lane_view(values.lin), lane_view(values.lin), lane_view(values.dev), values.tolerance_v,
               values.max_iterations),
        tableau, rescue,
        Moving(lane_view(moving.x), lane_view(moving.past), lane_view(moving.ports), lane_view(moving.memory)),
        Scratch(lane_view(scratch.arg), lane_view(scratch.increments), lane_view(scratch.s), lane_view(scratch.kept),
                lane_view(scratch.failed), scratch.counts),
        viewed(noise),  # type: ignore[no-untyped-call]
        lane_view(u), recorded, lane_view(record), pack,
    )  # fmt: skip


def compiled_march(warm: Callable[[Any], object], lanes: int = 1, *, noisy: bool = False) -> Any:
    """The march as machine code; ``warm`` calls it once, so that it is compiled now. Safe on any thread."""
    if (lanes, noisy) not in _compiled:
        name = "march" if lanes == 1 else "march_lanes"
        module = compiled_module(_text(lanes, noisy), lambda module: warm(getattr(module, name)))
        # numba works out the types of all arguments at every call, which takes 0.2 ms, in lanes 1.5 ms. They are always
        # the same (float64 in C order), so what is compiled for them is called without asking
        (for_our_types,) = getattr(module, name).overloads.values()
        _compiled[lanes, noisy] = for_our_types.entry_point
    return _compiled[lanes, noisy]


_compiled: dict[tuple[int, bool], Any] = {}


def compile_s(lanes: int = 1, *, noisy: bool = False) -> float:
    """Estimate of the time that compiling the march will take; 0 where its machine code lies ready."""
    return 0.0 if is_ready(lanes, noisy=noisy) else COMPILE_S


def is_ready(lanes: int = 1, *, noisy: bool = False) -> bool:
    """Whether the machine code of the march lies ready."""
    return module_is_ready(_text(lanes, noisy))


@cache
def _text(lanes: int, noisy: bool) -> str:
    mends, marches = ("mend_one", ["march"]) if lanes == 1 else ("mend_lanes", ["march", "march_lanes"])
    inner = ["put", "rescue_step", "inputs_of", "viewed", mends, *marches[:-1]]
    compiles = [f"{name} = njit(**inner)({name})" for name in inner]
    compiles.insert(inner.index(mends) + 1, f"mend = {mends}")
    compiles.append(f"{marches[-1]} = njit(**options)({marches[-1]})")
    own = (Path(__file__).read_text("utf-8"), f"# {engine_digest('lanes')}", "from numba import njit", _OPTIONS)
    return "\n\n".join((*own, noisy_text(march, lanes) if noisy else "", "\n".join(compiles), ""))


_OPTIONS = f"""options = {{{CACHED}, "nogil": True, "error_model": "numpy", "fastmath": {{"contract"}}}}
inner = options | {{"no_cpython_wrapper": True, "no_cfunc_wrapper": True}}  # never called from Python
"""
