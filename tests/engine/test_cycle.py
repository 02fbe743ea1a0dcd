"""Rest with mains: against phasors, an ODE of the rectifier solved by scipy, and rules of thumb of the trade."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.special import wrightomega

from fetsim.engine.assembly import assemble
from fetsim.engine.circuit import Circuit, element
from fetsim.engine.cycle import find_cycle
from fetsim.engine.prepared import prepare
from fetsim.engine.signals import Sine
from fetsim.engine.simulation import Simulation
from fetsim.errors import ConvergenceError

DIODE = {"i_sat_a": 5e-9, "slope_v": 0.0465, "capacitance_f": 15e-12}
PEAK_V, WINDING_OHM = 25.0, 2.0


def mains(a, b, ohm=WINDING_OHM):
    return element("mains", "V90", [a, b], resistance_ohm=ohm).driven_by("mains")


def resistor(name, a, b, ohm):
    return element("resistor", name, [a, b], resistance_ohm=ohm)


def capacitor(name, a, b, farad):
    return element("capacitor", name, [a, b], capacitance_f=farad)


def bridge(load_ohm, farad):
    diodes = [("x1", "r"), ("x2", "r"), ("0", "x1"), ("0", "x2")]
    return [
        mains("x1", "x2"), *(element("diode", f"D{n}", pair, **DIODE) for n, pair in enumerate(diodes)),
        capacitor("C1", "r", "0", farad), resistor("R1", "r", "0", load_ohm),
    ]  # fmt: skip


def rest(elements, hertz, near=None):
    """Unknown -> its volts over a period at rest."""
    system = assemble(Circuit(tuple(elements), {"mains": Sine(frequency_hz=hertz, peak_v=PEAK_V)}))
    cycle = find_cycle(system, hertz, frozenset(system.unknowns), near)
    return dict(zip(system.unknowns, cycle.unknowns.T, strict=True))


@pytest.mark.parametrize("hertz", [50.0, 60.0])
def test_a_linear_circuit_is_where_phasors_say(hertz):
    """Behind R and C, and behind 20 s of another RC, which nobody waits for. 480 steps of BDF2: (w h)^2 / 3 = 6e-5."""
    elements = [
        mains("a", "0", 100.0), capacitor("C1", "a", "0", 47e-6), resistor("R2", "a", "b", 1e6),
        capacitor("C2", "b", "0", 20e-6), resistor("R3", "a", "0", 1e3),
    ]  # fmt: skip
    found = rest(elements, hertz)
    w = 2.0 * np.pi * hertz
    z = 1.0 / (1j * w * 47e-6 + 1.0 / 1e3 + 1.0 / (1e6 + 1.0 / (1j * w * 20e-6)))
    times = np.arange(1, 481) / (480 * hertz)
    expected = np.imag(PEAK_V * z / (z + 100.0) * np.exp(1j * w * times))
    assert np.abs(found["a"] - expected).max() < 1e-4 * np.abs(expected).max()
    assert abs(found["b"].mean()) < 1e-4


def rectified(hertz, load_ohm, farad):
    """The reservoir's voltage over its last period: an ODE of one state, the diodes' equation solved by Lambert's
    function, their leakage and capacitance left out."""
    slope, i_sat = 2.0 * DIODE["slope_v"], DIODE["i_sat_a"]

    def charging_a(volts, e):
        x = np.log(i_sat * WINDING_OHM / slope) + (abs(e) - volts + i_sat * WINDING_OHM) / slope
        return slope / WINDING_OHM * wrightomega(x).real - i_sat

    def rate(t, v):
        return (charging_a(v, PEAK_V * np.sin(2.0 * np.pi * hertz * t)) - v / load_ohm) / farad

    periods = 20
    times = (periods - 1 + np.arange(1, 481) / 480) / hertz
    solved = solve_ivp(rate, (0.0, periods / hertz), [0.9 * PEAK_V], method="LSODA", t_eval=times, rtol=1e-7,
                       atol=1e-7, max_step=0.02 / hertz)  # fmt: skip
    return solved.y[0]


@pytest.mark.parametrize(("hertz", "load_ohm", "farad"), [(50.0, 300.0, 1000e-6), (60.0, 1200.0, 220e-6)])
def test_a_rectifier_charges_its_reservoir_as_an_ode_says(hertz, load_ohm, farad):
    """The low rate samples a charging pulse of 1 to 2 ms 30 times or more: 2 mV of 24 V, half a percent of the ripple
    is what that leaves. Ripple: 0.78 to 0.91 of I / (2 f C), the pulse being no instant."""
    found, expected = rest(bridge(load_ohm, farad), hertz)["r"], rectified(hertz, load_ohm, farad)
    assert found.mean() == pytest.approx(expected.mean(), abs=2e-3)
    assert np.ptp(found) == pytest.approx(np.ptp(expected), rel=5e-3)
    assert 0.78 < np.ptp(found) / (found.mean() / load_ohm / (2.0 * hertz * farad)) < 0.91


def test_a_zener_passes_its_share_of_the_ripple():
    """r_z / (R + r_z), nothing behind it. Its resistance is the slope at 9 mA, 1/9 of 5 mA times 10 ohm; over the
    ripple it moves by 5 %, and the mean of it is what counts."""
    zener = element("zener", "D9", ["0", "z"], i_sat_a=1e-15, slope_v=0.026, zener_v=12.0, i_test_a=5e-3,
                    reverse_slope_v=50e-3, capacitance_f=60e-12)  # fmt: skip
    found = rest([*bridge(2e3, 470e-6), resistor("R2", "r", "z", 1.2e3), zener], 50.0)
    current_a = (found["r"] - found["z"]).mean() / 1.2e3
    r_z = 50e-3 / current_a
    assert np.ptp(found["z"]) / np.ptp(found["r"]) == pytest.approx(r_z / (1.2e3 + r_z), rel=0.01)


def test_a_march_from_there_repeats_itself_at_another_rate():
    """Rails that stand: from period to period within 1e-4 V, the first step on."""
    system = assemble(Circuit(tuple(bridge(300.0, 1000e-6)), {"mains": Sine(frequency_hz=50.0, peak_v=PEAK_V)}))
    cycle = find_cycle(system, 50.0, frozenset(system.unknowns))
    prepared = prepare(system, 48000.0)
    simulation = Simulation(prepared, ["r", "x1"], cycle.state(prepared))
    one, other = simulation.advance(np.zeros(2 * 960)).reshape(2, 960, 2)
    assert np.abs(one[:, 0] - other[:, 0]).max() < 2e-3  # what the change of rate leaves
    assert np.abs(one[:, 0].mean() - cycle.mean[system.index["r"]]) < 2e-3
    assert np.abs(one[:2, 1] - other[:2, 1]).max() < 0.05  # no jump at the first step


def test_a_neighbours_period_leads_to_the_same_rest():
    def system(ohm):
        return assemble(Circuit(tuple(bridge(ohm, 1000e-6)), {"mains": Sine(frequency_hz=50.0, peak_v=PEAK_V)}))

    names = frozenset(system(300.0).unknowns)
    near = find_cycle(system(300.0), 50.0, names)
    found, expected = find_cycle(system(400.0), 50.0, names, near), find_cycle(system(400.0), 50.0, names)
    assert np.abs(found.mean - expected.mean).max() < 2e-4


def test_what_never_comes_to_rest_is_named():
    """An oscillator at 130 Hz, held by two diodes, which no mains period suits."""
    oscillating = [
        element("amplifier", "A1", ["y", "0", "x", "0"], gain=2.0, resistance_ohm=1.0),
        resistor("R8", "y", "x", 50.0), capacitor("C8", "x", "0", 15e-6), resistor("R9", "x", "a", 1e5),
        element("inductor", "L8", ["x", "0"], inductance_h=0.1, resistance_ohm=1.0),
        element("diode", "D8", ["x", "0"], **DIODE), element("diode", "D9", ["0", "x"], **DIODE),
    ]  # fmt: skip
    with pytest.raises(ConvergenceError, match=r"no rest with mains: node or unknown (x|L8.current) still moves by"):
        rest([mains("a", "0"), resistor("R1", "a", "0", 1e3), *oscillating], 50.0)
