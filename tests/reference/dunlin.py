"""The Dunlin, a feedback compressor with one field-effect transistor, as hand-written node equations.

One equation per node, the part values written into it: the sum of the currents flowing into it is zero. Four
more unknowns describe the two transformers: leakage current l1, l2 (A) and flux phi1, phi2 (Vs). With n the
primary to secondary voltage ratio and s the node inside the ideal secondary winding,

    phi' = n s,   l' L_leak = (primary terminals) - r_pri l - n s,   current into s = n (l - i_m(phi) - n s/R_eddy)

so that the magnetising branch sits between leakage and the ideal transformer.

Controls: drive and makeup are the wiper's fraction of the resistance measured from the quiet end, attack and
release the used fraction of the rheostat, idle_trim the wiper's fraction measured from tt (the end at R63) to
tb.
"""

from dataclasses import dataclass

import numpy as np

from .handwritten import Circuit, Memory
from .parts import DIODE as D
from .parts import (
    JFET,
    POWER_NPN,
    SMALL_NPN,
    SMALL_PNP,
    Cores,
    Iron,
    diode_current,
    jfet_currents,
    transistor_currents,
)

# y_c so that the inductance is 20 H at 0.355 V and 3 H at 0.8 V, 20 Hz
T1 = Iron(2.5, 40, 2e-3, 12.0, 26.0, 1.1725289521322699e-3, 0.060, 200e3, 12, 150e-12)
T2 = Iron(0.8, 12, 0.5e-3, 1.2, 3.9, 1.5136922790169476e-3, 0.075, 30e3, 25, 400e-12)
RTOL, ATOL = 1e-8, 1e-10  # -170 dB here; below rtol 3e-9 the fastest states are at the rounding floor
RAILS_V = {"plus": 28.0, "minus": -14.0, "zener": 24.0}

UNKNOWNS = (
    "vp vn va ih w ic l1 phi1 s1 t1s dr g ctl lx q1b q1c q1e q2c q2e q3e fb1 po mk q4b q4c q4e q5c q5e q6e "
    "q7b q7e fb2 zb lo l2 phi2 s2 out zo sx bus qs1b qs1c qs1e qs2c qs2e an1 an2 ph rc vb tb tt"
).split()
TRANSISTORS = {  # name: kind
    "q1": SMALL_NPN, "q2": SMALL_PNP, "q3": SMALL_NPN, "q4": SMALL_NPN, "q5": SMALL_PNP, "q6": POWER_NPN,
    "q7": POWER_NPN, "qs1": SMALL_PNP, "qs2": SMALL_NPN,
}  # fmt: skip
CURRENTS = (
    [f"{q}_c" for q in TRANSISTORS] + [f"{q}_b" for q in TRANSISTORS]
    + ["j1_d", "j1_g", "d1", "d2", "d3", "m1", "m2"]
)  # fmt: skip
CURVE_BANK = {1: (30e3, 330e3), 2: (7.5e3, 18e3), 3: (3.6e3, 7.5e3)}  # Sn: (R31.. po-sx, R41.. bus-vn)


@dataclass(frozen=True)
class Settings:
    drive: float = 0.178
    makeup: float = 0.30
    attack: float = 0.3
    release: float = 0.3
    curve: tuple[int, ...] = (2,)
    idle_trim: float = 0.60
    load_ohm: float = 600.0
    linearising_ohm: float = 2.2e6  # R4, from the preamp's output to the linearising capacitor
    linearising_farad: float = 47e-9  # C1
    hysteresis: bool = True  # of the transformers; without it their cores have 20 and 3 H at every level, and no eddies

    @property
    def irons(self):
        if self.hysteresis:
            return T1, T2
        return tuple(
            one._replace(l_initial=henry, l_largest=henry, r_eddy=np.inf) for one, henry in ((T1, 20.0), (T2, 3.0))
        )


DEFAULT = Settings()


def circuit(settings=DEFAULT):
    cores = Cores(*settings.irons)
    named = UNKNOWNS, CURRENTS, RAILS_V, lambda v, i, s, ddt: _equations(settings, v, i, s, ddt), _ports
    if not settings.hysteresis:
        return Circuit(*named, lambda p: _devices(p, cores, cores.fresh))
    memory = Memory(("phi1", "phi2"), cores.fresh, lambda p, played: cores.play(p[_M], played))
    return Circuit(*named, lambda p, played: _devices(p, cores, played), memory)


def without_fet(settings=DEFAULT):
    """The circuit at the same bias point, its FET out of all small signals."""
    opened = circuit(settings)
    assert opened.rest is not None  # worked out before
    devices, fet = opened.devices, [CURRENTS.index(f"j1_{end}") for end in "dg"]

    def closed(p):
        i, slope = devices(p)
        slope[fet] = 0.0
        return i, slope

    opened.devices = closed
    return opened


def bias(settings=DEFAULT):
    """dict node -> volts at rest (l1, l2 in A; phi1, phi2 in Vs)."""
    return circuit(settings).bias()


def simulate(u, t_end_s, t_out_s, settings=DEFAULT, rtol=RTOL, atol=ATOL):
    """dict node -> volts at t_out_s for the source voltage u(t), from rest."""
    return circuit(settings).simulate(u, t_end_s, t_out_s, rtol, atol)


def response(f_hz, settings=DEFAULT):
    """dict node -> complex small-signal gain from the source EMF, at rest."""
    return circuit(settings).response(f_hz)


def _equations(set_, v, i, s, ddt):
    t1, t2 = set_.irons
    p1_top, p1_bottom = 2.5e3 * (1 - set_.drive), 2.5e3 * set_.drive
    p2_top, p2_bottom = 10e3 * (1 - set_.makeup), 10e3 * set_.makeup
    p3, p4 = 47e3 * set_.attack + 150, 6.8e6 * set_.release + 470e3
    p5_tb, p5_tt = 2e3 * (1 - set_.idle_trim), 2e3 * set_.idle_trim
    signal_s = sum(1 / CURVE_BANK[k][0] for k in set_.curve)  # S, po to sx
    threshold_s = sum(1 / CURVE_BANK[k][1] for k in set_.curve)  # S, bus to vn

    def charge(kind, base, collector, emitter):  # currents from base into emitter and into collector
        return kind.c_be * ddt(base - emitter), kind.c_bc * ddt(base - collector)

    q1_be, q1_bc = charge(SMALL_NPN, v.q1b, v.q1c, v.q1e)
    q2_be, q2_bc = charge(SMALL_PNP, v.q1c, v.q2c, v.q2e)
    q3_be, q3_bc = charge(SMALL_NPN, v.q2c, v.va, v.q3e)
    q4_be, q4_bc = charge(SMALL_NPN, v.q4b, v.q4c, v.q4e)
    q5_be, q5_bc = charge(SMALL_PNP, v.q4c, v.q5c, v.q5e)
    q6_be, q6_bc = charge(POWER_NPN, v.q5c, v.vp, v.q6e)
    q7_be, q7_bc = charge(POWER_NPN, v.q7b, v.q6e, v.q7e)
    qs1_be, qs1_bc = charge(SMALL_PNP, v.qs1b, v.qs1c, v.qs1e)
    qs2_be, qs2_bc = charge(SMALL_NPN, v.qs1c, v.qs2c, v.qs2e)
    j1_gs, j1_gd = JFET.c_gs * ddt(v.g), JFET.c_gd * ddt(v.g - v.dr)
    d1_c, d2_c, d3_c = D.c * ddt(v.an1 - v.rc), D.c * ddt(v.an2 - v.rc), D.c * ddt(v.ctl)
    t1_c, t2_c = t1.c * ddt(v.w - v.ic), t2.c * ddt(v.lo)

    return {
        # supplies
        "vp": (s.plus - v.vp) / 1 - 470e-6 * ddt(v.vp)
        - (v.vp - v.q4b) / 120e3 - (v.vp - v.q4c) / 3.3e3 - (v.vp - v.q5e) / 47 - i.q6_c + q6_bc
        - (v.vp - v.q7b) / 10e3 - (v.vp - v.qs1b) / 9.1e3 - (v.vp - v.qs1e) / 820 - (v.vp - v.qs2c) / 2.7e3,
        "vn": (s.minus - v.vn) / 1 - 470e-6 * ddt(v.vn) + (v.bus - v.vn) * (threshold_s + 1 / 20e3)
        + (v.qs1c - v.vn) / 10e3 + (v.qs2e - v.vn) / 2.7e3 + (v.tb - v.vn) / 12e3,
        "va": (s.zener - v.va) / 12 - 220e-6 * ddt(v.va)
        - (v.va - v.q1b) / 220e3 - (v.va - v.q1c) / 3.3e3 - (v.va - v.q2e) / 47 - i.q3_c + q3_bc,
        # input pad and transformer
        "ih": (s.input / 2 - v.ih) / 25 - (v.ih - v.w) / p1_top,
        "w": (v.ih - v.w) / p1_top - (v.w - v.ic) / p1_bottom - v.l1 - t1_c,
        "ic": (-s.input / 2 - v.ic) / 25 + (v.w - v.ic) / p1_bottom + v.l1 + t1_c,
        "l1": v.w - v.ic - t1.r_pri * v.l1 - t1.n * v.s1 - t1.l_leak * ddt(v.l1),
        "phi1": t1.n * v.s1 - ddt(v.phi1),
        "s1": t1.n * (v.l1 - i.m1 - t1.n * v.s1 / t1.r_eddy) - (v.s1 - v.t1s) / t1.r_sec - 0.2 * t1.c * ddt(v.s1),
        "t1s": (v.s1 - v.t1s) / t1.r_sec - v.t1s / 12e3 - (v.t1s - v.dr) / 4.7e3,
        # divider
        "dr": (v.t1s - v.dr) / 4.7e3 - i.j1_d + j1_gd - 1e-6 * ddt(v.dr - v.q1b),
        "g": (v.ctl - v.g) / 47e3 + set_.linearising_farad * ddt(v.lx - v.g) - i.j1_g - j1_gs - j1_gd,
        "lx": (v.po - v.lx) / set_.linearising_ohm - set_.linearising_farad * ddt(v.lx - v.g),
        # preamp
        "q1b": 1e-6 * ddt(v.dr - v.q1b) + (v.va - v.q1b) / 220e3 - v.q1b / 220e3 - i.q1_b - q1_be - q1_bc,
        "q1c": (v.va - v.q1c) / 3.3e3 - i.q1_c + q1_bc + i.q2_b - q2_be - q2_bc + 39e-12 * ddt(v.q2c - v.q1c),
        "q1e": i.q1_c + i.q1_b + q1_be + (v.q3e - v.q1e) / 2.4e3 - (v.q1e - v.fb1) / 100,
        "q2e": (v.va - v.q2e) / 47 - i.q2_c - i.q2_b + q2_be,
        "q2c": i.q2_c + q2_bc - v.q2c / 8.2e3 - 39e-12 * ddt(v.q2c - v.q1c) - i.q3_b - q3_be - q3_bc,
        "q3e": i.q3_c + i.q3_b + q3_be - v.q3e / 2.2e3 - (v.q3e - v.q1e) / 2.4e3 - 47e-6 * ddt(v.q3e - v.po),
        "fb1": (v.q1e - v.fb1) / 100 - 680e-6 * ddt(v.fb1),
        "po": 47e-6 * ddt(v.q3e - v.po) - (v.po - v.lx) / set_.linearising_ohm - (v.po - v.mk) / p2_top
        - (v.po - v.sx) * signal_s,
        # makeup and line stage
        "mk": (v.po - v.mk) / p2_top - v.mk / p2_bottom - 0.68e-6 * ddt(v.mk - v.q4b),
        "q4b": 0.68e-6 * ddt(v.mk - v.q4b) + (v.vp - v.q4b) / 120e3 - v.q4b / 120e3 - i.q4_b - q4_be - q4_bc,
        "q4c": (v.vp - v.q4c) / 3.3e3 - i.q4_c + q4_bc + i.q5_b - q5_be - q5_bc + 47e-12 * ddt(v.q5c - v.q4c),
        "q4e": i.q4_c + i.q4_b + q4_be + (v.q6e - v.q4e) / 3.3e3 - (v.q4e - v.fb2) / 180,
        "q5e": (v.vp - v.q5e) / 47 - i.q5_c - i.q5_b + q5_be,
        "q5c": i.q5_c + q5_bc - v.q5c / 4.7e3 - 47e-12 * ddt(v.q5c - v.q4c) - i.q6_b - q6_be - q6_bc,
        "q6e": i.q6_c + i.q6_b + q6_be - i.q7_c + q7_bc
        - (v.q6e - v.q4e) / 3.3e3 - (v.q6e - v.zb) / 47 - 1000e-6 * ddt(v.q6e - v.lo),
        "q7b": (v.vp - v.q7b) / 10e3 - v.q7b / 1e3 - 47e-6 * ddt(v.q7b) - i.q7_b - q7_be - q7_bc,
        "q7e": i.q7_c + i.q7_b + q7_be - v.q7e / 47,
        "fb2": (v.q4e - v.fb2) / 180 - 470e-6 * ddt(v.fb2),
        "zb": (v.q6e - v.zb) / 47 - 10e-9 * ddt(v.zb),
        # output transformer
        "lo": 1000e-6 * ddt(v.q6e - v.lo) - v.l2 - t2_c,
        "l2": v.lo - t2.r_pri * v.l2 - t2.n * v.s2 - t2.l_leak * ddt(v.l2),
        "phi2": t2.n * v.s2 - ddt(v.phi2),
        "s2": t2.n * (v.l2 - i.m2 - t2.n * v.s2 / t2.r_eddy) - (v.s2 - v.out) / t2.r_sec - 0.2 * t2.c * ddt(v.s2),
        "out": (v.s2 - v.out) / t2.r_sec - (v.out - v.zo) / 1e3 - v.out / set_.load_ohm,
        "zo": (v.out - v.zo) / 1e3 - 2.2e-9 * ddt(v.zo),
        # curve bank and sidechain
        "sx": (v.po - v.sx) * signal_s - v.sx / 100e3 - 1e-6 * ddt(v.sx - v.qs1b),
        "bus": (v.vn - v.bus) * (threshold_s + 1 / 20e3) - v.bus / 10e3
        + (v.an1 - v.bus) / 33e3 + (v.an2 - v.bus) / 33e3,
        "qs1b": 1e-6 * ddt(v.sx - v.qs1b) + (v.vp - v.qs1b) / 9.1e3 - v.qs1b / 150e3
        + i.qs1_b - qs1_be - qs1_bc,
        "qs1e": (v.vp - v.qs1e) / 820 - i.qs1_c - i.qs1_b + qs1_be,
        "qs1c": i.qs1_c + qs1_bc - (v.qs1c - v.vn) / 10e3 - i.qs2_b - qs2_be - qs2_bc,
        "qs2c": (v.vp - v.qs2c) / 2.7e3 - i.qs2_c + qs2_bc - 1e-6 * ddt(v.qs2c - v.an1),
        "qs2e": i.qs2_c + i.qs2_b + qs2_be - (v.qs2e - v.vn) / 2.7e3 - (v.qs2e - v.ph) / 2.4e3,
        "ph": (v.qs2e - v.ph) / 2.4e3 - 1e-6 * ddt(v.ph - v.an2),
        "an1": 1e-6 * ddt(v.qs2c - v.an1) - (v.an1 - v.bus) / 33e3 - i.d1 - d1_c,
        "an2": 1e-6 * ddt(v.ph - v.an2) - (v.an2 - v.bus) / 33e3 - i.d2 - d2_c,
        # timing and bias
        "rc": i.d1 + d1_c + i.d2 + d2_c - (v.rc - v.ctl) / p3,
        "ctl": (v.rc - v.ctl) / p3 - 0.15e-6 * ddt(v.ctl) - i.d3 - d3_c
        - (v.ctl - v.vb) / p4 - (v.ctl - v.g) / 47e3,
        "vb": (v.ctl - v.vb) / p4 + (v.tb - v.vb) / p5_tb - (v.vb - v.tt) / p5_tt - 10e-6 * ddt(v.vb),
        "tb": (v.vn - v.tb) / 12e3 - (v.tb - v.vb) / p5_tb,
        "tt": (v.vb - v.tt) / p5_tt - v.tt / 5.1e3,
    }  # fmt: skip


def _ports(v):
    """Junction voltages (reversed for a PNP) and fluxes, in the order in which _devices reads them."""
    terminals = {
        "q1": (v.q1b, v.q1c, v.q1e), "q2": (v.q1c, v.q2c, v.q2e), "q3": (v.q2c, v.va, v.q3e),
        "q4": (v.q4b, v.q4c, v.q4e), "q5": (v.q4c, v.q5c, v.q5e), "q6": (v.q5c, v.vp, v.q6e),
        "q7": (v.q7b, v.q6e, v.q7e), "qs1": (v.qs1b, v.qs1c, v.qs1e), "qs2": (v.qs1c, v.qs2c, v.qs2e),
    }  # fmt: skip
    sign = {q: -1 if kind is SMALL_PNP else 1 for q, kind in TRANSISTORS.items()}
    return (
        {f"{q}_be": sign[q] * (terminals[q][0] - terminals[q][2]) for q in TRANSISTORS}
        | {f"{q}_bc": sign[q] * (terminals[q][0] - terminals[q][1]) for q in TRANSISTORS}
        | {"v_gs": v.g, "v_gd": v.g - v.dr, "d1": v.an1 - v.rc, "d2": v.an2 - v.rc, "d3": v.ctl}
        | {"phi1": v.phi1, "phi2": v.phi2}
    )


_MODEL = np.array(list(TRANSISTORS.values())).T[:4]  # I_S, beta_F, beta_R, V_A of all transistors
_C, _B, _J, _D, _M = slice(0, 9), slice(9, 18), slice(18, 20), slice(20, 23), slice(23, 25)  # in ports and currents
_PLACES = np.array(  # of the slopes: current, port
    [(row + q, port + q) for row, port in ((0, 0), (0, 9), (9, 0), (9, 9)) for q in range(9)]
    + [(18, 18), (18, 19), (19, 18), (19, 19)]
    + [(k, k) for k in range(20, 25)]
).T


def _devices(p, cores, played):
    i, slope = np.empty(25), np.zeros((25, 25))
    i[_C], i[_B], *by_junction = transistor_currents(p[_C], p[_B], *_MODEL)
    i[_J], by_gate = jfet_currents(*p[_J])
    i[_D], by_diode = diode_current(p[_D])
    i[_M], by_flux = cores.currents(p[_M], played)
    slope[_PLACES[0], _PLACES[1]] = np.concatenate([*by_junction, *by_gate, by_diode, by_flux])
    return i, slope
