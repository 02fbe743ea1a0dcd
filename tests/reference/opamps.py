"""Inverter and full-wave rectifier with operational amplifiers, in the equations node by node.

Each amplifier, rails +-15 V (a: its inner voltage, C 30 pF):
    C a' = slew C tanh((v+ - v-)/v_s) - slew C (p(a - 13.5) - p(-13.5 - a)) - (slew C / v_s) a / A_0,
    v_s = slew / (2 pi GBW),  w p(x) = 0 below x = -w, (x + w)^2 / (4 w) to x = w, x above,  w = 50 mV
    into the output  i_max tanh((a - out) / (i_max r_out)),  i_max 40 mA, r_out 125 ohm, A_0 = 2e5
Diodes: I_S 5 nA, n 1.8, 4 pF, V_T 25.85 mV; 2 pF between the inputs; 100 pF at each output.

inverter    e - 10k - m; 100k m..out; + of U1 at ground; 10k out..0
rectifier   e - 10k - m; 10k m..h; D1 a1->m; D2 h->a1; U1 out o1, - m; e - 20k - n; 10k h..n; 20k n..out; U2 out, - n
"""

import numpy as np

from .handwritten import Circuit
from .parts import V_T

STAGE_F, IN_F, OUT_F, DIODE_F = 30e-12, 2e-12, 100e-12, 4e-12
I_MAX, R_OUT, A_0, INSIDE_V, W = 40e-3, 125.0, 2e5, 13.5, 50e-3
I_S, N_V_T = 5e-9, 1.8 * V_T


def inverter(bandwidth_hz, slew_v_s):
    leak_s = 2 * np.pi * bandwidth_hz * STAGE_F / A_0

    def equations(v, i, s, ddt):
        return {
            "m": (s.input - v.m) / 10e3 + (v.out - v.m) / 100e3 - IN_F * ddt(v.m),
            "a": i.stage - leak_s * v.a - STAGE_F * ddt(v.a),
            "out": i.out + (v.m - v.out) / 100e3 - v.out / 10e3 - OUT_F * ddt(v.out),
        }

    return Circuit(
        ("m", "a", "out"), ("stage", "out"), {"none": 0.0}, equations,
        lambda v: {"in": -v.m, "a": v.a, "drop": v.a - v.out}, lambda p: _amplifiers(p, bandwidth_hz, slew_v_s),
    )  # fmt: skip


def rectifier(bandwidth_hz, slew_v_s):
    leak_s = 2 * np.pi * bandwidth_hz * STAGE_F / A_0

    def equations(v, i, s, ddt):
        c_1, c_2 = DIODE_F * ddt(v.o1 - v.m), DIODE_F * ddt(v.h - v.o1)
        return {
            "m": (s.input - v.m) / 10e3 + (v.h - v.m) / 10e3 + i.d1 + c_1 - IN_F * ddt(v.m),
            "h": (v.m - v.h) / 10e3 + (v.n - v.h) / 10e3 - i.d2 - c_2,
            "a1": i.stage1 - leak_s * v.a1 - STAGE_F * ddt(v.a1),
            "o1": i.out1 - i.d1 - c_1 + i.d2 + c_2 - OUT_F * ddt(v.o1),
            "n": (s.input - v.n) / 20e3 + (v.h - v.n) / 10e3 + (v.out - v.n) / 20e3 - IN_F * ddt(v.n),
            "a2": i.stage2 - leak_s * v.a2 - STAGE_F * ddt(v.a2),
            "out": i.out2 + (v.n - v.out) / 20e3 - OUT_F * ddt(v.out),
        }

    def ports(v):
        return {
            "in1": -v.m, "a1": v.a1, "drop1": v.a1 - v.o1, "in2": -v.n, "a2": v.a2, "drop2": v.a2 - v.out,
            "d1": v.o1 - v.m, "d2": v.h - v.o1,
        }  # fmt: skip

    def devices(p):
        current, slope = _amplifiers(p[:6], bandwidth_hz, slew_v_s)
        e = I_S * np.exp(p[6:] / N_V_T)
        slopes = np.zeros((6, 8))
        slopes[:4, :6], slopes[4:, 6:] = slope, np.diag(e / N_V_T)
        return np.append(current, e - I_S), slopes

    names = ("m", "h", "a1", "o1", "n", "a2", "out")
    currents = ("stage1", "out1", "stage2", "out2", "d1", "d2")
    return Circuit(names, currents, {"none": 0.0}, equations, ports, devices)


def _amplifiers(p, bandwidth_hz, slew_v_s):
    """Currents into inner node and output of each, and their derivatives by (input, a, a - out) of each."""
    count = len(p) // 3
    current, slope = np.zeros(2 * count), np.zeros((2 * count, 3 * count))
    i_t, v_s = slew_v_s * STAGE_F, slew_v_s / (2 * np.pi * bandwidth_hz)
    for k in range(count):
        v_in, a, drop = p[3 * k : 3 * k + 3]
        (up, up_slope), (low, low_slope) = _limit(a - INSIDE_V), _limit(-INSIDE_V - a)
        pull, drive = np.tanh(v_in / v_s), np.tanh(drop / (I_MAX * R_OUT))
        current[2 * k : 2 * k + 2] = i_t * (pull - up + low), I_MAX * drive
        slope[2 * k, 3 * k : 3 * k + 2] = i_t * (1 - pull**2) / v_s, -i_t * (up_slope + low_slope)
        slope[2 * k + 1, 3 * k + 2] = (1 - drive**2) / R_OUT
    return current, slope


def _limit(x):
    """p and its derivative."""
    if x < -W:
        return 0.0, 0.0
    return ((x + W) ** 2 / (4 * W) / W, (x + W) / (2 * W) / W) if x < W else (x / W, 1.0 / W)
