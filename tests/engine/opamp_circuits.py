"""Circuits with operational amplifiers, straight from elements; rails of +-15 V unless said otherwise."""

from math import pi

from fetsim.devices.kinds import KINDS
from fetsim.engine.circuit import Circuit, element
from tests.engine.small import capacitor, resistor, source

RAIL_V, RAIL_OHM = 15.0, 1e-3
DIODE = {"i_sat_a": 5e-9, "slope_v": 1.8 * 0.02585, "capacitance_f": 4e-12}


def opamp(name, out, plus, minus, *, bandwidth_hz=3e6, slew_v_s=13e6, **values):
    """An amplifier without offset, bias current and noise, and next to no input capacitance, unless they are given."""
    ideal = {"offset_v": 0.0, "bias_plus_a": 0.0, "bias_minus_a": 0.0, "noise_v": 0.0, "noise_a": 0.0, "input_f": 1e-16}
    range_v = slew_v_s / (2.0 * pi * bandwidth_hz)
    of_it = {**KINDS["opamp"].typical, **ideal, "slew_v_s": slew_v_s, "half_range_v": 0.5 * range_v, **values}
    return element("opamp", name, [out, plus, minus, "vp", "vn"], **of_it)


def rails(volt=RAIL_V):
    return source("VP", "vp", RAIL_OHM, volt, 0.0), source("VN", "vn", RAIL_OHM, -volt, 0.0)


def inverter(ratio=10.0, ohm=10e3, load_ohm=10e3, load_f=100e-12, **values):
    return Circuit((
        *rails(), source("IN", "m", ohm), resistor("R2", "m", "out", ratio * ohm),
        opamp("U1", "out", "0", "m", **values),
        resistor("RL", "out", "0", load_ohm), capacitor("CL", "out", "0", load_f),
    ))  # fmt: skip


def buffer(load_ohm=10e3, load_f=1e-12, source_ohm=50.0, **values):
    return Circuit((
        *rails(), source("IN", "in", source_ohm), opamp("U1", "out", "in", "out", **values),
        resistor("RL", "out", "0", load_ohm), capacitor("CL", "out", "0", load_f),
    ))  # fmt: skip


def rectifier(load_f=100e-12, ohm=10e3, **values):
    """Full wave: half a wave from the diodes' ends, twice, and the input, summed."""
    return Circuit((
        *rails(), source("IN", "in", 1e-3), resistor("R1", "in", "m", ohm), resistor("R2", "m", "h", ohm),
        element("diode", "D1", ["a", "m"], **DIODE), element("diode", "D2", ["h", "a"], **DIODE),
        opamp("U1", "a", "0", "m", **values), capacitor("C1", "a", "0", load_f),
        resistor("R3", "in", "n", 2.0 * ohm), resistor("R4", "h", "n", ohm), resistor("R5", "n", "out", 2.0 * ohm),
        opamp("U2", "out", "0", "n", **values), capacitor("C2", "out", "0", load_f),
    ))  # fmt: skip


def comparator(ohm=10e3, ratio=4.0, load_f=10e-12, **values):
    """With hysteresis: turns over where the input passes its output over 1 + ``ratio``."""
    return Circuit((
        *rails(), source("IN", "in", 1e3), opamp("U1", "out", "p", "in", **values), resistor("R1", "p", "0", ohm),
        resistor("R2", "p", "out", ratio * ohm), capacitor("CL", "out", "0", load_f),
    ))  # fmt: skip
