"""The Dunlin with just the figures that the independent equations in tests/reference use.

The shipped file sets its controls by rotation to five digits and its temperature to two; here the tracks' fractions,
kT/q = 25.85 mV and ideal switches are put in directly, so that what remains is the solver's error.
"""

from dataclasses import replace

from fetsim.engine.circuit import Circuit
from fetsim.schematic.load import load_unit
from fetsim.schematic.wiring import build_circuit

THERMAL_V = 0.02585
FRACTIONS = {"P1.fraction": 0.178, "P2.fraction": 0.3, "P3.fraction": 0.3, "P4.fraction": 0.3}
EXACT = {
    "bjt_npn": {"thermal_v": THERMAL_V},
    "bjt_pnp": {"thermal_v": THERMAL_V},
    "diode": {"slope_v": 1.75 * THERMAL_V},
    "jfet_n": {
        "gate_slope_v": THERMAL_V, "tail_slope_v": 2 * THERMAL_V, "pinch_off_v": -4.5, "beta_a_v2": 0.015 / 4.5**2,
    },
}


def exact_circuit(unit_name: str = "dunlin", **changes: str | float) -> Circuit:
    unit = load_unit(unit_name)
    fractions = FRACTIONS if unit_name == "dunlin" else {}
    circuit = build_circuit(unit.changed({**fractions, **changes}))
    elements = []
    for e in circuit.elements:
        values = {**e.values, **EXACT.get(e.kind, {})}
        if e.kind == "resistor" and e.name.startswith("S"):
            values["resistance_ohm"] = 1e-3 if values["resistance_ohm"] < 1.0 else 1e15
        elements.append(replace(e, values=values))
    return Circuit(tuple(elements))
