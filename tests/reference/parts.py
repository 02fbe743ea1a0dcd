"""Device equations of the reference circuits: currents and their exact derivatives, vectorised over devices.

All junctions are at V_T = 25.85 mV unless told otherwise. Capacitances are constant and stand in the node equations,
not here.

    diode       i = I_S (e^{v/(n V_T)} - 1)
    transistor  transport form, written for an NPN; a PNP is used with all its voltages and currents reversed:
                I_T = I_S (e^{v_be/V_T} - e^{v_bc/V_T}) (1 - v_bc/V_A)
                i_c = I_T - (I_S/beta_R)(e^{v_bc/V_T} - 1),
                i_b = (I_S/beta_F)(e^{v_be/V_T} - 1) + (I_S/beta_R)(e^{v_bc/V_T} - 1)
    jfet        symmetrical square law (H. Shichman, D. A. Hodges, IEEE J. Solid-State Circuits SC-3, 1968,
                from memory) with a diffusion tail (interpolation of Enz, Krummenacher and Vittoz, Analog
                Integrated Circuits and Signal Processing 8, 1995, 83, from memory). With o_s, o_d the softened
                overdrives 2 V_T ln(1 + e^{(v - V_P)/(2 V_T)}) of v_gs and v_gd,
                i = (I_DSS/V_P^2) (o_s^2 - o_d^2) (1 + lambda |v_ds|)
                is the triode, the pinched-off and the cut-off region, and both directions, in one line.
    iron        i_m = (phi/L) (1 + (phi/phi_0)^6) + sum over k of s_k (phi - w_k), with play operators
                w_k = max(phi - y_k, min(phi + y_k, w_k where the flux last turned)) ("Review of Play and Preisach
                Models for Hysteresis in Magnetic Materials", Materials 16 (2023) 2422). While the flux goes one way
                they are functions of it alone. s_k and y_k: stiffness and mean reach of twelve cells of the density
                (T/y_c) e^{-y/y_c}, T = 1/L_i - 1/L, with edges at 0, 0.01 to 3 y_c in equal ratios, infinity.
    amplifier   an input stage that saturates, into the capacitance of a gain stage at a volts, held short of both rails
                by d, and an output stage of class AB (J. E. Solomon, IEEE J. Solid-State Circuits SC-9, 1974, 314,
                from memory; the forms of the limits are our own):
                i_a = C slew (tanh((v+ - v- - V_os)/v_s) - p(a - (v_pos - d)) + p(v_neg + d - a)),
                v_s = slew/(2 pi GBW),   w p(x) = 0 below x = -w, (x + w)^2/(4 w) to x = w, x above,   w = 50 mV
                i = i_max tanh((a - v_out)/(i_max r_out)), of which the positive rail gives
                i_pos = (i + sqrt(i^2 + 4 I_q^2))/2 and the negative one takes i_pos - i
                The loss of its gain stage, C 2 pi GBW/A_0, is linear and stands in the node equations.
"""

from typing import NamedTuple

import numpy as np
from scipy.special import expit

V_T = 25.85e-3  # V


class Diode(NamedTuple):
    i_s: float  # A
    n: float
    c: float  # F


class Transistor(NamedTuple):
    i_s: float  # A
    beta_f: float
    beta_r: float
    v_a: float  # V
    c_be: float  # F
    c_bc: float  # F


class Jfet(NamedTuple):
    i_dss: float  # A
    v_p: float  # V, negative
    lam: float  # 1/V
    i_s: float  # A, each gate junction
    c_gs: float  # F
    c_gd: float  # F


class Iron(NamedTuple):
    """Transformer: chain of r_pri, l_leak, magnetising branch with r_eddy across it, ideal n:1, r_sec; c across the
    primary's terminals and 0.2 c across the ideal secondary; n is primary to secondary voltage."""

    n: float
    r_pri: float  # ohm
    l_leak: float  # H
    l_initial: float  # H
    l_largest: float  # H
    y_c: float  # Vs
    phi_0: float  # Vs
    r_eddy: float  # ohm
    r_sec: float  # ohm
    c: float  # F


class Amplifier(NamedTuple):
    slew: float  # V/s
    gbw: float  # Hz
    gain: float
    short: float  # V, d above
    i_max: float  # A
    r_out: float  # ohm
    i_q: float  # A
    offset: float  # V

    @property
    def loss_s(self):
        return 2 * np.pi * self.gbw * STAGE_F / self.gain


STAGE_F, LIMIT_V = 30e-12, 50e-3
DIODE = Diode(0.5e-9, 1.75, 2e-12)
SMALL_NPN = Transistor(12e-15, 320.0, 4.0, 80.0, 18e-12, 4e-12)
SMALL_PNP = Transistor(10e-15, 240.0, 4.0, 55.0, 18e-12, 5e-12)
POWER_NPN = Transistor(80e-15, 160.0, 6.0, 100.0, 120e-12, 9e-12)
JFET = Jfet(15e-3, -4.5, 0.006, 5e-15, 9e-12, 9e-12)


def diode_current(v, i_s=DIODE.i_s, n=DIODE.n, v_t=V_T):
    """(i, di/dv), A and A/V."""
    e = np.exp(v / (n * v_t))
    return i_s * (e - 1), i_s * e / (n * v_t)


def transistor_currents(v_be, v_bc, i_s, beta_f, beta_r, v_a):
    """(i_c, i_b, di_c/dv_be, di_c/dv_bc, di_b/dv_be, di_b/dv_bc), A and A/V."""
    forward, backward = i_s * np.exp(v_be / V_T), i_s * np.exp(v_bc / V_T)
    early = 1 - v_bc / v_a
    i_c = (forward - backward) * early - (backward - i_s) / beta_r
    i_b = (forward - i_s) / beta_f + (backward - i_s) / beta_r
    c_bc = -backward / V_T * early - (forward - backward) / v_a - backward / (V_T * beta_r)
    return i_c, i_b, forward / V_T * early, c_bc, forward / (V_T * beta_f), backward / (V_T * beta_r)


def jfet_currents(v_gs, v_gd, fet=JFET, v_t=V_T):
    """(i, d) with i = [i_drain, i_gate] flowing into the terminals and d = [[d/dv_gs, d/dv_gd], ...]."""
    beta = fet.i_dss / fet.v_p**2
    x_s, x_d, v_ds = (v_gs - fet.v_p) / (2 * v_t), (v_gd - fet.v_p) / (2 * v_t), v_gs - v_gd
    o_s, o_d = 2 * v_t * np.logaddexp(0.0, x_s), 2 * v_t * np.logaddexp(0.0, x_d)
    square, modulation, sign = o_s**2 - o_d**2, 1 + fet.lam * abs(v_ds), np.sign(v_ds)
    channel = beta * square * modulation
    channel_gs = beta * (2 * o_s * expit(x_s) * modulation + square * fet.lam * sign)
    channel_gd = -beta * (2 * o_d * expit(x_d) * modulation + square * fet.lam * sign)
    i_gs, g_gs = diode_current(v_gs, fet.i_s, 1.0, v_t)
    i_gd, g_gd = diode_current(v_gd, fet.i_s, 1.0, v_t)
    return (channel - i_gd, i_gs + i_gd), ((channel_gs, channel_gd - g_gd), (g_gs, g_gd))


def amplifier_currents(v_in, above, below, drop, kind):
    """(i, d) with i = [i_a, i_pos, i_neg], A, and d their derivatives by the four ports, A/V.

    Ports: v+ - v-, a - v_pos, v_neg - a, a - v_out. Into the gain stage, out of the positive rail into the output, out
    of the output into the negative rail.
    """
    tail, v_s, drop_v = kind.slew * STAGE_F, kind.slew / (2 * np.pi * kind.gbw), kind.i_max * kind.r_out
    pull, share = np.tanh((v_in - kind.offset) / v_s), np.tanh(drop / drop_v)
    (up, up_slope), (down, down_slope) = _limit(above + kind.short), _limit(below + kind.short)
    i, by_drop = kind.i_max * share, (1 - share**2) / kind.r_out
    root = np.sqrt(i**2 + 4 * kind.i_q**2)
    slopes = np.zeros((3, 4))
    slopes[0, :3] = tail * (1 - pull**2) / v_s, -tail * up_slope, tail * down_slope
    slopes[1:, 3] = by_drop * (i / root + 1) / 2, by_drop * (i / root - 1) / 2
    return np.array([tail * (pull - up + down), (root + i) / 2, (root - i) / 2]), slopes


def _limit(x):
    """p and its derivative."""
    w = LIMIT_V
    if x < -w:
        return 0.0, 0.0
    return ((x + w) ** 2 / (4 * w) / w, (x + w) / (2 * w) / w) if x < w else (x / w, 1.0 / w)


EDGES = np.array([0, *np.geomspace(0.01, 3, 11), 50])  # y_c; e^-50 is nothing
BELOW, ABOVE = np.exp(-EDGES[:-1]), np.exp(-EDGES[1:])
STIFFNESS = BELOW - ABOVE  # of the cells, in T
REACH = ((1 + EDGES[:-1]) * BELOW - (1 + EDGES[1:]) * ABOVE) / STIFFNESS  # in y_c


class Cores:
    """The magnetising currents of several transformers, arrays over them and their twelve cells."""

    def __init__(self, *irons):
        self.l_largest, self.phi_0 = (np.array([getattr(one, key) for one in irons]) for key in ("l_largest", "phi_0"))
        self.s = np.array([STIFFNESS * (1 / one.l_initial - 1 / one.l_largest) for one in irons])  # A/Vs
        self.y = np.array([REACH * one.y_c for one in irons])  # Vs
        self.fresh = np.zeros_like(self.y)

    def play(self, phi, before):
        """w_k [Vs] at fluxes that have not turned since they were w_k before."""
        return np.minimum(np.maximum(before, phi[:, None] - self.y), phi[:, None] + self.y)

    def currents(self, phi, before):
        """(i_m, di_m/dphi), A and A/Vs."""
        now, sixth = self.play(phi, before), (phi / self.phi_0) ** 6
        i = phi / self.l_largest * (1 + sixth) + np.sum(self.s * (phi[:, None] - now), axis=1)
        return i, (1 + 7 * sixth) / self.l_largest + np.sum(self.s * (now == before), axis=1)
