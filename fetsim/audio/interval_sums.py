"""What a block of internal steps leaves for the log, gathered in one compiled pass: every step is looked at once, in
stretches that stay in the processor's cache, and nothing of the length of a block is written.

The channel's conductance is the law of its kind in ``devices``, what it takes is told by ``rig.gain_cell``: their
source is compiled here, as laws are in the solver. A sum of logarithms is the logarithm of a product, so there is one
for every eight steps.
"""

from collections.abc import Callable
from math import log
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fetsim.audio.gain_log import (
    CONDUCTANCE_PEAK,
    CONTROL_SUM,
    GATE_SUM,
    PART,
    PEAKS,
    REDUCTION_PEAK,
    REDUCTION_SUM,
    STEPS,
)
from fetsim.devices.law import Number
from fetsim.engine.assembly import Array
from fetsim.engine.compiler import CACHED, compiled_module
from fetsim.engine.laws_text import laws_text
from fetsim.rig.gain_cell import GainCellModel, power_loss
from fetsim.rig.rig import Rig

STRETCH = 256
"""Steps looked at together: 12 kB of workspace, and 64 terms at most are added up in a row."""
FACTORS = 8
"""Losses multiplied before the logarithm is taken: a double holds them up to 380 dB each."""


def no_channel(v_gs: Number, v_gd: Number, v_ds: Number) -> Number:
    """Conductance of a unit's gain cell where it has none [S]."""
    return 0.0 * v_ds


channel_s: Callable[..., Number] = no_channel  # in the compiled pass: the law of the unit's gain cell


def sum_and_peak(values: Array) -> tuple[float, float]:
    """Four at a time: four chains of additions take the time of one."""
    n = values.shape[0]
    a = b = c = d = 0.0
    e = f = g = h = -np.inf
    for k in range(0, n - 3, 4):
        w, x, y, z = values[k], values[k + 1], values[k + 2], values[k + 3]
        a, b, c, d = a + w, b + x, c + y, d + z
        e, f, g, h = max(e, w), max(f, x), max(g, y), max(h, z)
    for k in range(n - n % 4, n):
        a, e = a + values[k], max(e, values[k])
    return (a + b) + (c + d), max(max(e, f), max(g, h))


def sum_of_logarithms(values: Array) -> float:
    """So many are multiplied first."""
    n = values.shape[0]
    found = 0.0
    for k in range(0, n - (FACTORS - 1), FACTORS):
        product = 1.0
        for j in range(FACTORS):
            product *= values[k + j]
        found += log(product)
    for k in range(n - n % FACTORS, n):
        found += log(values[k])
    return found


def gather(
    input_v: Array, output_v: Array, drain_v: Array, gate_v: Array, source_v: Array, control_v: Array, sign: float,
    control_sign: float, channel: tuple[float, ...], impedance: tuple[float, float], ends: NDArray[np.int64],
    parts: Array,
) -> None:  # fmt: skip
    """Fill ``parts`` [shape=(parts, PART)], each from where the one before ends to its own of the ``ends``. Signs and
    the rest of the cell as in ``GainCellModel``.

    In the places of the reduction: the sum of the logarithms of the power loss, and the largest power loss.
    """
    workspace = np.empty((6, STRETCH))
    start = 0
    for row in range(parts.shape[0]):
        part = parts[row]
        part[:PEAKS] = 0.0
        part[PEAKS:STEPS] = -np.inf
        part[STEPS] = ends[row] - start
        while start < ends[row]:
            end = min(start + STRETCH, ends[row])
            n = end - start
            squared_in, squared_out, loss = workspace[0, :n], workspace[1, :n], workspace[2, :n]
            active_v, gate_source_v, conductance_s = workspace[3, :n], workspace[4, :n], workspace[5, :n]
            before_v, after_v, control = input_v[start:end], output_v[start:end], control_v[start:end]
            drain, gate, source = drain_v[start:end], gate_v[start:end], source_v[start:end]
            for k in range(n):
                gate_source_v[k] = gate[k] - source[k]
                v_gs, v_gd = sign * gate_source_v[k], sign * (gate[k] - drain[k])
                conductance_s[k] = channel_s(v_gs, v_gd, drain[k] - source[k], *channel)
            for k in range(n):
                loss[k] = power_loss(conductance_s[k], *impedance)
            for k in range(n):  # a loop each, so that each becomes vector instructions
                squared_in[k] = before_v[k] * before_v[k]
            for k in range(n):
                squared_out[k] = after_v[k] * after_v[k]
            for k in range(n):
                active_v[k] = control_sign * control[k]
            for k in range(GATE_SUM):
                found, peak = sum_and_peak(workspace[k, :n])
                part[k] += sum_of_logarithms(loss) if k == REDUCTION_SUM else found
                part[PEAKS + k] = max(part[PEAKS + k], peak)
            part[GATE_SUM] += sum_and_peak(gate_source_v)[0]
            part[CONDUCTANCE_PEAK] = max(part[CONDUCTANCE_PEAK], sum_and_peak(conductance_s)[1])
            start = end
        part[CONTROL_SUM] *= control_sign


class IntervalSums:
    """Steps summed up over the intervals of the log that they fall into, block by block, without keeping them."""

    def __init__(self, rig: Rig, interval: int, first_step: int = 0) -> None:
        """``interval``: steps of one row; ``first_step`` is the first one that will come, where the blocks do not begin
        at the start."""
        self._cell = rig.gain_cell
        self._against = rig.against
        self._interval = interval
        self._open_steps = first_step % interval
        self._gather = _compiled(self._cell)

    def summed(
        self, input_v: Array, output_v: Array, drain_v: Array, gate_v: Array, source_v: Array, control_v: Array
    ) -> Array:
        """A block of internal steps [each of shape=(steps,)] as parts of intervals, cut where intervals end
        [shape=(parts, PART)]."""
        steps = len(output_v)
        ends = np.append(np.arange(self._interval - self._open_steps, steps, self._interval), steps)
        parts = np.empty((len(ends) if steps else 0, PART))
        cell = self._cell
        constants = (
            (1.0, 1.0, (), (0.0, 0.0)) if cell is None
            else (cell.sign, cell.control_sign, cell.channel.parameters, cell.impedance)
        )  # fmt: skip
        levels = (np.ascontiguousarray(v) for v in (input_v, output_v, drain_v, gate_v, source_v, control_v))
        self._gather(*levels, *constants, ends, parts)
        self._open_steps = (self._open_steps + steps) % self._interval
        lengths = parts[:, STEPS]
        mean, peak = parts[:, REDUCTION_SUM] / lengths, np.log(parts[:, REDUCTION_PEAK])  # 0 without a cell
        if cell is not None:
            mean, peak = cell.below_db(mean, self._against), cell.below_db(peak, self._against)
        parts[:, REDUCTION_SUM], parts[:, REDUCTION_PEAK] = lengths * mean, peak
        return parts


def _compiled(cell: GainCellModel | None) -> Callable[..., None]:
    law = no_channel if cell is None else cell.channel.law
    options = f'options = {{{CACHED}, "nogil": True, "error_model": "numpy"}}'
    head = (
        "from __future__ import annotations\n\nfrom numba import njit\n\n"
        "import fetsim.engine.lanes\nfrom fetsim.devices.law import clamp, select"  # the former says what they mean
    )
    text = (head, options, laws_text((law, gather)), f"channel_s = {law.__name__}", "")

    def warm(module: Any) -> None:
        none, constants = np.empty(0), (1.0, 1.0, () if cell is None else cell.channel.parameters, (0.0, 0.0))
        module.gather(*[none] * 6, *constants, np.empty(0, dtype=np.int64), np.empty((0, PART)))

    return compiled_module("\n\n".join(text), warm).gather
