"""Small circuits built straight from elements, the same as the modules of tests/reference."""

import numpy as np

from fetsim.engine.circuit import Circuit, element

DIODE = {"i_sat_a": 0.5e-9, "slope_v": 1.75 * 0.02585, "capacitance_f": 2e-12}
NPN = {
    "i_sat_a": 12e-15, "gain": 320.0, "reverse_gain": 4.0, "early_v": 80.0, "thermal_v": 0.02585,
    "capacitance_be_f": 18e-12, "capacitance_bc_f": 4e-12, "flicker_hz": 0.0,
}  # fmt: skip


def resistor(name: str, a: str, b: str, ohm: float):
    return element("resistor", name, [a, b], resistance_ohm=ohm)


def capacitor(name: str, a: str, b: str, farad: float):
    return element("capacitor", name, [a, b], capacitance_f=farad)


def source(name: str, a: str, ohm: float, emf_v: float = 0.0, per_input: float = 1.0):
    return element("source", name, [a, "0"], resistance_ohm=ohm, emf_v=emf_v, emf_per_input=per_input)


def rc_low_pass(ohm: float = 1e3, farad: float = 1e-6) -> Circuit:
    return Circuit((source("V", "a", ohm), capacitor("C", "a", "0", farad)))


def diode_clipper() -> Circuit:
    return Circuit((
        source("V", "out", 2.2e3),
        element("diode", "D1", ["out", "0"], **DIODE),
        element("diode", "D2", ["0", "out"], **DIODE),
        capacitor("C", "out", "0", 10e-9),
    ))  # fmt: skip


def response(linear, frequencies_hz, node):
    """Transfer from the input source to a node [V/V; shape=(len(frequencies_hz),)]."""
    return np.array([linear.solve(f, linear.driven_by())[linear.index[node]] for f in frequencies_hz])
