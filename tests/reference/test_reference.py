"""The reference itself against closed forms, published derivations and figures of a separate calculation.

"Separate calculation": the same part list solved by another author's node-admittance program with a
fourth-order L-stable method; its figures are printed with three decimals.
"""

import json

import numpy as np
import pytest
from scipy.optimize import brentq

from . import clipper, dunlin, fet_loop, fixed_step, greenshank, one_transistor, parts, rc, stored
from .excitation import Burst, edge
from .handwritten import Circuit, Memory

# Idle volts at the default settings, separate calculation. The control node is left to a closed form below.
IDLE_V = {
    "va": 23.924, "q1b": 11.894, "q1c": 23.199, "q2c": 11.432, "q3e": 10.746, "q4b": 13.936, "q5c": 13.160,
    "q6e": 12.471, "q7e": 1.669, "bus": -7.186, "qs1c": -2.831, "qs2c": 17.496, "vb": -4.616,
}  # fmt: skip
BETA = parts.JFET.i_dss / parts.JFET.v_p**2


@pytest.fixture(scope="module")
def dunlin_rest():
    circuit = dunlin.circuit()
    return circuit, dict(zip(circuit.names, circuit.rest, strict=True))


def test_rc_step_and_sine():
    t = np.linspace(0, 2e-4, 50)
    # 1e-10: ten times the integrator's relative tolerance
    assert rc.simulate(lambda _: 1.0, t[-1], t)["out"] == pytest.approx(rc.step_response(t), abs=1e-10)
    sine = rc.simulate(lambda x: np.sin(2 * np.pi * 3e3 * x), t[-1], t)["out"]
    assert sine == pytest.approx(rc.sine_response(t, 3e3), abs=1e-10)


@pytest.mark.parametrize("e_v", [0.2, 1.0, -5.0])
def test_clipper_settles_at_its_dc_point(e_v):
    # 1 ms is at least 45 time constants (R C is 22 us, shorter with the diodes on)
    out = clipper.simulate(lambda _: e_v, 1e-3, [1e-3])["out"][0]
    assert out == pytest.approx(clipper.dc_point(e_v), abs=1e-10)


def test_clipper_small_signal_corner():
    """Far below conduction: a first-order low-pass with the diodes' slope 2 I_S/(n V_T) in parallel."""
    g = 1 / clipper.R + 2 * parts.DIODE.i_s / clipper.N_V_T
    t = np.linspace(0, 50e-6, 50)
    expected = 1e-4 / clipper.R / g * -np.expm1(-g * t / clipper.C_ALL)
    # cubic term of sinh at 0.1 mV: 1e-6 of a diode current that is 5e-5 of the whole
    assert clipper.simulate(lambda _: 1e-4, t[-1], t)["out"] == pytest.approx(expected, rel=1e-8, abs=1e-13)


def test_jfet_channel_resistance_is_the_closed_form():
    """r_ds at v_ds = 0 is V_P^2/(2 I_DSS (V_GS - V_P)): derivative of the square law, well above pinch-off."""
    for v_gs in (-3.0, -2.0, -0.5):
        (_, _), ((by_gs, by_gd), _) = parts.jfet_currents(v_gs, v_gs)
        closed = parts.JFET.v_p**2 / (2 * parts.JFET.i_dss * (v_gs - parts.JFET.v_p))
        assert -1 / by_gd == pytest.approx(closed, rel=1e-9) == 1 / by_gs


def test_jfet_regions_against_the_textbook_form():
    fet = parts.JFET
    # A; the tail opens an end that is 0.1 V inside by 107 mV, one 0.1 V beyond by 7 mV: 1 uA of 5 mA, 40 nA
    leakage = {-5: 5e-14, -2: 1.2e-6, -1: 1e-12}
    for v_gs, v_ds in [(-5, 3.0), (-2, 0.5), (-2, 2.4), (-2, 2.6), (-1, 9.0)]:
        o = v_gs - fet.v_p
        square = 0.0 if o <= 0 else v_ds * (2 * o - v_ds) if v_ds < o else o**2
        drain = BETA * square * (1 + fet.lam * v_ds)
        assert parts.jfet_currents(v_gs, v_gs - v_ds)[0][0] == pytest.approx(drain, abs=leakage[v_gs])
        swapped = parts.jfet_currents(v_gs - v_ds, v_gs)[0][0]
        assert swapped == pytest.approx(-drain, abs=leakage[v_gs])


def test_device_derivatives_by_differences():
    others = [-3.0, -3.2, 0.4, -2.0, 0.1, 0.05, -0.07]
    port = np.concatenate([np.full(9, 0.61), np.linspace(-9, 0.5, 9), others])
    port[23:] = 2e-3, -0.7e-3  # Vs
    devices = dunlin.circuit().devices
    _, slope = devices(port)
    step = 1e-6
    for k in range(25):
        up, down = port.copy(), port.copy()
        up[k] += step
        down[k] -= step
        difference = (devices(up)[0] - devices(down)[0]) / (2 * step)
        # curvature error (step/V_T)^2/6 = 2.5e-10 relative; rounding of currents up to 0.5 A over 2e-6 V
        assert slope[:, k] == pytest.approx(difference, rel=1e-6, abs=1e-9)


def test_derivatives_of_the_greenshank_by_differences():
    """Each amplifier in another state: in range, slewing and at either rail, limiting its current; one side of zero."""
    states = [1e-3, -14.0, -16.0, 0.02], [0.5, -1.48, -28.5, 0.4], [-0.2, -28.0, -1.97, -2.0], [2e-3, -1.0, -30.0, 9.0]
    port = np.array([*np.ravel(states), -2.3, -2.36, 0.4, -2.0])
    devices = greenshank.circuit().devices
    _, slope = devices(port)
    step = 1e-6
    for k in range(port.size):
        up, down = port.copy(), port.copy()
        up[k] += step
        down[k] -= step
        difference = (devices(up)[0] - devices(down)[0]) / (2 * step)
        # curvature error as above; rounding of up to 40 mA over 2e-6 V
        assert slope[:, k] == pytest.approx(difference, rel=1e-6, abs=1e-9)


def test_equations_of_the_greenshank_are_balanced():
    """What leaves one node through a resistor enters another (capacitors: see Circuit)."""
    circuit = greenshank.circuit()
    assert np.array_equal(circuit.g, circuit.g.T)
    to_ground = -circuit.g.sum(axis=1)
    assert to_ground.min() > -1e-12
    grounded = {name for name, siemens in zip(circuit.names, to_ground, strict=True) if siemens > 1e-9}
    assert grounded == set("vp vn ih ic u1p w dr u2p mk u3p out th bb tt u1s u2s u3s u4s".split())
    total = dict(zip(greenshank.CURRENTS, circuit.n.sum(axis=0), strict=True))
    assert {name for name, left in total.items() if left != 0} == {
        *(f"u{k}_stage" for k in (1, 2, 3, 4)), "j1_d", "j1_g", "d2",
    }  # fmt: skip


@pytest.mark.parametrize(("iron", "volt", "henry"), [(dunlin.T1, 0.355, 20.0), (dunlin.T2, 0.8, 3.0)])
def test_inductance_of_the_cores_at_their_nominal_level(iron, volt, henry):
    """That of a sinusoidal flux at 20 Hz, out of the settled loop; 20000 points round its corners off by 1e-7."""
    cores, played = parts.Cores(iron), np.zeros((1, 12))
    peak, angle = volt * np.sqrt(2) / (2 * np.pi * 20), 2 * np.pi * np.arange(20_000) / 20_000
    for phi in (peak, -peak, peak):
        played = cores.play(np.array([phi]), played)
    current = []
    for phi in peak * np.cos(angle):
        current.append(cores.currents(np.array([phi]), played)[0][0])
        played = cores.play(np.array([phi]), played)
    assert peak / (2 * np.mean(current * np.cos(angle))) == pytest.approx(henry, rel=1e-5)


def test_a_core_comes_back_to_where_it_turned():
    """And takes the loop's area, sum over k of 4 s_k y_k (p - y_k) for those that slip."""
    cores = parts.Cores(dunlin.T1)
    played = cores.play(np.array([1e-3]), cores.fresh)
    start = cores.currents(np.array([1e-3]), played)[0]
    path, loop_j, before = np.concatenate([np.linspace(1e-3, -1e-3, 4001), np.linspace(-1e-3, 1e-3, 4001)]), 0.0, None
    for phi in path:
        current = cores.currents(np.array([phi]), played)[0][0]
        played = cores.play(np.array([phi]), played)
        loop_j += 0.0 if before is None else 0.5 * (current + before[1]) * (phi - before[0])
        before = phi, current
    assert cores.currents(np.array([1e-3]), played)[0] == pytest.approx(start, rel=1e-12)
    assert loop_j == pytest.approx(np.sum(4 * cores.s * cores.y * np.maximum(1e-3 - cores.y, 0.0)), rel=1e-5)


@pytest.mark.slow
def test_turning_points_are_found():
    """A core behind a resistor, phi' = u - R i(phi): one integrator looks for them, the other ends every step as if it
    were one. They differ by what the first interpolates between its steps, and from one that sees none by over 1e-2."""
    cores, ohm = parts.Cores(dunlin.T1), 500.0

    def equations(v, i, s, ddt):
        return {"phi": s.input - ohm * i.core - ddt(v.phi)}

    def devices(p, played):
        i, slope = cores.currents(p, played)
        return i, np.diag(slope)

    memory = Memory(("phi",), cores.fresh, cores.play)
    circuit = Circuit(("phi",), ("core",), {}, equations, lambda v: {"phi": v.phi}, devices, memory)

    def u(t):
        return 0.2 * np.sin(2 * np.pi * 50 * t) + 0.3 * np.sin(2 * np.pi * 430 * t)

    t = np.arange(97) / 4.8e3
    stretches = circuit.simulate(u, t[-1], t, rtol=1e-9, atol=1e-14)["phi"]
    steps = fixed_step.simulate(circuit, u, 4.8e3, 96, 8)["phi"]
    assert np.abs(steps - stretches).max() < 2e-6 * np.abs(stretches).max()
    virgin = Circuit(("phi",), ("core",), {}, equations, lambda v: {"phi": v.phi}, lambda p: devices(p, cores.fresh))
    assert np.abs(virgin.simulate(u, t[-1], t)["phi"] - stretches).max() > 1e-2 * np.abs(stretches).max()


def test_one_transistor_rest_by_hand():
    """Base-current loop of the stage solved as one equation in v_be."""
    rest = one_transistor.bias()
    q = parts.SMALL_NPN

    def excess(v_be):
        v_bc = rest["b"] - rest["c"]  # enters only through the Early factor
        forward = q.i_s * np.exp(v_be / parts.V_T)
        i_b, i_c = (forward - q.i_s) / q.beta_f - q.i_s / q.beta_r, forward * (1 - v_bc / q.v_a)
        v_b = (rest["va"] / 220e3 - i_b) / (1 / 220e3 + 1 / 47e3)
        return v_b - v_be - 1e3 * (i_b + i_c)

    v_be = brentq(excess, 0.4, 0.8, xtol=1e-14)
    assert rest["b"] - rest["e"] == pytest.approx(v_be, abs=1e-9)


def test_fet_loop_rests_open_and_compresses():
    rest = fet_loop.bias()
    assert rest["ctl"] == pytest.approx(fet_loop.VB_V, abs=1e-3)  # 0.5 nA leakage over 1 M
    gains = fet_loop.circuit().response([1e3])
    # divider open: 10k over 10.1k behind a gain of 25; loading by 9 pF and 100k is below 1e-2
    assert abs(gains["po"][0]) == pytest.approx(25 * 10 / 10.1, rel=2e-3)


def test_dunlin_equations_are_balanced(dunlin_rest):
    """What leaves one node through a resistor or a transistor enters another (capacitors: see Circuit)."""
    circuit, _ = dunlin_rest
    nodes = [k for k, name in enumerate(circuit.names) if name not in ("l1", "l2", "phi1", "phi2")]
    conductance = circuit.g[np.ix_(nodes, nodes)]
    assert np.array_equal(conductance, conductance.T)
    to_ground = -conductance.sum(axis=1)
    assert to_ground.min() > -1e-12  # S: rounding of sums up to 1 S; a negative one would be a wrong sign
    names = np.array(circuit.names)
    grounded = {str(name) for name in names[nodes][to_ground > 1e-9]}
    assert grounded == set("vp vn va ih ic s1 t1s q1b q2c q3e mk q4b q5c q7b q7e s2 out sx bus qs1b tt".split())
    total = dict(zip(dunlin.CURRENTS, circuit.n.sum(axis=0), strict=True))
    assert all(total[f"{q}_{end}"] == 0 for q in dunlin.TRANSISTORS for end in "cb")


def test_dunlin_rest_against_a_separate_calculation(dunlin_rest):
    _, rest = dunlin_rest
    for node, volts in IDLE_V.items():
        assert rest[node] == pytest.approx(volts, abs=1e-3), node  # three printed decimals


def test_dunlin_idle_control_voltage_is_set_by_leakage(dunlin_rest):
    """Reverse currents of D1, D2 leave the node, that of D3 enters it, through the release resistance."""
    _, rest = dunlin_rest
    release_ohm = 6.8e6 * 0.3 + 470e3
    assert rest["ctl"] - rest["vb"] == pytest.approx(-parts.DIODE.i_s * release_ohm, rel=1e-3)


@pytest.mark.slow
def test_dunlin_idle_gain_against_a_separate_calculation():
    """Calculated with a channel that has no tail and is closed at rest, and cores without hysteresis."""
    gains = dunlin.without_fet(dunlin.Settings(hysteresis=False)).response([20.0, 50.0, 1e3, 20e3])
    level = {node: 20 * np.log10(np.abs(gains[node])) for node in ("out", "dr", "po")}
    assert [level[node][2] for node in level] == pytest.approx([20.323, -23.557, 4.257], abs=6e-4)
    slope = level["out"] - level["out"][2]
    assert slope == pytest.approx([-0.28, -0.06, 0, 0.06], abs=6e-3)  # two printed decimals


def test_stored_rest_is_this_rest(dunlin_rest):
    _, rest = dunlin_rest
    table = json.loads((stored.DATA / "dunlin_bias.json").read_text())
    assert set(table) == {"S1", "S2", "S3", "none", "all"}
    assert table["S2"] == pytest.approx(rest, abs=1e-9)


def test_stored_clipper_is_this_clipper():
    record = stored.load("clipper_burst")
    few = slice(0, 1153, 64)  # 4 ms: fade, quiet part, upward edge
    again = clipper.simulate(record.u, record.t_s[1152], record.t_s[few], rtol=1e-8, atol=1e-10)["out"]
    assert again == pytest.approx(record.v["out"][few], abs=1e-8)  # integrator: about 1e-9 V


def test_constant_step_integrator_has_order_five():
    """The clipper in the general form against its own module; input without corner, step below R C."""

    def equations(v, i, s, ddt):
        return {"out": (s.input - v.out) / clipper.R - clipper.C_ALL * ddt(v.out) - i.pair}

    def pair(p):
        (up, up_slope), (down, down_slope) = parts.diode_current(p), parts.diode_current(-p)
        return up - down, np.diag(up_slope + down_slope)

    circuit = Circuit(("out",), ("pair",), {}, equations, lambda v: {"pair": v.out}, pair)
    n, rate_hz = 10, 50e3

    def u(t):
        return 0.3 * np.sin(2 * np.pi * 4e3 * t) ** 2

    t = np.arange(n + 1) / rate_hz
    good = clipper.simulate(u, t[-1], t)["out"]
    error = [np.abs(fixed_step.simulate(circuit, u, rate_hz, n, k)["out"] - good).max() for k in (1, 2, 4)]
    assert error[0] < 2e-5
    assert 25 < error[0] / error[1] < 40 and 25 < error[1] / error[2] < 40  # 32 in the limit of short steps


def test_both_integrators_agree_on_a_stage():
    """The constant step works on the unreduced equations, the variable step on the states."""
    circuit, u, n = one_transistor.circuit(), Burst(1e3, -30.0, -20.0, 0.2e-3, 1.0, fade_s=0.1e-3), 40
    t = np.arange(n + 1) / 160e3
    good = circuit.simulate(u, t[-1], t)["out"]
    other = fixed_step.simulate(circuit, u, 160e3, n)["out"]
    assert np.abs(other - good).max() < 5e-7  # of about 1 V: the constant step's own error at this rate


def test_edge_is_a_raised_cosine():
    assert [edge(t, 1.0, 2.0) for t in (0.0, 1.0, 2.0, 3.0, 4.0)] == pytest.approx([0, 0, 0.5, 1, 1])
