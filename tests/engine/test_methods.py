"""Integration methods: order conditions, measured order, stability."""

import numpy as np
import pytest

from fetsim.engine.guard import amplification, stable_method
from fetsim.engine.linear import linearise
from fetsim.engine.methods import FIT_HZ, FITTED, METHODS, Multistep, Onestep, input_weights, method_at
from fetsim.engine.simulation import Simulation
from tests.engine.small import diode_clipper, rc_low_pass
from tests.reference import clipper


@pytest.mark.parametrize("method", [m for m in METHODS.values() if isinstance(m, Onestep)], ids=lambda m: m.name)
def test_onestep_order_conditions(method):
    """Butcher's conditions up to order 4 (Hairer, Norsett and Wanner, Solving ODEs I, table II.2.1)."""
    a = np.zeros((len(method.a), len(method.a)))
    for i, row in enumerate(method.a):
        a[i, : len(row)] = row
    b, c = a[-1], a.sum(axis=1)  # stiffly accurate: the last stage is the result
    conditions = {
        1: [(b.sum(), 1)],
        2: [(b @ c, 1 / 2)],
        3: [(b @ c**2, 1 / 3), (b @ a @ c, 1 / 6)],
        4: [(b @ c**3, 1 / 4), (b @ (c * (a @ c)), 1 / 8), (b @ a @ c**2, 1 / 12), (b @ a @ a @ c, 1 / 24)],
        5: [(b @ c**4, 1 / 5)],
    }
    for order in range(1, method.order + 1):
        for value, wanted in conditions[order]:
            assert value == pytest.approx(wanted, abs=1e-13)
    assert any(abs(value - wanted) > 1e-3 for value, wanted in conditions[method.order + 1])  # and no higher order


@pytest.mark.parametrize("method", [m for m in METHODS.values() if isinstance(m, Multistep)], ids=lambda m: m.name)
def test_multistep_is_exact_for_polynomials_of_its_order(method):
    """Backward differentiation of order k differentiates t^0 .. t^k exactly (definition)."""
    t = -np.arange(5.0)
    for power in range(method.order + 2):
        levels = t**power if power else np.ones(5)
        increments = levels[:-1] - levels[1:]
        derivative = method.lead * increments[0] - sum(w * d for w, d in zip(method.past, increments[1:], strict=True))
        exact = 1.0 if power == 1 else 0.0
        if power <= method.order:
            assert derivative == pytest.approx(exact, abs=1e-12)
        else:
            assert abs(derivative - exact) > 1e-3


@pytest.mark.parametrize("rate_hz", [144e3, 264.6e3, 288e3, 576e3, 3.072e6])
def test_fitted_method_is_exact_for_what_it_is_fitted_to(rate_hz):
    """1, t, t^2, and sine and cosine at the frequency it is fitted to (definition)."""
    method, t = method_at(FITTED, rate_hz), -np.arange(5.0)
    turn = 2 * np.pi * FIT_HZ / rate_hz
    for levels, exact in ((t, 1.0), (t**2, 0.0), (np.sin(turn * t), turn), (np.cos(turn * t), 0.0)):
        increments = levels[:-1] - levels[1:]
        assert np.dot((method.lead, *np.negative(method.past)), increments) == pytest.approx(exact, abs=1e-10)


def test_fitted_method_tends_to_bdf4():
    """As the step goes to nothing; its coefficients differ by 0.4 (w h)^2 at most."""
    fitted, bdf4, turn = method_at(FITTED, 2e6), METHODS["bdf4"], 2 * np.pi * FIT_HZ / 2e6
    assert np.subtract((fitted.lead, *fitted.past), (bdf4.lead, *bdf4.past)) == pytest.approx(0, abs=0.4 * turn**2)


def test_fitted_method_is_nearer_in_the_treble():
    """h s of a sine as the method has it: the error at 10 to 20 kHz is 4 dB smaller at least than that of BDF4, and
    below 7 kHz smaller than 1/2000 (7 kHz at 240 kHz: -67 dB)."""

    def error(method, frequency_hz):
        w = 2 * np.pi * np.asarray(frequency_hz) / 240e3
        levels = np.exp(-1j * w[:, None] * np.arange(5))
        return np.abs((levels[:, :-1] - levels[:, 1:]) @ (method.lead, *np.negative(method.past)) / (1j * w) - 1)

    treble = np.linspace(10e3, 20e3, 50)
    gained = error(METHODS["bdf4"], treble) / error(method_at(FITTED, 240e3), treble)
    assert 20 * np.log10(gained.min()) > 3.5
    assert error(method_at(FITTED, 240e3), np.linspace(10, 7e3, 50)).max() < 1 / 2000


@pytest.mark.parametrize("rate_hz", [48e3, 144e3, 288e3, 576e3])
def test_fitted_method_is_stable_wherever_bdf4_is(rate_hz):
    radii = np.concatenate((np.geomspace(1e-3, 0.5, 10), np.linspace(0.6, 12, 60)))
    radius, angle = np.meshgrid(radii, np.arange(90, 181, 3))
    z = (radius * np.exp(1j * np.radians(angle))).ravel()
    stable = amplification(METHODS["bdf4"], z) <= 1.0
    assert (~stable).sum() > 50
    assert amplification(method_at(FITTED, rate_hz), z[stable]).max() <= 1.0 + 1e-9


def drive(t):
    return np.sin(2 * np.pi * 500.0 * t) ** 3  # starts with two derivatives at zero


@pytest.fixture(scope="module")
def clipper_reference():
    """The diode clipper by scipy's Radau to 1e-11, at 96 kHz."""
    return clipper.simulate(drive, 1e-3, np.arange(1, 97) / 96e3)["out"]


@pytest.mark.parametrize("name", METHODS)
def test_error_falls_with_the_order_of_the_method(name, clipper_reference):
    """Halving the step divides the error by 2^order. At 384 and 768 kHz the measured orders are 1.99, 2.97, 3.96,
    1.99 and 3.80: the last is still on its way to 4."""
    method = METHODS[name]
    errors = []
    for every in (4, 8):
        rate_hz = 96e3 * every
        n = np.arange(1, 96 * every + 1)
        inputs = drive((n[:, None] - 1 + method.fractions) / rate_hz)
        sim = Simulation.of(diode_clipper(), rate_hz, ["out"], method=name, tolerance_v=1e-11, compiled=False)
        out = sim.advance(inputs)[every - 1 :: every, 0]
        errors.append(np.sqrt(np.mean((out - clipper_reference) ** 2)))
    assert np.log2(errors[0] / errors[1]) == pytest.approx(method.order, abs=0.25)


@pytest.mark.parametrize("name", METHODS)
def test_step_response_of_rc(name):
    """v = 1 - exp(-t / RC), closed form; the input steps inside the first time step."""
    rate = 200e3
    method = METHODS[name]
    sim = Simulation.of(rc_low_pass(), rate, ["a"], method=name, compiled=False)
    out = sim.advance(np.ones((400, len(method.fractions))))[:, 0]
    expected = 1.0 - np.exp(-np.arange(1, 401) / rate / 1e-3)
    # the first steps of a multistep method see an impulse in the derivative: an error of one step's height, decaying
    assert np.abs(out - expected)[20:].max() < (3e-3 if isinstance(method, Multistep) else 1e-6)


def test_amplification_follows_the_exact_decay():
    """For small |h lambda| every method's factor is exp(h lambda) to its order."""
    z = np.array([-0.05 + 0.05j])
    for method in METHODS.values():
        assert amplification(method, z)[0] == pytest.approx(abs(np.exp(z[0])), abs=5 * abs(z[0]) ** (method.order + 1))


def test_bdf4_is_unstable_where_its_stability_region_ends():
    """A(73.35 degrees)-stability of BDF4 (Hairer and Wanner, Solving ODEs II, section V.2): an undamped mode grows,
    a mode at 70 degrees decays at any step."""
    assert amplification(METHODS["bdf4"], np.array([1.8j]))[0] > 1.0
    sweep = np.geomspace(0.01, 100, 60) * np.exp(1j * np.radians(180 - 70))
    assert amplification(METHODS["bdf4"], sweep).max() < 1.0
    for name in ("bdf2", "sdirk2", "sdirk4"):
        assert amplification(METHODS[name], np.geomspace(0.01, 100, 60) * 1j * (1 + 1e-9j)).max() <= 1.0 + 1e-9


def test_guard_falls_back_on_a_ringing_circuit():
    """A lightly damped 80 kHz resonance at 288 kHz lies in BDF4's unstable region; the run would explode."""
    from fetsim.engine.assembly import assemble
    from fetsim.engine.circuit import Circuit, element
    from tests.engine.small import capacitor, resistor, source

    henry, farad = 1e-3, 1.0 / ((2 * np.pi * 80e3) ** 2 * 1e-3)
    ringing = Circuit((
        source("V", "a", 50.0),
        element("inductor", "L", ["a", "b"], inductance_h=henry, resistance_ohm=1.0),
        capacitor("C", "b", "0", farad),
        resistor("R", "b", "0", 1e6),
    ))  # fmt: skip
    system = assemble(ringing)
    verdict = stable_method([linearise(system, np.zeros(system.size))], 288e3, "bdf4")
    assert verdict.method != "bdf4"
    assert "80" in verdict.reason
    pulse = np.zeros(600)
    pulse[:3] = 1.0

    def peak(method):
        return np.abs(Simulation.of(ringing, 288e3, ["b"], method=method, compiled=False).advance(pulse)[300:]).max()

    assert peak("bdf4") > 10.0
    assert peak(verdict.method) < 1.0
    assert stable_method([linearise(system, np.zeros(system.size))], 3e6, "bdf4").method == "bdf4"


@pytest.mark.parametrize("name", ["sdirk2", "sdirk4"])
def test_input_between_steps(name):
    """A polynomial of degree five goes through its own points exactly; a 10 kHz tone at 240,000 steps a second, found
    by the last six, keeps an error below -100 dB, where straight lines leave -41 dB."""
    fractions = METHODS[name].fractions
    weights = input_weights(fractions)
    n = np.arange(-4, 2)
    assert weights @ (n / 5.0) ** 5 == pytest.approx((fractions / 5.0) ** 5, abs=1e-14)
    k = np.arange(200)[:, None]
    turn = 2 * np.pi * 10e3 / 240e3
    assert np.abs(np.sin(turn * (k + n)) @ weights.T - np.sin(turn * (k + fractions))).max() < 10 ** (-100 / 20)


def test_a_stage_method_takes_the_input_at_the_ends_of_steps():
    """A sine given at the ends of steps only, against the same with its exact values at the stages."""
    rate_hz, method = 240e3, METHODS["sdirk4"]
    n = np.arange(1, 2401)
    ends = np.sin(2 * np.pi * 5e3 * n / rate_hz) * np.minimum(n / 480, 1.0) ** 3
    instants = n[:, None] - 1 + method.fractions
    exact = np.sin(2 * np.pi * 5e3 * instants / rate_hz) * np.minimum(instants / 480, 1.0) ** 3
    whole, halves, given = (
        Simulation.of(rc_low_pass(), rate_hz, ["a"], method="sdirk4", compiled=False) for _ in range(3)
    )
    found = whole.advance(ends)
    assert np.abs(found - given.advance(exact)).max() < 1e-6
    assert np.array_equal(found, np.vstack([halves.advance(ends[:777]), halves.advance(ends[777:])]))
