"""The Greenshank, a feedback compressor with operational amplifiers round a p-channel FET, as hand-written equations.

One equation per node, the part values written into it: the sum of the currents flowing into it is zero. u1s to u4s are
the voltages of the amplifiers' gain stages. The unit stands at 25 C, its diodes and FET are given at 300 K. Contacts
of the selector have 50 mohm closed, and nothing open. Every amplifier's output gets 1 pF, without which it would have
no capacitor: 1e-3 degrees at 20 kHz, before feedback.

Controls are positions, 0 to 1: of P1 to P3 from the quiet end, of P4 and P5 from nothing, of P6 from tt (the end at
R33) to tb. P1 to P5 have logarithmic tracks.
"""

from dataclasses import dataclass

import numpy as np

from .handwritten import Circuit
from .parts import STAGE_F, Amplifier, Jfet, amplifier_currents, diode_current, jfet_currents

KELVIN, SHEET_KELVIN = 298.15, 300.0
V_T, SHEET_V_T = (8.617333262e-5 * kelvin for kelvin in (KELVIN, SHEET_KELVIN))  # V
OUT_F, CLOSED_OHM = 1e-12, 0.05


def saturation(i_s, n):
    """A at 25 C of a silicon junction (S. M. Sze, Physics of Semiconductor Devices, from memory)."""
    return i_s * (KELVIN / SHEET_KELVIN) ** (3 / n) * np.exp(1.12 / n * (1 / SHEET_V_T - 1 / V_T))


# beta follows the mobility, T^-1.5; the pinch-off voltage goes 2 mV/K (both from memory). The p-channel FET is used
# with all its voltages and currents reversed.
V_P = -2.4 - 2e-3 * (KELVIN - SHEET_KELVIN)
I_DSS = 6e-3 * (V_P / 2.4) ** 2 * (KELVIN / SHEET_KELVIN) ** -1.5
FET = Jfet(I_DSS, V_P, 0.008, saturation(10e-15, 1.0), 6e-12, 6e-12)
DIODE_N, DIODE_F = 1.752, 2e-12
DIODE_A = saturation(2.52e-9, DIODE_N)
JFET_INPUTS = Amplifier(13e6, 3e6, 2e5, 1.5, 40e-3, 125.0, 1.4e-3, 3e-3)
BIPOLAR_INPUTS = Amplifier(9e6, 10e6, 1e5, 2.0, 38e-3, 20.0, 4e-3, 0.5e-3)
AMPLIFIERS = {"u1": JFET_INPUTS, "u2": BIPOLAR_INPUTS, "u3": BIPOLAR_INPUTS, "u4": JFET_INPUTS}

CURVES = {"gentle": (20e3, 51e3), "middle": (43e3, 27e3), "steep": (91e3, 13e3)}  # round U4; from the rail to bb
UNKNOWNS = (
    "vp vn ih ic a1 a2 u1p u1m u1s u1o w sr dr g ctl lx u2p u2m u2s u2o fb po mk u3p u3m u3s u3o fc lo out "
    "th si u4m u4s sc bb an rc vb tb tt"
).split()
CURRENTS = [f"{name}_{end}" for name in AMPLIFIERS for end in ("stage", "pos", "neg")] + ["j1_d", "j1_g", "d1", "d2"]


@dataclass(frozen=True)
class Settings:
    drive: float = 0.55
    makeup: float = 0.6
    threshold: float = 0.85
    attack: float = 0.5
    release: float = 0.6
    idle_trim: float = 0.4
    curve: str = "middle"


DEFAULT = Settings()


def circuit(settings=DEFAULT):
    rails = {"plus": 15.0, "minus": -15.0, "one": 1.0}
    return Circuit(UNKNOWNS, CURRENTS, rails, lambda v, i, s, ddt: _equations(settings, v, i, s, ddt), _ports, _devices)


def bias(settings=DEFAULT):
    """dict node -> volts at rest."""
    return circuit(settings).bias()


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


def channel_s(v):
    """Chord conductance of the FET's channel, S, at the nodes' voltages; at no voltage across it that of 1 uV."""
    gate, drain = np.asarray(v["g"]), np.asarray(v["dr"])
    drain = np.where(np.abs(drain) < 1e-6, 1e-6, drain)
    (current, _), _ = jfet_currents(-gate, drain - gate, FET._replace(i_s=0.0), V_T)
    return -current / drain


def track(position):
    return (np.exp(3 * position) - 1) / (np.exp(3) - 1)


def _equations(set_, v, i, s, ddt):
    p1_top, p1_bottom = 10e3 * (1 - track(set_.drive)), 10e3 * track(set_.drive)
    p2_top, p2_bottom = 10e3 * (1 - track(set_.makeup)), 10e3 * track(set_.makeup)
    p3_top, p3_bottom = 10e3 * (1 - track(set_.threshold)), 10e3 * track(set_.threshold)
    p4, p5 = 22e3 * track(set_.attack) + 220, 2.2e6 * track(set_.release) + 220e3
    p6_tb, p6_tt = 2e3 * (1 - set_.idle_trim), 2e3 * set_.idle_trim
    feedback, pull_up = (ohm + CLOSED_OHM for ohm in CURVES[set_.curve])
    round_u4 = (v.sc - v.u4m) * (1 / feedback + 1 / 1e6)
    in1 = (v.u1p - v.u1m) / 1e12 + 2e-12 * ddt(v.u1p - v.u1m)
    in2 = (v.u2p - v.u2m) / 300e3 + 4e-12 * ddt(v.u2p - v.u2m)
    in3 = (v.u3p - v.u3m) / 300e3 + 4e-12 * ddt(v.u3p - v.u3m)
    in4 = -v.u4m / 1e12 - 2e-12 * ddt(v.u4m)
    d1_c, d2_c = DIODE_F * ddt(v.rc - v.an), -DIODE_F * ddt(v.ctl)
    j1_gs, j1_gd = FET.c_gs * ddt(v.g), FET.c_gd * ddt(v.g - v.dr)
    biased = 2 * 67.5e-12 + 2 * 62.5e-12 + 2 * 205e-9 + 2 * 195e-9

    def stage(name):
        kind = AMPLIFIERS[name]
        a = getattr(v, name + "s")
        return getattr(i, name + "_stage") - kind.loss_s * a - STAGE_F * ddt(a)

    return {
        # supplies
        "vp": (s.plus - v.vp) / 1 - 470e-6 * ddt(v.vp) - i.u1_pos - i.u2_pos - i.u3_pos - i.u4_pos
        - (v.vp - v.bb) / pull_up - (v.vp - v.tb) / 33e3,
        "vn": (s.minus - v.vn) / 1 - 470e-6 * ddt(v.vn) + i.u1_neg + i.u2_neg + i.u3_neg + i.u4_neg + biased * s.one,
        # balanced input and drive
        "ih": (s.input / 2 - v.ih) / 25 - 22e-6 * ddt(v.ih - v.a1),
        "ic": (-s.input / 2 - v.ic) / 25 - 22e-6 * ddt(v.ic - v.a2),
        "a1": 22e-6 * ddt(v.ih - v.a1) - (v.a1 - v.u1p) / 24e3,
        "a2": 22e-6 * ddt(v.ic - v.a2) - (v.a2 - v.u1m) / 24e3,
        "u1p": (v.a1 - v.u1p) / 24e3 - v.u1p / 12e3 - in1 - 67.5e-12 * s.one,
        "u1m": (v.a2 - v.u1m) / 24e3 + (v.u1o - v.u1m) / 12e3 + in1 - 62.5e-12 * s.one,
        "u1s": stage("u1"),
        "u1o": i.u1_pos - i.u1_neg - (v.u1o - v.u1m) / 12e3 - (v.u1o - v.w) / p1_top - OUT_F * ddt(v.u1o),
        "w": (v.u1o - v.w) / p1_top - v.w / p1_bottom - 10e-6 * ddt(v.w - v.sr),
        # divider
        "sr": 10e-6 * ddt(v.w - v.sr) - (v.sr - v.dr) / 15e3,
        "dr": (v.sr - v.dr) / 15e3 - v.dr / 220e3 + i.j1_d + j1_gd - 1e-6 * ddt(v.dr - v.u2p),
        "g": (v.ctl - v.g) / 47e3 + 22e-9 * ddt(v.lx - v.g) + i.j1_g - j1_gs - j1_gd,
        "lx": (v.po - v.lx) / 3.9e6 - 22e-9 * ddt(v.lx - v.g),
        # preamp
        "u2p": 1e-6 * ddt(v.dr - v.u2p) - v.u2p / 100e3 - in2 - 205e-9 * s.one,
        "u2m": (v.u2o - v.u2m) / 8.2e3 + 47e-12 * ddt(v.u2o - v.u2m) - (v.u2m - v.fb) / 200 + in2 - 195e-9 * s.one,
        "u2s": stage("u2"),
        "u2o": i.u2_pos - i.u2_neg - (v.u2o - v.u2m) / 8.2e3 - 47e-12 * ddt(v.u2o - v.u2m)
        - 47e-6 * ddt(v.u2o - v.po) - OUT_F * ddt(v.u2o),
        "fb": (v.u2m - v.fb) / 200 - 470e-6 * ddt(v.fb),
        "po": 47e-6 * ddt(v.u2o - v.po) - (v.po - v.lx) / 3.9e6 - (v.po - v.mk) / p2_top - (v.po - v.th) / p3_top,
        # makeup and line amplifier
        "mk": (v.po - v.mk) / p2_top - v.mk / p2_bottom - 2.2e-6 * ddt(v.mk - v.u3p),
        "u3p": 2.2e-6 * ddt(v.mk - v.u3p) - v.u3p / 47e3 - in3 - 205e-9 * s.one,
        "u3m": (v.u3o - v.u3m) / 5.6e3 + 47e-12 * ddt(v.u3o - v.u3m) - (v.u3m - v.fc) / 1e3 + in3 - 195e-9 * s.one,
        "u3s": stage("u3"),
        "u3o": i.u3_pos - i.u3_neg - (v.u3o - v.u3m) / 5.6e3 - 47e-12 * ddt(v.u3o - v.u3m) - (v.u3o - v.lo) / 47
        - OUT_F * ddt(v.u3o),
        "fc": (v.u3m - v.fc) / 1e3 - 220e-6 * ddt(v.fc),
        "lo": (v.u3o - v.lo) / 47 - 220e-6 * ddt(v.lo - v.out),
        "out": 220e-6 * ddt(v.lo - v.out) - v.out / 10e3 - v.out / 10e3,
        # threshold, amplifier and selector
        "th": (v.po - v.th) / p3_top - v.th / p3_bottom - 10e-6 * ddt(v.th - v.si),
        "si": 10e-6 * ddt(v.th - v.si) - (v.si - v.u4m) / 10e3,
        "u4m": (v.si - v.u4m) / 10e3 + round_u4 + in4 - 62.5e-12 * s.one,
        "u4s": stage("u4"),
        "sc": i.u4_pos - i.u4_neg - round_u4 - 1e-6 * ddt(v.sc - v.an) - OUT_F * ddt(v.sc),
        "bb": (v.vp - v.bb) / pull_up - v.bb / 11e3 + (v.an - v.bb) / 33e3 - 22e-6 * ddt(v.bb),
        # rectifier, timing, bias
        "an": 1e-6 * ddt(v.sc - v.an) - (v.an - v.bb) / 33e3 + i.d1 + d1_c,
        "rc": -i.d1 - d1_c - (v.rc - v.ctl) / p4,
        "ctl": (v.rc - v.ctl) / p4 - 0.22e-6 * ddt(v.ctl) + i.d2 + d2_c - (v.ctl - v.vb) / p5 - (v.ctl - v.g) / 47e3,
        "vb": (v.ctl - v.vb) / p5 + (v.tb - v.vb) / p6_tb - (v.vb - v.tt) / p6_tt - 10e-6 * ddt(v.vb),
        "tb": (v.vp - v.tb) / 33e3 - (v.tb - v.vb) / p6_tb,
        "tt": (v.vb - v.tt) / p6_tt - v.tt / 6.8e3,
    }  # fmt: skip


def _ports(v):
    """Four of every amplifier (``amplifier_currents``), then the FET's reversed, then the diodes'."""
    inputs = {"u1": v.u1p - v.u1m, "u2": v.u2p - v.u2m, "u3": v.u3p - v.u3m, "u4": -v.u4m}
    outputs = {"u1": v.u1o, "u2": v.u2o, "u3": v.u3o, "u4": v.sc}
    forms = {}
    for name, form in inputs.items():
        a = getattr(v, name + "s")
        forms |= {f"{name}_in": form, f"{name}_above": a - v.vp, f"{name}_below": v.vn - a}
        forms |= {f"{name}_drop": a - outputs[name]}
    return forms | {"v_sg": -v.g, "v_dg": v.dr - v.g, "d1": v.rc - v.an, "d2": -v.ctl}


def _devices(p):
    i, slope = np.empty(16), np.zeros((16, 20))
    for k, kind in enumerate(AMPLIFIERS.values()):
        own, its = slice(3 * k, 3 * k + 3), slice(4 * k, 4 * k + 4)
        i[own], slope[own, its] = amplifier_currents(*p[its], kind)
    i[12:14], slope[12:14, 16:18] = jfet_currents(*p[16:18], FET, V_T)
    i[14:], by_diode = diode_current(p[18:], DIODE_A, DIODE_N, V_T)
    slope[[14, 15], [18, 19]] = by_diode
    return i, slope
