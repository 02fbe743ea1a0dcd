"""Transfers through linearised circuits against closed forms."""

import numpy as np
import pytest

from fetsim.engine.assembly import assemble
from fetsim.engine.bias import find_bias
from fetsim.engine.circuit import Circuit, element
from fetsim.engine.linear import linearise
from fetsim.measurements.bench.transfer import corners_hz, transfers
from tests.engine.small import capacitor, resistor, source

FALL = 10.0**0.3 - 1.0  # |H|^2 = 1 / (1 + FALL) at the -3.000 dB that corners are sought at; 0.9953, not 1


def linear_of(*elements):
    system = assemble(Circuit(elements))
    return linearise(system, find_bias(system))


def row(linear, node):
    weights = np.zeros(len(linear.index))
    weights[linear.index[node]] = 1.0
    return weights


def test_rc_gain_phase_delay_and_corner():
    """1 kohm and 100 nF: 1 / (1 + j w R C), delay R C / (1 + (w R C)^2), corner 1591.5 Hz."""
    linear = linear_of(source("V", "a", 1e3), capacitor("C", "a", "0", 100e-9))
    tau, f = 1e-4, np.geomspace(1.0, 1e6, 31)
    (found,) = transfers(linear, f, row(linear, "a")[None, :])
    wt = 2.0 * np.pi * f * tau
    np.testing.assert_allclose(found.gain, 1.0 / (1.0 + 1j * wt), rtol=1e-12)
    np.testing.assert_allclose(found.gain_db, -10.0 * np.log10(1.0 + wt**2), atol=1e-10)
    np.testing.assert_allclose(found.phase_deg, -np.degrees(np.arctan(wt)), atol=1e-9)
    np.testing.assert_allclose(found.group_delay_s, tau / (1.0 + wt**2), rtol=1e-9)
    low, high = corners_hz(linear, row(linear, "a"), middle_hz=0.1)
    assert low is None
    assert high == pytest.approx(np.sqrt(FALL) / (2.0 * np.pi * tau), rel=1e-6)


def test_phase_runs_on_through_180_degrees():
    """Four buffered RC sections: -360 degrees in the end, without a jump."""
    parts = [source("V", "n0", 1.0)]
    for k in range(4):
        parts += [
            element("amplifier", f"A{k}", [f"b{k}", "0", f"n{k}", "0"], gain=1.0, resistance_ohm=1e3),
            capacitor(f"C{k}", f"b{k}", "0", 100e-9),
            resistor(f"R{k}", f"b{k}", f"n{k + 1}", 1.0),
            resistor(f"L{k}", f"n{k + 1}", "0", 1e9),
        ]
    linear = linear_of(*parts)
    f = np.geomspace(10.0, 1e6, 200)
    (found,) = transfers(linear, f, row(linear, "n4")[None, :])
    np.testing.assert_allclose(found.phase_deg, -4.0 * np.degrees(np.arctan(2e-4 * np.pi * f)), atol=0.2)
    assert found.phase_deg[-1] < -355.0


def test_transformer_corner_counts_source_and_load_in_parallel():
    """600 ohm source, 600 ohm load, 10 H: 4.775 Hz, not the 9.549 Hz of the source alone (circuit theory)."""
    linear = linear_of(
        source("V", "p", 600.0),
        element(
            "transformer", "T", ["p", "0", "s", "0"], ratio=1.0, primary_resistance_ohm=1e-3, leakage_h=1e-9,
            magnetising_h=10.0, saturation_flux_vs=1e3, secondary_resistance_ohm=1e-3, primary_capacitance_f=1e-15,
            secondary_capacitance_f=1e-15,
        ),
        resistor("L", "s", "0", 600.0),
    )  # fmt: skip
    low, high = corners_hz(linear, row(linear, "s"), middle_hz=1000.0)
    assert low == pytest.approx(4.7746 / np.sqrt(FALL), rel=1e-4)
    assert high is None


def test_first_fall_counts_although_the_gain_comes_back():
    """A notch: the corners are its near sides, not what lies beyond."""
    linear = linear_of(
        source("V", "a", 1e3), element("inductor", "L", ["a", "b"], inductance_h=1e-3, resistance_ohm=1.0),
        capacitor("C", "b", "0", 1e-6), resistor("R", "a", "0", 1e6),
    )  # fmt: skip
    low, high = corners_hz(linear, row(linear, "a"), middle_hz=10.0)
    assert low is None
    assert high == pytest.approx(159.0, rel=0.01)  # the 1 kohm with 1 uF; the notch itself lies at 5.03 kHz
