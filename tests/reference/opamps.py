"""Inverter and full-wave rectifier with operational amplifiers, in the equations node by node.

Amplifiers as in ``parts``, with rails of +-15 V and no offset (a: voltage of the gain stage); 2 pF between the inputs,
100 pF at each output. Diodes: I_S 5 nA, n 1.8, 4 pF, V_T 25.85 mV.

inverter    e - 10k - m; 100k m..out; + of U1 at ground; 10k out..0
rectifier   e - 10k - m; 10k m..h; D1 a1->m; D2 h->a1; U1 out o1, - m; e - 20k - n; 10k h..n; 20k n..out; U2 out, - n
"""

import numpy as np

from .handwritten import Circuit
from .parts import STAGE_F, Amplifier, amplifier_currents, diode_current

IN_F, OUT_F, DIODE_F = 2e-12, 100e-12, 4e-12
RAIL_V = 15.0
I_S, N = 5e-9, 1.8


def amplifier(bandwidth_hz, slew_v_s):
    return Amplifier(slew_v_s, bandwidth_hz, 2e5, 1.5, 40e-3, 125.0, 1.4e-3, 0.0)


def inverter(bandwidth_hz, slew_v_s):
    kind = amplifier(bandwidth_hz, slew_v_s)

    def equations(v, i, s, ddt):
        return {
            "m": (s.input - v.m) / 10e3 + (v.out - v.m) / 100e3 - IN_F * ddt(v.m),
            "a": i.stage - kind.loss_s * v.a - STAGE_F * ddt(v.a),
            "out": i.out + (v.m - v.out) / 100e3 - v.out / 10e3 - OUT_F * ddt(v.out),
        }

    return Circuit(
        ("m", "a", "out"), ("stage", "out"), {"none": 0.0}, equations,
        lambda v: {"in": -v.m, "a": v.a, "drop": v.a - v.out}, lambda p: _amplifiers(p, kind),
    )  # fmt: skip


def rectifier(bandwidth_hz, slew_v_s):
    kind = amplifier(bandwidth_hz, slew_v_s)

    def equations(v, i, s, ddt):
        c_1, c_2 = DIODE_F * ddt(v.o1 - v.m), DIODE_F * ddt(v.h - v.o1)
        return {
            "m": (s.input - v.m) / 10e3 + (v.h - v.m) / 10e3 + i.d1 + c_1 - IN_F * ddt(v.m),
            "h": (v.m - v.h) / 10e3 + (v.n - v.h) / 10e3 - i.d2 - c_2,
            "a1": i.stage1 - kind.loss_s * v.a1 - STAGE_F * ddt(v.a1),
            "o1": i.out1 - i.d1 - c_1 + i.d2 + c_2 - OUT_F * ddt(v.o1),
            "n": (s.input - v.n) / 20e3 + (v.h - v.n) / 10e3 + (v.out - v.n) / 20e3 - IN_F * ddt(v.n),
            "a2": i.stage2 - kind.loss_s * v.a2 - STAGE_F * ddt(v.a2),
            "out": i.out2 + (v.n - v.out) / 20e3 - OUT_F * ddt(v.out),
        }

    def ports(v):
        return {
            "in1": -v.m, "a1": v.a1, "drop1": v.a1 - v.o1, "in2": -v.n, "a2": v.a2, "drop2": v.a2 - v.out,
            "d1": v.o1 - v.m, "d2": v.h - v.o1,
        }  # fmt: skip

    def devices(p):
        current, slope = _amplifiers(p[:6], kind)
        diodes, by_diode = diode_current(p[6:], I_S, N)
        slopes = np.zeros((6, 8))
        slopes[:4, :6], slopes[4:, 6:] = slope, np.diag(by_diode)
        return np.append(current, diodes), slopes

    names = ("m", "h", "a1", "o1", "n", "a2", "out")
    currents = ("stage1", "out1", "stage2", "out2", "d1", "d2")
    return Circuit(names, currents, {"none": 0.0}, equations, ports, devices)


def _amplifiers(p, kind):
    """Currents into gain stage and output of each, and their derivatives by (input, a, a - out) of each."""
    count = len(p) // 3
    current, slope = np.zeros(2 * count), np.zeros((2 * count, 3 * count))
    for k in range(count):
        v_in, a, drop = p[3 * k : 3 * k + 3]
        (stage, sourced, sunk), by = amplifier_currents(v_in, a - RAIL_V, -RAIL_V - a, drop, kind)
        current[2 * k : 2 * k + 2] = stage, sourced - sunk
        slope[2 * k, 3 * k : 3 * k + 2] = by[0, 0], by[0, 1] - by[0, 2]
        slope[2 * k + 1, 3 * k + 2] = by[1, 3] - by[2, 3]
    return current, slope
