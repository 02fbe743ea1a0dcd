"""The loop over time steps, the same for every method and topology: the generated ``stage`` comes in as a function.

Ordinary Python here, to go with an interpreted stage; ``compiled_march`` is the same text compiled, kept in the user's
cache. What does not change (``Values``, ``Tableau``), what does (``Moving``) and what is only workspace (``Scratch``)
come in as records of arrays; taking them apart costs some microseconds a call, nothing beside the thousands of steps
of a block.
"""

from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from fetsim.engine.compiler import CACHED, compiled_module, is_ready

Array = NDArray[np.float64]

DEEPEST = 14
"""A step is subdivided down to h / 2^14 before the solver gives up (0.2 ns at 288 kHz)."""

COMPILE_S = 9.0
"""Processor time of a compile of the march, 8.7 s on a busy server."""


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


class Scratch(NamedTuple):
    """Workspace of whoever marches; nothing in it outlives a call but the counts."""

    arg: Array
    """Arguments of the exponentials [a multiple of ``numeric.VECTOR``]."""
    counts: NDArray[np.int64]
    """Newton iterations, most in one stage, subdivided steps, rescue stages."""


def rescue_step(stage, values, tableau, moving, scratch, u_start, u_end, d) -> bool:  # type: ignore[no-untyped-def]
    """One step of the caller, cut into pieces as small as they need be; leaves the sum of increments in ``d``.

    The input runs on a straight line from ``u_start`` to ``u_end``. Without a solution the unknowns are as before.
    """
    x, v, counts = moving.x, moving.ports, scratch.counts
    weights, fractions = tableau.weights, tableau.fractions
    n = x.shape[0]
    whole = 1 << DEEPEST
    stages = fractions.shape[0]
    start = x.copy()
    kept = v.copy()
    increments = np.zeros((stages, n))
    s = np.zeros(n)
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
            u = u_start + (u_end - u_start) * ((position + fractions[i] * size) / whole)
            lin = values.lin_rescue[level]
            used = stage(
                lin, values.dev, x, s, increments[i], v, scratch.arg, u, values.tolerance_v, values.max_iterations
            )
            counts[3] += 1
            if used < 0:
                ok = False
                break
            counts[0] += used
        if ok:
            for j in range(n):
                x[j] += increments[stages - 1, j]
            kept[:] = v
            position += size
            if level > 1 and position % (whole >> (level - 1)) == 0:
                level -= 1
        else:
            v[:] = kept
            level += 1
            if level > DEEPEST:
                x[:] = start
                return False
    for j in range(n):
        d[j] = x[j] - start[j]
        x[j] = start[j]
    return True


def march(stage, values, tableau, rescue, moving, scratch, u, recorded, record) -> int:  # type: ignore[no-untyped-def]
    """March over ``u`` [shape=(steps, stages + 1)], the input before and at each stage of a step.

    Fills ``record`` [shape=(steps, len(recorded))] and returns the steps done: fewer when one found no solution; the
    state is then that of the last step done.
    """
    x, past, v, counts = moving.x, moving.past, moving.ports, scratch.counts
    past_weights, weights, fractions = tableau.past, tableau.weights, tableau.fractions
    n = x.shape[0]
    stages = fractions.shape[0]
    increments = np.zeros((stages, n))
    s = np.zeros(n)
    kept = v.copy()
    for step in range(u.shape[0]):
        kept[:] = v
        ok = True
        for i in range(stages):
            for j in range(n):
                s[j] = past_weights[0] * past[0, j] + past_weights[1] * past[1, j] + past_weights[2] * past[2, j]
                if i == 0:  # the parabola through the last three states
                    bend = 0.5 * (fractions[0] + 1.0) * (past[0, j] - past[1, j])
                    increments[0, j] = fractions[0] * (past[0, j] + bend)
                else:
                    for k in range(i):
                        s[j] += weights[i, k] * increments[k, j]
                    increments[i, j] = increments[i - 1, j] * fractions[i] / fractions[i - 1]
            used = stage(
                values.lin, values.dev, x, s, increments[i], v, scratch.arg, u[step, i + 1],
                values.tolerance_v, values.max_iterations,
            )  # fmt: skip
            if used < 0:
                ok = False
                break
            counts[0] += used
            counts[1] = max(counts[1], used)
        d = increments[stages - 1]
        if not ok:
            v[:] = kept
            counts[2] += 1
            if not rescue_step(stage, values, rescue, moving, scratch, u[step, 0], u[step, stages], d):
                v[:] = kept
                return step
        for j in range(n):
            past[2, j] = past[1, j]
            past[1, j] = past[0, j]
            past[0, j] = d[j]
            x[j] += d[j]
        for j in range(recorded.shape[0]):
            record[step, j] = x[recorded[j]]
    return u.shape[0]


def compiled_march(warm: Callable[[Any], object]) -> Any:
    """The march as machine code; ``warm`` calls it once, so that it is compiled now."""
    return compiled_module(_text(), lambda module: warm(module.march)).march


def compile_s() -> float:
    """Estimate of the time that compiling the march will take; 0 where its machine code lies ready."""
    return 0.0 if is_ready(_text()) else COMPILE_S


@cache
def _text() -> str:
    options = f'{{{CACHED}, "nogil": True, "error_model": "numpy", "fastmath": {{"contract"}}}}'
    compiles = "".join(f"{f.__name__} = njit(**options)({f.__name__})\n" for f in (rescue_step, march))
    return f"{Path(__file__).read_text('utf-8')}\n\nfrom numba import njit\n\noptions = {options}\n{compiles}"
