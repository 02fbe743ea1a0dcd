"""Growing modes against closed forms, and none where a circuit rests."""

import numpy as np
import pytest

from fetsim.engine.assembly import assemble
from fetsim.engine.bias import find_bias
from fetsim.engine.circuit import Circuit, element
from fetsim.engine.linear import linearise
from fetsim.engine.modes import growing_modes
from tests.engine.exact import exact_circuit
from tests.engine.small import capacitor, diode_clipper, rc_low_pass, resistor, source


def modes(circuit):
    system = assemble(circuit)
    bias = find_bias(system)
    return growing_modes(circuit, linearise(system, bias), bias)


def test_positive_feedback_grows_at_its_loop_gain_less_one():
    """An amplifier of gain A back to its own input through R into C: tau dv/dt = (A - 1) v, so A = 3 grows with RC / 2
    (closed form; 1 ohm of output resistance in 10 kohm)."""
    circuit = Circuit((
        source("V", "in", 600.0),
        element("amplifier", "A1", ["out", "0", "x", "0"], gain=3.0, resistance_ohm=1.0),
        resistor("R1", "out", "x", 10e3),
        capacitor("C1", "x", "0", 1e-6),
    ))  # fmt: skip
    (mode,) = modes(circuit)
    assert mode.pole_per_s.real == pytest.approx(2.0 / 10e-3, rel=2e-4)
    assert mode.frequency_hz == 0.0
    assert mode.element == "A1"


def test_an_oscillator_grows_at_its_frequency():
    """Two equal RC sections and a gain of A from the second back to the first, series R C and parallel R C: the
    frequency is 1/(2 pi R C) and the growth (A - 3) / (2 RC) (bridge oscillator, circuit theory)."""
    ohm, farad, gain = 10e3, 10e-9, 3.2
    circuit = Circuit((
        source("V", "in", 600.0),
        element("amplifier", "A1", ["out", "0", "p", "0"], gain=gain, resistance_ohm=1e-3),
        resistor("R1", "out", "m", ohm), capacitor("C1", "m", "p", farad),
        resistor("R2", "p", "0", ohm), capacitor("C2", "p", "0", farad),
    ))  # fmt: skip
    (mode,) = modes(circuit)
    growth = (gain - 3.0) / (2.0 * ohm * farad)
    assert mode.pole_per_s.real == pytest.approx(growth, rel=1e-5)
    assert mode.frequency_hz == pytest.approx(np.sqrt((ohm * farad) ** -2 - growth**2) / (2 * np.pi), rel=1e-5)
    assert mode.element == "A1"


@pytest.mark.parametrize("farad", [1e-12, 1e-6, 1.0])
def test_an_integrator_does_not_grow(farad):
    """Charge that nothing carries off has its pole at zero, or where rounding puts it: on either side."""
    for ohm in (1e-3, 1e3, 1e9):
        floating = Circuit((
            source("V", "a", ohm), capacitor("C1", "a", "b", farad), capacitor("C2", "b", "0", farad),
            resistor("R", "b", "0", 1e12),
        ))  # fmt: skip
        assert modes(floating) == ()


@pytest.mark.parametrize("name", ["dunlin", "teaching"])
def test_none_in_circuits_that_rest(name):
    assert modes(exact_circuit(name)) == modes(rc_low_pass()) == modes(diode_clipper()) == ()
