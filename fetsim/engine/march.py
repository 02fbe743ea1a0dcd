"""The loop over time steps, the same for every method and topology: the generated ``stage`` comes in as a function.

Compiled at first use and kept in numba's cache.

State arrays, in order of elimination: ``x`` (n,), ``past`` (3, n) increments of the last three steps (the latest
first), ``v`` (ports,) accepted port voltages. ``counts``: Newton iterations, most in a step, subdivided steps, rescue
stages. ``lin_rescue`` (levels, len(lin)): level k serves the rescue method at step h / 2^k.
"""

from collections.abc import Callable
from pathlib import Path
from types import FunctionType
from typing import Any

import numpy as np
from numba import njit

_OPTIONS: Any = {"cache": True, "nogil": True, "error_model": "numpy", "fastmath": {"contract"}}

DEEPEST = 14
"""A step is subdivided down to h / 2^14 before the solver gives up (0.2 ns at 288 kHz)."""


@njit(**_OPTIONS)  # type: ignore[untyped-decorator]
def rescue_step(  # type: ignore[no-untyped-def]
    stage,
    lin_rescue,
    dev,
    x,
    v,
    u_start,
    u_end,
    weights,
    fractions,
    d,
    arg,
    tolerance,
    max_iterations,
    counts,
) -> bool:
    """One step of the caller, cut into pieces as small as they need be; leaves the sum of increments in ``d``."""
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
            used = stage(lin_rescue[level], dev, x, s, increments[i], v, arg, u, tolerance, max_iterations)
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


@njit(**_OPTIONS)  # type: ignore[untyped-decorator]
def march(  # type: ignore[no-untyped-def]
    stage,
    lin,
    lin_rescue,
    dev,
    past_weights,
    weights,
    fractions,
    rescue_weights,
    rescue_fractions,
    u,
    x,
    past,
    v,
    arg,
    tolerance,
    max_iterations,
    recorded,
    record,
    counts,
) -> int:
    """March over ``u`` [shape=(steps, stages + 1)], the input before and at each stage of a step.

    Fills ``record`` [shape=(steps, len(recorded))] and returns the steps done: fewer when one found no solution.
    """
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
            used = stage(lin, dev, x, s, increments[i], v, arg, u[step, i + 1], tolerance, max_iterations)
            if used < 0:
                ok = False
                break
            counts[0] += used
            counts[1] = max(counts[1], used)
        d = increments[stages - 1]
        if not ok:
            v[:] = kept
            counts[2] += 1
            if not rescue_step(
                stage,
                lin_rescue,
                dev,
                x,
                v,
                u[step, 0],
                u[step, stages],
                rescue_weights,
                rescue_fractions,
                d,
                arg,
                tolerance,
                max_iterations,
                counts,
            ):
                return step
        for j in range(n):
            past[2, j] = past[1, j]
            past[1, j] = past[0, j]
            past[0, j] = d[j]
            x[j] += d[j]
        for j in range(recorded.shape[0]):
            record[step, j] = x[recorded[j]]
    return u.shape[0]


def interpreted_march() -> Callable[..., int]:
    """The march as plain Python, to go with an interpreted stage."""
    return FunctionType(march.py_func.__code__, {**globals(), "rescue_step": rescue_step.py_func})


def is_ready() -> bool:
    """Whether numba has machine code of the march in its cache."""
    return any(Path(march.stats.cache_path).glob(f"march.{march.__name__}-*.nbi"))
