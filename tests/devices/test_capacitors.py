"""Capacitors that are not ideal, against closed forms; the recovery test against the circuit that it is done with."""

import numpy as np
import pytest
from scipy.linalg import expm

import fetsim
from fetsim.devices.absorption import LADDER_S, ladder, recovery
from fetsim.devices.ceramic import ceramic, soft_v
from fetsim.engine.assembly import assemble
from fetsim.engine.bias import find_bias
from fetsim.engine.circuit import Circuit, element
from fetsim.engine.linear import driving_impedance_ohm, linearise
from fetsim.engine.simulation import Simulation
from fetsim.rig.probes import find_probe
from fetsim.rig.rig import Rig
from fetsim.schematic.capacitors import capacitor_elements

FARAD = 1e-6
STARTED = 40  # steps


def part(ratings=None, branches=(), **values):
    return capacitor_elements("C", ("a", "0"), {"value": FARAD, **values}, ratings or {}, branches)


def feed(ohm, emf_v=0.0, per_input=0.0):
    return element("source", "V", ["a", "0"], resistance_ohm=ohm, emf_v=emf_v, emf_per_input=per_input)


def impedance_ohm(elements, frequency_hz):
    system = assemble(Circuit((*elements, feed(1e12))))
    return driving_impedance_ohm(system, find_bias(system), "a", "0", frequency_hz)


def test_nothing_but_a_value_is_one_ideal_element():
    (only,) = part(ratings={"voltage_rating": 63.0})
    assert (only.kind, only.name, only.nodes, only.values) == ("capacitor", "C", ("a", "0"), {"capacitance_f": FARAD})


@pytest.mark.parametrize("esr_ohm", [0.05, 2.0, 1e3])
def test_impedance_at_the_corner_of_the_esr(esr_ohm):
    corner_hz = 1.0 / (2.0 * np.pi * esr_ohm * FARAD)
    found = impedance_ohm(part(esr=esr_ohm), corner_hz)
    assert found == pytest.approx(esr_ohm * (1.0 - 1.0j), rel=1e-8)
    assert abs(impedance_ohm(part(esr=esr_ohm), 1e4 * corner_hz)) == pytest.approx(esr_ohm, rel=1e-6)


LEAKAGES = [
    ({"leakage_resistance": 50e3}, {}),
    ({"leakage_current": 1e-3}, {"voltage_rating": 50.0}),
    ({"leakage_time_constant": 0.05}, {}),
]


@pytest.mark.parametrize(("values", "ratings"), LEAKAGES)
def test_a_charged_capacitor_droops_by_its_leakage(values, ratings):
    """All three say 50 kohm beside 1 uF: 50 ms."""
    circuit = Circuit((*part(ratings, **values), feed(1e15)))
    simulation = Simulation.of(circuit, 48e3, ["a"], bias=np.array([10.0]), compiled=False)
    volt = simulation.advance(np.zeros(480))[:, 0]
    # from there on the method has a past that belongs to the fall: its own modes fall by 0.56 a step (BDF4)
    t = np.arange(480 - STARTED) / 48e3
    assert volt[STARTED] == pytest.approx(10.0, rel=2e-2)
    assert volt[STARTED:] == pytest.approx(volt[STARTED] * np.exp(-t / 0.05), rel=1e-9)


@pytest.mark.parametrize("share", [0.001, 0.05, 0.4])
def test_one_branch_gives_back_what_the_closed_form_says(share):
    """Charged for good to 1 V, shorted for no time, then open: the branch shares its charge with the empty capacitor,
    V s / (1 + s) (1 - exp(-t (1 + s) / T))."""
    seconds = 5e-3
    circuit = Circuit((*part(branches=((share, seconds),)), feed(1e15)))
    system = assemble(circuit)
    start = np.zeros(system.size)
    start[system.index["C.absorption1.store"]] = 1.0
    simulation = Simulation.of(circuit, 48e3, ["a"], bias=start, compiled=False)
    volt = simulation.advance(np.zeros(600))[:, 0]
    left = share / (1.0 + share) - volt[STARTED:]
    wanted = left[0] * np.exp(-np.arange(len(left)) / 48e3 * (1.0 + share) / seconds)
    assert left == pytest.approx(wanted, abs=1e-9 * share)
    assert volt[STARTED] < 0.25 * share
    assert recovery(((share, seconds),), (1e3, 0.0, 0.01)) == pytest.approx(
        share / (1.0 + share) * -np.expm1(-0.01 * (1.0 + share) / seconds), rel=1e-9
    )


@pytest.mark.parametrize("figure", [0.0005, 0.002, 0.03])
def test_the_recovery_test_shows_the_figure(figure):
    """IEC 60384-1 (from memory), done with the circuit's own matrices: an hour on 1 V behind an ohm, ten seconds on 5
    ohm, a quarter of an hour open."""
    x = None
    for feeding, seconds in ((feed(1.0, 1.0), 3600.0), (feed(5.0), 10.0), (feed(1e15), 900.0)):
        system = assemble(Circuit((*part(absorption=figure), feeding)))
        x = np.zeros(system.size) if x is None else x
        rate = np.linalg.solve(system.c, system.g)
        rest = np.linalg.solve(system.g, system.b)
        x = rest + expm(-rate * seconds) @ (x - rest)
    assert x[system.index["a"]] == pytest.approx(figure, rel=2e-3)  # the short of 5 ohm is not quite one


@pytest.mark.parametrize("figure", ["0.0001%", "1%", "20%"])
def test_every_figure_that_a_file_may_give_is_met(figure):
    unit = fetsim.load_unit("dunlin").changed({"C16.absorption": figure})
    given = unit.parts["C16"].values["absorption"]
    assert recovery(ladder(given)) == pytest.approx(given, rel=1e-6)


def test_the_ladder_has_equal_shares_and_leaves_the_value_at_1_khz():
    """Polyester's 0.2 % (from memory) takes some 0.1 % a decade; a sine of 1 kHz sees little of it."""
    branches = ladder(0.002)
    assert [second for _, second in branches] == list(LADDER_S)
    assert len({share for share, _ in branches}) == 1
    admittance = 1.0 / impedance_ohm(part(absorption=0.002), 1e3)
    assert admittance.imag / (2.0 * np.pi * 1e3) == pytest.approx(FARAD, rel=1e-4)
    # equal share a decade: the loss of 1/t, share / (ln 10) times pi/2, in the middle of the ladder; branches a decade
    # apart ripple by 2 / cosh(pi^2 / ln 10) = 5.5 % of it, and the ladder has ends
    share = branches[0][0]
    slow = 1.0 / impedance_ohm(part(absorption=0.002), 0.5)
    assert slow.real / slow.imag == pytest.approx(share / np.log(10.0) * np.pi / 2.0, rel=0.08)


@pytest.mark.parametrize(("loss", "bias_v"), [(0.05, 16.0), (0.6, 25.0), (0.9, 6.3)])
def test_a_ceramic_has_lost_its_share_at_the_sheets_voltage(loss, bias_v):
    """Small signals around the bias, in the circuit: C_0 at none, C_0 (1 - loss) there, whichever way round."""
    elements = part(bias_loss=loss, bias_voltage=bias_v)
    for volt, share in ((0.0, 1.0), (bias_v, 1.0 - loss), (-bias_v, 1.0 - loss)):
        system = assemble(Circuit((*elements, feed(1e3, volt))))
        linear = linearise(system, find_bias(system))
        admittance = 1.0 / linear.solve(1e3, np.eye(system.size)[system.index["a"]])[system.index["a"]] - 1e-3
        assert admittance == pytest.approx(2j * np.pi * 1e3 * FARAD * share, rel=1e-7)


def test_much_voltage_leaves_the_power_of_minus_two_thirds():
    x = np.array([1e3, 1e4])
    volt, slope = ceramic(x, 1.0)
    # Johnson 1962: C goes as (1 + (v/v_0)^2)^(-1/3) (from memory)
    assert np.diff(-np.log(slope)) / np.diff(np.log(volt)) == pytest.approx(-2.0 / 3.0, rel=1e-5)


def test_a_current_makes_the_third_harmonic_of_the_law():
    """x = X sin: v has (X/x_s)^2 / 4 of a third harmonic against X, less 3 (X/x_s)^2 / 4 of the first."""
    x = 0.1 * np.sin(2.0 * np.pi * np.arange(64) / 64)
    volt, _ = ceramic(x, 1.0)
    lines = np.abs(np.fft.rfft(volt)) / 32
    assert lines[3] == pytest.approx(0.1**3 / 4.0, rel=1e-9)
    assert lines[1] == pytest.approx(0.1 * (1.0 + 0.75 * 0.01), rel=1e-9)


def test_no_charge_is_lost_or_made():
    """What flows in through 10 kohm over a large, irregular signal is what is there: the sum of the solver's own
    currents is the charge, and with the voltage back at zero for long, all has come out again."""
    circuit = Circuit((*part(bias_loss=0.8, bias_voltage=10.0), feed(10e3, per_input=1.0)))
    simulation = Simulation.of(circuit, 48e3, ["a", "C.charge"], tolerance_v=1e-9, compiled=False)
    rng = np.random.default_rng(5)
    u = np.repeat(rng.normal(size=12) * 15.0, 40)
    there = simulation.advance(np.concatenate((u, np.zeros(4000))))
    volt, _ = ceramic(there[:, 1], 1.0 / soft_v(0.8, 10.0))
    assert volt == pytest.approx(there[:, 0], abs=1e-9)
    assert np.abs(there[:480, 0]).max() > 1.0
    assert abs(there[-1, 1]) < 1e-3 * np.abs(there[:, 1]).max()  # eight time constants later
    current = (np.concatenate((u, np.zeros(4000))) - there[:, 0]) / 10e3
    # every BDF method is exact for a straight line and sums to the whole increment once all is still
    assert np.sum(current) / 48e3 == pytest.approx(FARAD * there[-1, 1], abs=1e-12)


def test_a_held_control_stands_still_with_a_real_timing_capacitor():
    unit = fetsim.load_unit("dunlin")
    real = unit.changed({"C16.esr": "2ohm", "C16.absorption": "0.1%"})
    levels = [
        fetsim.measure_noise(one, reductions_db=[10.0], largest=False).states[0].unweighted_dbu for one in (unit, real)
    ]
    assert levels[1] == pytest.approx(levels[0], abs=0.01)


def test_leakage_pulls_the_control_towards_its_other_end():
    """A divider: the bias behind P4 and R65 (and the source resistance of the trimmer) against the leakage."""
    unit = fetsim.load_unit("dunlin")
    ideal, leaky = (fetsim.idle_point(one) for one in (unit, unit.changed({"C16.leakage_resistance": "100M"})))
    before, after = (one.node_voltages_v["ctl"] for one in (ideal, leaky))
    assert before < after < 0.0
    # P4 at 0.3 of its track, R65: 2.04 + 0.47 Mohm, and the trimmer's few kilohm
    assert after / before == pytest.approx(100.0 / (100.0 + 2.04 + 0.47 + 0.002), rel=1e-3)
    capacitor = leaky.part("C16")
    assert capacitor.dissipation_w == pytest.approx(after**2 / 100e6, rel=1e-6)
    assert capacitor.state == "positive at 0"


@pytest.mark.parametrize("esr", [{}, {"C16.esr": "1kohm"}])
def test_a_current_probe_reads_all_that_enters(esr):
    """At rest that is what leaks; while voltage and stores rise together by 1 V/s, C's share besides."""
    unit = fetsim.load_unit("dunlin").changed({**esr, "C16.leakage_resistance": "100M", "C16.absorption": "1%"})
    rig = Rig(unit)
    probe = find_probe(unit, rig.circuit, "C16.current")
    still = {name: np.full(3, rig.bias[rig.system.index[name]]) for name in probe.unknowns}
    volt = rig.bias[rig.system.index["ctl"]]
    leaking_a = volt / (100e6 + (1e3 if esr else 0.0))
    assert probe.compute({"0": np.zeros(3), **still}, 48e3, np.zeros(2)) == pytest.approx(leaking_a, rel=1e-9)
    if not esr:
        rising = {name: level + np.array([0.0, 1.0, 2.0]) / 48e3 for name, level in still.items()}
        now = probe.compute({"0": np.zeros(3), **rising}, 48e3, np.zeros(2))
        assert now == pytest.approx(leaking_a + 150e-9 + np.array([1.0, 2.0]) / 48e3 / 100e6, rel=1e-6)


def test_a_current_probe_of_a_fet_has_its_depletion_layers():
    """Charge that moves from gate to drain comes out at the drain."""
    unit = fetsim.load_unit("teaching")
    fet = unit.gain_cell.fet
    rig = Rig(unit.changed({f"{fet}.gate_drain_capacitance_voltage": "5V"}))
    probe = find_probe(rig.unit, rig.circuit, f"{fet}.current")
    at_rest = {"0": np.zeros(2), **{name: np.full(2, rig.bias[rig.system.index[name]]) for name in probe.unknowns}}
    (charge,) = (name for name in probe.unknowns if name.endswith(".charge"))  # in volts of C_0
    coulomb = 1e-6 * rig.circuit.element(charge.rpartition(".")[0]).values["capacitance_f"]
    moved = {**at_rest, charge: at_rest[charge] + np.array([0.0, 1e-6])}
    still, moving = (float(probe.compute(one, 48e3, np.zeros(1))[0]) for one in (at_rest, moved))
    assert moving - still == pytest.approx(-coulomb * 48e3, rel=1e-6)
