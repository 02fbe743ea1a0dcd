"""Diode clipper: source e - R 2.2k - out; D1 out->0, D2 0->out, C 10n from out to ground.

Diodes I_S 0.5 nA, n 1.75, 2 pF each, V_T 25.85 mV:
(C + 4p) v' = (e - v)/R - 2 I_S sinh(v/(n V_T)).
"""

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from .parts import DIODE, V_T

R, C = 2.2e3, 10e-9
C_ALL = C + 2 * DIODE.c
N_V_T = DIODE.n * V_T


def dc_point(e_v):
    """Output volts for a constant source e_v, by bracketing."""
    return brentq(lambda v: (e_v - v) / R - 2 * DIODE.i_s * np.sinh(v / N_V_T), -2, 2, xtol=1e-15)


def simulate(u, t_end_s, t_out_s, rtol=1e-11, atol=1e-13):
    """dict node -> volts at t_out_s for the source voltage u(t), from rest."""
    run = solve_ivp(
        lambda t, v: ((u(t) - v) / R - 2 * DIODE.i_s * np.sinh(v / N_V_T)) / C_ALL,
        (0, t_end_s), [0.0], "Radau", t_eval=t_out_s, rtol=rtol, atol=atol,
        jac=lambda t, v: [[-(1 / R + 2 * DIODE.i_s / N_V_T * np.cosh(v[0] / N_V_T)) / C_ALL]],
    )  # fmt: skip
    return {"out": run.y[0]}
