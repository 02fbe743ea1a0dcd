"""Values -> the flat arrays that a generated solver reads."""

from math import log

import numpy as np

from fetsim.engine.assembly import Array, Device, System
from fetsim.engine.emit import Layout
from fetsim.engine.numeric import BEND_SHARE
from fetsim.engine.plan import Plan

QUIET_SLOPES, QUIET_TOLERANCE_V = 4.0, 0.01


def pack_linear(system: System, plan: Plan, layout: Layout, lead_per_s: Array) -> Array:
    """Values of ``lin`` [shape=(k, slots)], a row for each leading coefficient lead / h [1/s; shape=(k,)].

    The linear unknowns are eliminated here, without pivoting. ``c`` slots hold C lead / h, so the weights of past
    increments are to be divided by the method's lead.
    """
    order = np.array(plan.order)
    g = system.g[np.ix_(order, order)]
    c = system.c[np.ix_(order, order)] * lead_per_s[:, None, None]
    m = g + c
    lower = np.zeros_like(m)
    for k in range(plan.linear):
        below, later = np.array(plan.lower[k], dtype=np.intp), np.array(plan.upper[k], dtype=np.intp)
        factor = m[:, below, k] / m[:, k, k, None]
        lower[:, below, k] = factor
        m[:, below[:, None], later] -= factor[:, :, None] * m[:, k, later][:, None, :]
    diagonal = np.diagonal(m, axis1=1, axis2=2)[:, :, None]
    inverse = np.divide(1.0, diagonal, where=diagonal != 0.0, out=np.full_like(diagonal, np.inf))
    tables = {
        "g": g[None], "c": c, "l": lower, "u": m, "s": m, "p": inverse,
        "b": system.b[order][None, :, None], "i": system.b_input[order][None],
    }  # fmt: skip
    packed = np.empty((len(lead_per_s), len(layout.slots)))
    for kind, (place, row, column) in layout.by_kind.items():
        packed[:, place] = tables[kind][:, row, column]
    return packed


def pack_devices(devices: tuple[Device, ...], tolerance_v: float) -> Array:
    """Values of ``dev``: parameters and exponent scales of each device, then all limits, all tolerances, all bends and
    all voltages below which a port is flat.

    A junction under its quiet voltage before and after a Newton step need not meet the tolerance: there it conducts
    less than LIMITING_CONDUCTANCE_S e^-4 (0.2 uS) at a tolerance of 10 mV, and in proportion less at a finer one, so
    the current that goes wrong shrinks with the tolerance.
    """
    laws = [
        value
        for d in devices
        for value in (*d.bound.parameters, *(w for j in d.junctions for w in (j.inv_slope_per_v, j.offset_v)))
    ]
    quiet_slopes = QUIET_SLOPES + log(QUIET_TOLERANCE_V / tolerance_v)
    limits = [
        value
        for d in devices
        for j in d.junctions
        if j.limited
        for value in (j.critical_v, j.inv_slope_per_v, j.critical_v - quiet_slopes / j.inv_slope_per_v)
    ]
    tolerances = [tolerance for d in devices for tolerance in d.bound.tolerances]
    bends = [BEND_SHARE * scale_v for d in devices for scale_v in d.bound.bend_scales_v]
    flats = [below_v for d in devices for below_v in d.bound.flat_below_v]
    return np.array(laws + limits + tolerances + bends + flats)
