"""Noise in a march: each source against the law that it is by, and the numbers that it is made of.

A march of step h turns a density S into a variance S / 2h each step, and the method's own low-pass is in what comes
out; so a level in time is set against the transfer of the difference equation, a density in the audio band against the
law itself.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal as dsp
from scipy.constants import elementary_charge, k

from fetsim.devices.kinds import KINDS
from fetsim.engine.assembly import assemble
from fetsim.engine.bias import find_bias
from fetsim.engine.circuit import Circuit, element
from fetsim.engine.methods import method_at
from fetsim.engine.noise import Noise, prepare_noise
from fetsim.engine.pink import pink_filter
from fetsim.engine.plan import make_plan
from fetsim.engine.reduction import reduce_resistive
from fetsim.engine.simulation import Simulation
from fetsim.engine.state import State
from fetsim.engine.together import can_march_together, march_together
from tests.engine.small import DIODE, NPN, capacitor, diode_clipper, resistor, source

T_K = 300.0
RATE_HZ = 240e3


def noisy(circuit, *recorded, seed=1, steps=400_000, rate_hz=RATE_HZ, stream=0, **how):
    """Recorded unknowns of a circuit that nothing else drives [shape=(steps, recorded)], settled."""
    simulation = Simulation.of(circuit, rate_hz, recorded, noise_seed=seed, temperature_k=T_K, **how)
    simulation.state = replace(simulation.state, stream=stream)
    return simulation.advance(np.zeros(steps + 2000))[2000:]


def near(value, rel):
    """Without the absolute tolerance that is larger than any noise."""
    return pytest.approx(value, rel=rel, abs=0.0)


def band_density(samples, low_hz, high_hz, rate_hz=RATE_HZ):
    """Mean square per Hz, averaged over a band."""
    f, density = dsp.welch(samples, fs=rate_hz, nperseg=1 << 13, detrend="constant")
    return density[(f >= low_hz) & (f <= high_hz)].mean()


def bipolar(collector_ohm=4.7e3):
    return Circuit((
        source("B", "b", 1e6, emf_v=5.0), source("VC", "c", collector_ohm, emf_v=10.0),
        element("bjt_npn", "Q", ["c", "b", "0"], **NPN), capacitor("CB", "b", "0", 1e-12),
    ))  # fmt: skip


@pytest.mark.parametrize(("share", "of_law"), [(0.002, 1.0), (0.007, 1.0), (0.07, 0.92)])
def test_resistor_and_capacitor(share, of_law):
    """sqrt(kT/C) (Nyquist 1928; equipartition), as far as the step is short; exactly, what the difference equation
    C rate (lead d - past d') + G x = i, x - x' = d, makes of white current of variance 2 k T G rate."""
    farad = 1e-9
    ohm = 1.0 / (2.0 * np.pi * share * RATE_HZ * farad)
    found = np.std(noisy(Circuit((source("V", "a", ohm), capacitor("C", "a", "0", farad))), "a"))
    method = method_at("bdf4", RATE_HZ)
    z = np.exp(-1j * np.linspace(0.0, np.pi, 200_001))
    past = sum(weight * z ** (n + 1) for n, weight in enumerate(method.past))
    transfer = 1.0 / (farad * RATE_HZ * (method.lead - past) * (1.0 - z) + 1.0 / ohm)
    variance = 2.0 * k * T_K / ohm * RATE_HZ * np.mean(np.abs(transfer) ** 2)
    assert found == pytest.approx(np.sqrt(variance), rel=0.03 if share < 0.005 else 0.015)  # 400 000 steps
    assert np.sqrt(variance) == near(of_law * np.sqrt(k * T_K / farad), 0.012)


def test_divider():
    """4 k T R of three resistors in parallel at a node without any capacitor, which the solver would take out, and the
    current noise of one behind another such node."""
    circuit = Circuit((
        source("V", "a", 1e3), resistor("R1", "a", "m", 2e3), resistor("R2", "m", "out", 3e3),
        resistor("R3", "out", "0", 6e3), capacitor("C", "far", "0", 1e-9), resistor("R4", "far", "0", 1e3),
    ))  # fmt: skip
    found = noisy(circuit, "out")[:, 0]
    assert np.var(found) == near(4.0 * k * T_K * 3e3 * RATE_HZ / 2.0, 0.01)
    assert band_density(found, 1e3, 100e3) == near(4.0 * k * T_K * 3e3, 0.02)


def test_noise_before_an_amplifier():
    """A gain of -20 behind a node that is taken out: what is injected there comes out 20 times, which the transpose of
    the voltages' own reduction would not give."""
    circuit = Circuit((
        source("V", "a", 1e3), resistor("R", "a", "0", 1e3), capacitor("C", "out", "0", 1e-12),
        element("amplifier", "A", ["out", "0", "0", "a"], gain=20.0, resistance_ohm=100.0),
    ))  # fmt: skip
    found = band_density(noisy(circuit, "out")[:, 0], 1e3, 20e3)
    assert found == near(400.0 * 4.0 * k * T_K * 500.0, 0.03)


def test_shot_noise_of_a_diode():
    """2 q I into r_d (Schottky 1918), beside 4 k T / R of the source."""
    circuit = Circuit((source("V", "a", 1e5, emf_v=10.0), element("diode", "D", ["a", "0"], **DIODE)))
    system = assemble(circuit)
    current = (10.0 - find_bias(system)[system.index["a"]]) / 1e5
    slope = 1.0 / (DIODE["slope_v"] / current) + 1e-5
    expected = (2.0 * elementary_charge * current + 4.0 * k * T_K / 1e5) / slope**2
    assert band_density(noisy(circuit, "a")[:, 0], 1e3, 20e3) == near(expected, 0.03)


def test_shot_noise_of_a_transistor():
    """2 q I_C and 2 q I_B times the gain, at the collector (grounded-emitter stage, textbook)."""
    circuit = bipolar()
    system = assemble(circuit)
    rest = find_bias(system)
    i_c, i_b = (10.0 - rest[system.index["c"]]) / 4.7e3, (5.0 - rest[system.index["b"]]) / 1e6
    g_m, r_pi = i_c / NPN["thermal_v"], NPN["thermal_v"] / i_b
    r_out = 1.0 / (1.0 / 4.7e3 + i_c / NPN["early_v"])
    base = 2.0 * elementary_charge * i_b + 4.0 * k * T_K / 1e6
    expected = (2.0 * elementary_charge * i_c + base * (g_m * r_pi) ** 2 + 4.0 * k * T_K / 4.7e3) * r_out**2
    # 3 %: r_out up to the Early voltage's own error; 1 Mohm beside r_pi
    found = band_density(noisy(circuit, "c", steps=1_000_000)[:, 0], 100.0, 1e3)
    assert found == near(expected, 0.1)


def test_closed_and_open_channel_without_drain_voltage():
    """4 k T g (Nyquist): with the channel's own slope, whatever its law, and the resistor beside it."""
    for gate_v in (-1.0, -3.0):
        circuit = Circuit((
            source("G", "g", 1.0, emf_v=gate_v), element("jfet_n", "J", ["d", "g", "0"], **KINDS["jfet_n"].typical),
            resistor("R", "d", "0", 1e3),
        ))  # fmt: skip
        system = assemble(circuit)
        _, jacobian = system.evaluate(find_bias(system))
        d = system.index["d"]
        expected = 4.0 * k * T_K / (jacobian[d, d] + 1e-3)
        assert band_density(noisy(circuit, "d")[:, 0], 1e3, 20e3) == near(expected, 0.03)


def test_pink_filter_is_1_over_f():
    """Within 0.1 dB over 5 Hz to 25 kHz, at every rate; from its impulse response."""
    for rate_hz in (144e3, 288e3, 576e3):
        decays, shares = pink_filter(rate_hz)
        steps = np.arange(1 << 19)
        impulse = sum(share * decay**steps for decay, share in zip(decays, shares, strict=True))
        f = np.fft.rfftfreq(len(steps), 1.0 / rate_hz)
        band = (f >= 5.0) & (f <= 25e3)
        density = np.abs(np.fft.rfft(impulse)[band]) ** 2
        assert np.abs(10.0 * np.log10(density * f[band])).max() < 0.1


def test_pink_noise_of_a_resistor():
    """Noise index of 10 dB: 10^(10/20) uV in a decade for each volt across it (IEC 60195), so that the density is that
    square over f ln 10; numpy's periodogram, averaged over octaves."""
    ohm, index, volt = 1e4, 10.0 ** (10.0 / 20.0) * 1e-6, 5.0
    circuit = Circuit((
        source("V", "a", ohm, emf_v=2.0 * volt), capacitor("C", "a", "0", 1e-13),
        element("noisy_resistor", "R", ["a", "0"], resistance_ohm=ohm, excess_per_volt=index),
    ))  # fmt: skip
    found = noisy(circuit, "a", steps=2_000_000, rate_hz=48e3)[:, 0]
    found -= found.mean()
    window = np.hanning(len(found))
    density = 2.0 / 48e3 * np.abs(np.fft.rfft(found * window)) ** 2 / np.sum(window**2)
    f = np.fft.rfftfreq(len(found), 1.0 / 48e3)
    at_1_hz = 0.25 * (index * volt) ** 2 / np.log(10.0)  # behind two equal resistances
    for low in np.geomspace(10.0, 3e3, 8):
        band = (f >= low) & (f < 2.0 * low)
        expected = at_1_hz * np.mean(1.0 / f[band]) + 4.0 * k * T_K * ohm / 2.0
        # 41 s: 400 lines in the lowest octave, 0.22 dB rms
        assert density[band].mean() == near(expected, 0.15 if low < 100.0 else 0.06)


@pytest.mark.slow
def test_pink_noise_of_a_transistor():
    """At the corner the base current's 1/f noise is its shot noise: 2 q I_B (1 + corner / f) at the base, through r_pi,
    and nothing of it where the corner is 0."""
    corner_hz = 2000.0
    elements = bipolar().elements
    flickers = Circuit(tuple(
        replace(e, values={**e.values, "flicker_hz": corner_hz}) if e.name == "Q" else e for e in elements
    ))  # fmt: skip
    system = assemble(flickers)
    rest = find_bias(system)
    i_b = (5.0 - rest[system.index["b"]]) / 1e6
    at_b = 2.0 * elementary_charge * i_b * (NPN["thermal_v"] / i_b) ** 2
    found = noisy(flickers, "b", "c", steps=4_000_000, rate_hz=96e3)[:, 0]
    f, density = dsp.welch(found, fs=96e3, nperseg=1 << 13, detrend="constant")
    for low, high in ((100.0, 200.0), (500.0, 1000.0), (2000.0, 4000.0)):
        band = (f >= low) & (f <= high)
        expected = at_b * np.mean(1.0 + corner_hz / f[band])
        assert density[band].mean() == near(expected, 0.08)  # 1 Mohm beside r_pi, r_mu and the statistics
    assert Simulation.of(bipolar(), RATE_HZ, ["c"], noise_seed=1).prepared.noise.shape.pink == 0


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_noise_of_any_resistive_network_is_that_of_its_conductances(data):
    """Nyquist's theorem for n terminals: the currents' covariance is 2 k T rate times the conductance matrix, of which
    some nodes are taken out and some have no capacitor."""
    nodes = ["0", *(f"n{number}" for number in range(data.draw(st.integers(2, 6))))]
    ohms = st.floats(1.0, 1e7)
    parts = [source("V", "n0", data.draw(ohms))]
    for number, node in enumerate(nodes[1:], start=1):
        other = data.draw(st.sampled_from(nodes[:number]))
        parts.append(resistor(f"R{number}", node, other, data.draw(ohms)))
    for number in range(data.draw(st.integers(0, 6))):
        a, b = data.draw(st.lists(st.sampled_from(nodes), min_size=2, max_size=2, unique=True))
        parts.append(resistor(f"S{number}", a, b, data.draw(ohms)))
    for node in data.draw(st.lists(st.sampled_from(nodes[1:]), min_size=1, unique=True)):
        parts.append(capacitor(f"C{node}", node, "0", 1e-9))
    circuit = Circuit(tuple(parts))
    system = assemble(circuit)
    reduced = reduce_resistive(system)
    plan = make_plan(reduced.system)
    made = prepare_noise(
        Noise(circuit=circuit, rest=np.zeros(system.size), temperature_k=T_K, seed=0), system, reduced, plan, RATE_HZ
    )
    root = np.zeros((reduced.system.size, len(made.shape.fixed)))
    weights = iter(made.values[1:])
    for column, rows in enumerate(made.shape.fixed):
        for row in rows:
            root[row, column] = next(weights)
    order = np.array(plan.order)
    expected = 2.0 * k * T_K * RATE_HZ * reduced.system.g[np.ix_(order, order)]
    assert root @ root.T == pytest.approx(expected, rel=1e-9, abs=1e-9 * np.abs(expected).max())


class TestNumbers:
    """What a seed, a stream and a step mean."""

    def test_the_same_seed_gives_the_same_noise_however_it_is_cut(self):
        whole = noisy(bipolar(), "c", steps=3000)
        simulation = Simulation.of(bipolar(), RATE_HZ, ["c"], noise_seed=1, temperature_k=T_K)
        pieces = []
        for steps in (1, 2, 5, 8, 3, 13, 1000, 968, 1500, 1500):
            pieces.append(simulation.advance(np.zeros(steps)))
            simulation.state = State.from_bytes(simulation.state.to_bytes())
        assert np.array_equal(np.concatenate(pieces)[2000:], whole)

    def test_other_seeds_and_streams_have_nothing_in_common(self):
        every = [noisy(bipolar(), "c", seed=seed, stream=stream)[:, 0] for seed, stream in ((1, 0), (2, 0), (1, 1))]
        # 400 000 steps at some 3 steps of memory: a correlation of 0.003 rms
        assert np.abs(np.corrcoef(every) - np.eye(3)).max() < 0.015

    def test_a_part_that_is_changed_leaves_the_others_noise(self):
        """Only what the other resistance itself makes is different: far from it the noise is the same."""
        def far(ohm):
            return noisy(Circuit((
                source("V", "a", ohm), capacitor("C", "a", "0", 1e-9),
                resistor("R", "b", "0", 1e3), capacitor("D", "b", "0", 1e-9),
            )), "b", steps=1000)  # fmt: skip

        assert np.array_equal(far(1e3), far(2e3))

    @pytest.mark.slow
    def test_interpreted_and_in_lanes(self):
        """Uncompiled, alone and among others, it is the same noise."""
        circuits = [bipolar(ohm) for ohm in (4.7e3, 3.3e3, 4.7e3)]
        alone = [noisy(one, "c", steps=500, stream=n) for n, one in enumerate(circuits)]
        simulations = []
        for stream, one in enumerate(circuits):
            simulations.append(Simulation.of(one, RATE_HZ, ["c"], noise_seed=1, temperature_k=T_K))
            simulations[-1].state = replace(simulations[-1].state, stream=stream)
        lanes = march_together(simulations, [np.zeros(2500)] * 3)
        plain = noisy(circuits[1], "c", steps=500, stream=1, compiled=False)
        for one, marched in zip(alone, lanes, strict=True):
            assert marched.record[2000:] == pytest.approx(one, rel=0.0, abs=1e-9)
        assert plain == pytest.approx(alone[1], rel=0.0, abs=1e-9)

    def test_lanes_are_for_circuits_at_one_step_of_their_blocks(self):
        """Eight steps apart they march together and come out as alone; three apart they do not."""
        first, *others = (
            Simulation.of(bipolar(), RATE_HZ, ["c"], noise_seed=1, temperature_k=T_K) for _ in range(3)
        )
        for steps, one in zip((8, 3), others, strict=True):
            one.advance(np.zeros(steps))
        assert can_march_together(first, others[0]) and not can_march_together(first, others[1])
        alone = [one.branch().advance(np.zeros(200)) for one in (first, others[0])]
        marched = march_together([first, others[0]], [np.zeros(200)] * 2)
        for one, other in zip(alone, marched, strict=True):
            assert other.record == pytest.approx(one, rel=0.0, abs=1e-9)
            assert np.std(one) > 1e-6

    @pytest.mark.parametrize("side_by_side", [False, True])
    def test_a_step_that_is_subdivided_has_its_noise(self, side_by_side):
        """With one iteration allowed a clipping step is cut into pieces: the noise must be in them."""
        u = 3.0 * np.sin(2.0 * np.pi * 1e3 * np.arange(2400) / RATE_HZ)
        noises = []
        for iterations in (100, 1):
            found = []
            for seed in (1, None):
                simulation = Simulation.of(diode_clipper(), RATE_HZ, ["out"], noise_seed=seed, temperature_k=3e5 * T_K)
                prepared = simulation.prepared
                limited = replace(prepared, values=prepared.values._replace(max_iterations=iterations))
                simulation = Simulation(limited, ["out"], simulation.state)
                (marched,) = march_together([simulation], [u]) if side_by_side else [simulation.march(u)]
                found.append(marched.record[:, 0])
            noises.append(found[0] - found[1])
        assert simulation.effort.subdivided_steps > 50
        # the rescue's method lets through more of white noise near half the rate
        assert np.std(noises[1] - noises[0]) < 0.3 * np.std(noises[0])
