"""Teaching circuit: one FET divider in one feedback loop, everything else ideal.

Part list (designator, kind, value, nodes; ground is 0):

    RS  resistor   50      source EMF e .. inp       (the source's own resistance)
    R1  resistor   4.7k    inp .. dr                 upper leg of the divider
    J1  JFET               drain dr, gate g, source 0     lower leg; I_DSS 15 mA, V_P -4.5 V,
                           lambda 0.006/V, gate junctions 5 fA n 1, C_gs = C_gd = 9p
    A1  amplifier  gain 25 input dr (takes no current), output through RO
    RO  resistor   100     A1's ideal output .. po   its output resistance
    RL  resistor   10k     po .. 0                   load
    C1  capacitor  1u      po .. an                  into the rectifier
    R2  resistor   100k    an .. VK, VK = -7.0 V     delay bias: sets the threshold
    D1  diode              anode an, cathode rc      I_S 0.5 nA, n 1.75, 2p
    R3  resistor   1k      rc .. ctl                 attack
    C2  capacitor  0.15u   ctl .. 0                  holds the control voltage
    R4  resistor   1M      ctl .. vb                 release
    R5  resistor   100     vb .. VB, VB = -5.0 V     resistance of the bias supply
    R6  resistor   47k     ctl .. g                  gate stopper

The idle bias is 0.5 V below pinch-off (the FET is open) and the rectifier moves the control voltage over
pinch-off when the peak at po passes about 7.0 - 4.5 + 0.4 = 2.9 V, that is 0.117 V peak (-19.4 dBu) at the
input. Output: po.
"""

import numpy as np

from .handwritten import Circuit
from .parts import DIODE, JFET, diode_current, jfet_currents

UNKNOWNS = ("inp", "dr", "g", "po", "an", "rc", "ctl", "vb")
VK_V, VB_V, GAIN = -7.0, -5.0, 25.0


def circuit():
    return Circuit(
        UNKNOWNS, ("drain", "gate", "d1"), {"vk": VK_V, "vb": VB_V},
        _equations, _ports, _devices,
    )  # fmt: skip


def bias():
    """dict node -> volts at rest."""
    return circuit().bias()


def simulate(u, t_end_s, t_out_s, **tolerances):
    """dict node -> volts at t_out_s for the source voltage u(t), from rest."""
    return circuit().simulate(u, t_end_s, t_out_s, **tolerances)


def _equations(v, i, s, ddt):
    c_gd, c_d1 = JFET.c_gd * ddt(v.g - v.dr), DIODE.c * ddt(v.an - v.rc)
    return {
        "inp": (s.input - v.inp) / 50 - (v.inp - v.dr) / 4.7e3,
        "dr": (v.inp - v.dr) / 4.7e3 - i.drain + c_gd,
        "g": (v.ctl - v.g) / 47e3 - i.gate - c_gd - JFET.c_gs * ddt(v.g),
        "po": (GAIN * v.dr - v.po) / 100 - v.po / 10e3 - 1e-6 * ddt(v.po - v.an),
        "an": 1e-6 * ddt(v.po - v.an) + (s.vk - v.an) / 100e3 - i.d1 - c_d1,
        "rc": i.d1 + c_d1 - (v.rc - v.ctl) / 1e3,
        "ctl": (v.rc - v.ctl) / 1e3 + (v.vb - v.ctl) / 1e6 - (v.ctl - v.g) / 47e3 - 0.15e-6 * ddt(v.ctl),
        "vb": (s.vb - v.vb) / 100 - (v.vb - v.ctl) / 1e6,
    }


def _ports(v):
    return {"v_gs": v.g, "v_gd": v.g - v.dr, "d1": v.an - v.rc}


def _devices(p):
    (drain, gate), ((dgs, dgd), (ggs, ggd)) = jfet_currents(p[0], p[1])
    d1, slope = diode_current(p[2])
    return np.array([drain, gate, d1]), np.array([[dgs, dgd, 0], [ggs, ggd, 0], [0, 0, slope]])
