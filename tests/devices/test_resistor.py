"""Resistors that are not ideal: temperature coefficient and excess noise, against their definitions."""


import numpy as np
import pytest
from scipy.constants import k

import fetsim
from fetsim.devices.noise import EXCESS
from fetsim.devices.resistor import excess_per_volt, resistance_at
from fetsim.engine.assembly import assemble
from fetsim.engine.bias import find_bias
from fetsim.engine.circuit import Circuit, element
from fetsim.engine.linear import linearise
from fetsim.engine.noise_sources import noise_sources
from fetsim.measurements.noise.analysis import weighted_noise_rms
from fetsim.measurements.noise.procedure import noise_powers
from fetsim.schematic.wiring import build_circuit

T_K = 300.0


@pytest.mark.parametrize(
    ("ppm", "celsius", "ohm"), [(0.0, 85.0, 1e3), (100.0, 35.0, 1001.0), (-200.0, 75.0, 990.0), (3900.0, 5.0, 922.0)]
)
def test_resistance_goes_with_temperature_in_a_straight_line(ppm, celsius, ohm):
    # the definition of the coefficient, from 25 C on
    assert resistance_at(1e3, 1e-6 * ppm, celsius) == pytest.approx(ohm, rel=1e-12)


def test_the_coefficient_takes_the_units_temperature():
    unit = fetsim.load_unit("teaching").changed({"R1.temperature_coefficient": "100ppm/K", "temperature_c": 45.0})
    assert build_circuit(unit).element("R1").values["resistance_ohm"] == pytest.approx(
        unit.parts["R1"].values["value"] * 1.002, rel=1e-12
    )


@pytest.mark.parametrize(("index_db", "microvolt_per_volt"), [(0.0, 1.0), (-20.0, 0.1), (20.0, 10.0), (-32.0, 0.02512)])
def test_noise_index(index_db, microvolt_per_volt):
    # IEC 60195: 20 lg of microvolts in a decade for each volt (from memory)
    assert 1e6 * excess_per_volt(index_db) == pytest.approx(microvolt_per_volt, rel=1e-4)


@pytest.mark.parametrize("decade_hz", [20.0, 618.0, 2000.0])
def test_excess_noise_is_the_same_in_every_decade(decade_hz):
    """10 V across a resistor of +6 dB, fed by its like: half of what 10 V times 2 uV/V of one would be without a load,
    beside the 4kTR of both; the feeding one carries as much."""
    per_volt = excess_per_volt(20.0 * np.log10(2.0))
    circuit = Circuit((
        element("source", "V", ["s", "0"], resistance_ohm=1e-3, emf_v=20.0, emf_per_input=0.0),
        element("noisy_resistor", "R1", ["s", "a"], resistance_ohm=10e3, excess_per_volt=per_volt),
        element("noisy_resistor", "R2", ["a", "0"], resistance_ohm=10e3, excess_per_volt=per_volt),
    ))  # fmt: skip
    system = assemble(circuit)
    state = find_bias(system)
    sources = noise_sources(circuit, state, system.index, T_K)
    weights = np.zeros(system.size)
    weights[system.index["a"]] = 1.0
    grid = np.geomspace(decade_hz, 10.0 * decade_hz, 40)
    powers = noise_powers(linearise(system, state), sources, weights, grid)
    excess = [power for source, power in zip(sources, powers, strict=True) if source.cause == EXCESS]
    rms_v = weighted_noise_rms(np.sqrt(np.sum(excess, axis=0)), frequency_hz=grid)
    assert rms_v == pytest.approx(np.sqrt(2.0) * 0.5 * 10.0 * 2e-6, rel=1e-6)
    white = np.sum(powers, axis=0) - np.sum(excess, axis=0)
    assert white == pytest.approx(4.0 * k * T_K * 5e3, rel=1e-5)


def test_pieces_of_a_track_make_the_noise_of_the_whole():
    unit = fetsim.load_unit("dunlin").changed({"P2.noise_index": "0dB"})
    upper, lower = (build_circuit(unit).element(f"P2.{leg}").values for leg in ("upper", "lower"))
    # 1 V across all of it, the wiper without load: 1 uV in a decade from end to end
    whole_ohm = upper["resistance_ohm"] + lower["resistance_ohm"]
    square = sum((leg["excess_per_volt"] * leg["resistance_ohm"] / whole_ohm) ** 2 for leg in (upper, lower))
    assert square == pytest.approx(1e-12, rel=1e-9)


def test_an_index_adds_the_excess_alone():
    plain = fetsim.load_unit("teaching")
    resistors = [name for name, part in plain.parts.items() if part.kind == "resistor"]
    noisy = plain.changed({f"{name}.noise_index": "-10dB" for name in resistors})
    before, after = (fetsim.measure_noise(unit, largest=False).states[0] for unit in (plain, noisy))
    added = [one for one in after.contributions if one.cause == EXCESS]
    assert added
    of_before = {(one.designator, one.cause): one.output_dbu for one in before.contributions}
    assert of_before == {
        (one.designator, one.cause): one.output_dbu for one in after.contributions if one.cause != EXCESS
    }


def test_nothing_is_asked_of_an_ideal_resistor():
    circuit = build_circuit(fetsim.load_unit("dunlin"))
    assert {e.kind for e in circuit.elements if e.name.startswith("R")} == {"resistor"}
