"""A depletion layer's capacitance against the textbook's, alone and as a FET's gate."""

import numpy as np
import pytest

import fetsim
from fetsim.cli.main import main
from fetsim.devices.depletion import depletion, without_voltage_f
from fetsim.engine.assembly import assemble
from fetsim.engine.bias import find_bias
from fetsim.engine.circuit import Circuit, element
from fetsim.engine.linear import linearise
from fetsim.engine.simulation import Simulation
from fetsim.rig.rig import Rig
from fetsim.schematic.temperature import figures_at
from fetsim.schematic.wiring import build_circuit

FARAD, BUILT_IN_V = 15e-12, 0.8
LAYER = element("depletion", "D", ("a", "0"), capacitance_f=FARAD, built_in_v=BUILT_IN_V)
GATE = {"J1.gate_source_capacitance_voltage": "10V", "J1.gate_drain_capacitance_voltage": "10V"}


def feed(ohm, emf_v=0.0, per_input=0.0):
    return element("source", "V", ["a", "0"], resistance_ohm=ohm, emf_v=emf_v, emf_per_input=per_input)


def admittance_s(elements, emf_v, frequency_hz=1e6):
    """At node ``a``, small signals around the bias; the feed of 1 kohm taken off."""
    system = assemble(Circuit((*elements, feed(1e3, emf_v))))
    linear = linearise(system, find_bias(system))
    place = system.index["a"]
    return 1.0 / linear.solve(frequency_hz, np.eye(system.size)[place])[place] - 1e-3


@pytest.mark.parametrize("volt", [0.39, 0.0, -0.3, -2.4, -9.2, -60.0])
def test_capacitance_is_that_of_an_abrupt_junction(volt):
    """C_0 / sqrt(1 - v / v_bi), in the circuit (Sze, from memory)."""
    expected = FARAD / np.sqrt(1.0 - volt / BUILT_IN_V)
    assert admittance_s([LAYER], volt) == pytest.approx(2j * np.pi * 1e6 * expected, rel=1e-6)


def test_forward_it_rises_no_further_than_at_half_the_built_in_potential():
    for volt in (0.41, 0.8, 1.5):
        assert admittance_s([LAYER], volt).imag == pytest.approx(2.0 * np.pi * 1e6 * FARAD * np.sqrt(2.0), rel=1e-6)


def test_charge_is_that_of_the_textbook_and_bends_nowhere():
    """q = 2 v_bi C_0 (1 - sqrt(1 - v / v_bi)) in reverse; the slope goes on where the capacitance is held."""
    v = np.linspace(-40.0, 0.399, 200)
    x = 2.0 * BUILT_IN_V * (1.0 - np.sqrt(1.0 - v / BUILT_IN_V))
    assert depletion(x, BUILT_IN_V, 0.5 / BUILT_IN_V)[0] == pytest.approx(v, abs=1e-12)
    x = np.linspace(-20.0, 3.0, 4001)
    volt, slope = depletion(x, BUILT_IN_V, 0.5 / BUILT_IN_V)
    assert np.all(np.diff(volt) > 0.0) and np.all(slope > 0.7)
    # the slope falls by 1 / (2 v_bi) at most: half a step of it between a difference and its middle
    assert np.diff(volt) / np.diff(x) == pytest.approx(0.5 * (slope[1:] + slope[:-1]), abs=1e-3)


def test_no_charge_is_lost_or_made():
    """What flows in through 1 Mohm over a large, irregular signal is what is there."""
    circuit = Circuit((LAYER, feed(1e6, per_input=1.0)))
    simulation = Simulation.of(circuit, 1e6, ["a", "D.charge"], tolerance_v=1e-10, compiled=False)
    u = np.repeat(np.random.default_rng(5).normal(size=12) * 6.0, 40)
    u = np.concatenate((u, np.zeros(1000)))
    there = simulation.advance(u)
    current = (u - there[:, 0]) / 1e6
    assert np.abs(there[:480, 0]).max() > 3.0
    assert depletion(there[:, 1], BUILT_IN_V, 0.5 / BUILT_IN_V)[0] == pytest.approx(there[:, 0], abs=1e-8)
    # every BDF method is exact for a straight line and sums to the whole increment once all is still
    moved = np.sum(np.abs(current)) / 1e6
    assert np.sum(current) / 1e6 == pytest.approx(FARAD * there[-1, 1], abs=1e-7 * moved)


def test_a_capacitance_is_met_where_it_was_read():
    farad = without_voltage_f(5e-12, 10.0, BUILT_IN_V)
    layer = element("depletion", "D", ("a", "0"), capacitance_f=farad, built_in_v=BUILT_IN_V)
    assert admittance_s([layer], -10.0).imag == pytest.approx(2.0 * np.pi * 1e6 * 5e-12, rel=1e-6)


def gate_farad(unit):
    """Of a FET's gate at the bias, drain and source held by little resistance: what its stopper sees."""
    rig = Rig(unit)
    linear = linearise(rig.system, rig.bias)
    place = rig.system.index["g"]
    admittance = 1.0 / linear.solve(1e6, np.eye(rig.system.size)[place])[place]
    return admittance.imag / (2.0 * np.pi * 1e6)


def test_a_gate_in_reverse_has_less_than_at_none():
    """The teaching loop's gate rests 5 V in reverse: sqrt((10 + 0.8) / (5 + 0.8)) times what was read at 10 V."""
    constant = fetsim.load_unit("teaching").changed({"R1": "1", "R4": "1k"})
    moved = constant.changed(GATE)
    ratio = np.sqrt((10.0 + BUILT_IN_V) / (5.0 + BUILT_IN_V))
    assert gate_farad(moved) == pytest.approx(ratio * gate_farad(constant), rel=2e-3)


def test_without_a_voltage_to_read_at_nothing_is_beside_the_fet():
    unit = fetsim.load_unit("teaching")
    names = [{made.name for made in build_circuit(one).elements} for one in (
        unit, unit.changed(GATE), unit.changed({"J1.gate_drain_capacitance_voltage": "10V"})
    )]  # fmt: skip
    assert names[1] - names[0] == {"J1.gate_source", "J1.gate_drain"} and names[2] - names[0] == {"J1.gate_drain"}


@pytest.mark.parametrize("changes", [{}, GATE])
def test_the_page_for_the_bench_tells_the_fet_as_ever(changes, capsys):
    options = [word for key, value in changes.items() for word in ("-c", f"{key}={value}")]
    with pytest.raises(SystemExit):
        main(["idle", "--unit", "teaching", *options])
    assert "V_GS -5.001 V, I_G -10 fA; gate" in " ".join(capsys.readouterr().out.split())


def test_warmth_narrows_the_layer():
    """2 mV/K less built-in potential (as the pinch-off voltage moves), at the same charge of the crystal."""
    device = fetsim.load_unit("teaching").changed(GATE).parts["J1"].device
    warm = figures_at(device, device.reference_temperature_c + 50.0)
    assert warm["gate_built_in_potential"] == pytest.approx(0.7)
    assert warm["gate_source_capacitance"] == pytest.approx(9e-12 * np.sqrt(10.8 / 10.7))
