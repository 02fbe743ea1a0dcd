"""The loops over time steps, the same for every topology: the generated ``stage`` comes in as a function.

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
def march_multistep(  # type: ignore[no-untyped-def]
    stage,
    lin,
    lin_rescue,
    dev,
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
    """Steps of a multistep method; ``u[0]`` is the input before the first step. Returns steps done."""
    n = x.shape[0]
    s = np.zeros(n)
    d = np.zeros(n)
    kept = v.copy()
    for step in range(u.shape[0] - 1):
        for j in range(n):
            s[j] = weights[0] * past[0, j] + weights[1] * past[1, j] + weights[2] * past[2, j]
            d[j] = 2.0 * past[0, j] - past[1, j]
        kept[:] = v
        used = stage(lin, dev, x, s, d, v, arg, u[step + 1], tolerance, max_iterations)
        if used < 0:
            v[:] = kept
            counts[2] += 1
            if not rescue_step(
                stage,
                lin_rescue,
                dev,
                x,
                v,
                u[step],
                u[step + 1],
                rescue_weights,
                rescue_fractions,
                d,
                arg,
                tolerance,
                max_iterations,
                counts,
            ):
                return step
        else:
            counts[0] += used
            counts[1] = max(counts[1], used)
        for j in range(n):
            past[2, j] = past[1, j]
            past[1, j] = past[0, j]
            past[0, j] = d[j]
            x[j] += d[j]
        for j in range(recorded.shape[0]):
            record[step, j] = x[recorded[j]]
    return u.shape[0] - 1


@njit(**_OPTIONS)  # type: ignore[untyped-decorator]
def march_onestep(  # type: ignore[no-untyped-def]
    stage,
    lin,
    lin_rescue,
    dev,
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
    """Steps of a one-step method; ``u`` [shape=(steps, stages + 1)] holds the input before and at each stage."""
    n = x.shape[0]
    stages = weights.shape[0]
    increments = np.zeros((stages, n))
    s = np.zeros(n)
    kept = v.copy()
    for step in range(u.shape[0]):
        kept[:] = v
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
                    increments[i, j] = past[0, j] * fractions[i]
            used = stage(lin, dev, x, s, increments[i], v, arg, u[step, i + 1], tolerance, max_iterations)
            if used < 0:
                ok = False
                break
            counts[0] += used
            counts[1] = max(counts[1], used)
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
                increments[stages - 1],
                arg,
                tolerance,
                max_iterations,
                counts,
            ):
                return step
        for j in range(n):
            past[2, j] = past[1, j]
            past[1, j] = past[0, j]
            past[0, j] = increments[stages - 1, j]
            x[j] += increments[stages - 1, j]
        for j in range(recorded.shape[0]):
            record[step, j] = x[recorded[j]]
    return u.shape[0]


def interpreted(march: Any) -> Callable[..., int]:
    """One of the marches above as plain Python, to go with an interpreted stage."""
    return FunctionType(march.py_func.__code__, {**globals(), "rescue_step": rescue_step.py_func})


def is_ready(march: Any) -> bool:
    """Whether numba has machine code of one of the marches above in its cache."""
    return any(Path(march.stats.cache_path).glob(f"march.{march.__name__}-*.nbi"))
