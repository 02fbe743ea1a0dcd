"""The bias point found from a neighbour's."""

import numpy as np
import pytest

from fetsim.engine.assembly import assemble
from fetsim.engine.bias import TOLERANCE_V, find_bias
from fetsim.engine.circuit import element
from fetsim.engine.nearby import rest_nearby
from fetsim.schematic.load import load_unit
from fetsim.schematic.wiring import build_circuit
from tests.engine.small import DIODE, Circuit, diode_clipper, rc_low_pass, resistor, source

START_MATTERS_V = 1e-9
"""3e-11 V at most were seen: rounding of currents of 10 mA at nodes of up to a megohm."""


def _build(unit, rng):
    """All values within 25 % of the nominal ones, transistors further."""
    changes = {}
    for name, part in unit.parts.items():
        if part.kind in ("resistor", "capacitor", "potentiometer", "rheostat"):
            changes[name] = part.values["value"] * rng.uniform(0.8, 1.25)
        if part.kind == "supply":
            changes[f"{name}.voltage"] = part.values["voltage"] * rng.uniform(0.95, 1.05)
        if part.kind == "jfet":
            changes[f"{name}.pinch_off_voltage"] = part.device.figures["pinch_off_voltage"] * rng.uniform(0.8, 1.2)
        if part.kind == "bjt":
            changes[f"{name}.saturation_current"] = part.device.figures["saturation_current"] * rng.uniform(0.3, 3.0)
            changes[f"{name}.current_gain"] = part.device.figures["current_gain"] * rng.uniform(0.5, 2.0)
    return assemble(build_circuit(unit.changed(changes)))


@pytest.mark.parametrize("name", ["dunlin", "teaching"])
def test_builds_are_found_from_any_neighbour_as_from_cold(name):
    unit, rng = load_unit(name), np.random.default_rng(1)
    nominal = find_bias(assemble(build_circuit(unit)))
    neighbour = nominal
    for _ in range(12):
        system = _build(unit, rng)
        found = rest_nearby(system, system.b, nominal, TOLERANCE_V)
        again = rest_nearby(system, system.b, neighbour, TOLERANCE_V)
        assert found is not None and again is not None
        assert again == pytest.approx(found, abs=START_MATTERS_V)
        assert find_bias(system) == pytest.approx(found, abs=START_MATTERS_V)
        currents, _ = system.evaluate(found)  # device by device, not law by law
        assert system.g @ found + currents == pytest.approx(system.b, abs=1e-12)
        neighbour = found


def test_a_start_that_leads_nowhere_falls_back_to_the_search_from_cold():
    system = assemble(build_circuit(load_unit("dunlin")))
    bias = find_bias(system)
    for start in (np.full(system.size, np.nan), np.full(system.size, 1e8)):
        assert rest_nearby(system, system.b, start, TOLERANCE_V) is None
        assert np.array_equal(find_bias(system, start), bias)


def test_a_junction_that_has_far_to_rise_is_held_back():
    """From a discharged circuit 10 V through 1 kohm would put 10 V on the diode in one step."""
    circuit = Circuit((source("V", "a", 1e3, emf_v=10.0), element("diode", "D", ["a", "0"], **DIODE)))
    system = assemble(circuit)
    (volt,) = rest_nearby(system, system.b, np.zeros(1), TOLERANCE_V)
    assert (10.0 - volt) / 1e3 == pytest.approx(DIODE["i_sat_a"] * np.expm1(volt / DIODE["slope_v"]), rel=1e-9)


def test_circuits_without_junctions_and_without_solution():
    linear = assemble(rc_low_pass())
    assert rest_nearby(linear, np.array([2e-3]), np.zeros(1), TOLERANCE_V) == pytest.approx([2.0])
    clipper = assemble(diode_clipper())
    assert rest_nearby(clipper, np.array([np.inf]), np.zeros(1), TOLERANCE_V) is None
    nothing = assemble(Circuit((source("V", "a", 1.0), resistor("R", "b", "c", 1.0))))  # b and c hang in the air
    assert rest_nearby(nothing, nothing.b, np.zeros(3), TOLERANCE_V) is None


def test_where_rounding_ends_it_a_neighbour_leads_to_the_state_from_cold():
    """Closed contacts of 100 S between nodes of 400 kohm: 4 V round by 6e-14 A in the sum of a node, 2e-8 V there."""
    pair = load_unit("dunlin-pair")
    nominal = find_bias(assemble(build_circuit(pair)))
    system = assemble(build_circuit(pair.changed({"left_idle_trim": 0.55, "right_J1.pinch_off_voltage": -4.1})))
    found = rest_nearby(system, system.b, nominal, TOLERANCE_V)
    assert found is not None
    assert found == pytest.approx(find_bias(system), abs=1e-7)
    assert np.abs(found - nominal).max() > 0.05
