"""Common-emitter stage, in the equations node by node.

    rail 24 V - Rz 12 - va, Cz 220u va..0
    source e - Rs 600 - in, Cin 1u in..b
    Rb1 220k va..b, Rb2 47k b..0, Rc 4.7k va..c, Re 1k e..0, Rx 100 e..x, Cx 100u x..0
    Q1 small NPN: collector c, base b, emitter e (I_S 12 fA, beta 320/4, V_A 80 V, C_be 18p, C_bc 4p)
    Cout 1u c..out, load 47k out..0
"""

import numpy as np

from .handwritten import Circuit
from .parts import SMALL_NPN as Q
from .parts import transistor_currents

UNKNOWNS = ("va", "src", "b", "c", "e", "x", "out")


def circuit():
    return Circuit(UNKNOWNS, ("q1c", "q1b"), {"rail": 24.0}, _equations, _ports, _devices)


def bias():
    """dict node -> volts at rest."""
    return circuit().bias()


def simulate(u, t_end_s, t_out_s, **tolerances):
    """dict node -> volts at t_out_s for the source voltage u(t), from rest."""
    return circuit().simulate(u, t_end_s, t_out_s, **tolerances)


def _equations(v, i, s, ddt):
    c_be, c_bc = Q.c_be * ddt(v.b - v.e), Q.c_bc * ddt(v.b - v.c)
    return {
        "va": (s.rail - v.va) / 12 - 220e-6 * ddt(v.va) - (v.va - v.b) / 220e3 - (v.va - v.c) / 4.7e3,
        "src": (s.input - v.src) / 600 - 1e-6 * ddt(v.src - v.b),
        "b": 1e-6 * ddt(v.src - v.b) + (v.va - v.b) / 220e3 - v.b / 47e3 - i.q1b - c_be - c_bc,
        "c": (v.va - v.c) / 4.7e3 - i.q1c + c_bc - 1e-6 * ddt(v.c - v.out),
        "e": i.q1c + i.q1b + c_be - v.e / 1e3 - (v.e - v.x) / 100,
        "x": (v.e - v.x) / 100 - 100e-6 * ddt(v.x),
        "out": 1e-6 * ddt(v.c - v.out) - v.out / 47e3,
    }


def _ports(v):
    return {"vbe": v.b - v.e, "vbc": v.b - v.c}


def _devices(p):
    i_c, i_b, c_be, c_bc, b_be, b_bc = transistor_currents(p[0], p[1], Q.i_s, Q.beta_f, Q.beta_r, Q.v_a)
    return np.array([i_c, i_b]), np.array([[c_be, c_bc], [b_be, b_bc]])
