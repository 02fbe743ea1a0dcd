"""Noise through linearised circuits: kT/C, 4kTR, shot noise, superposition, a long noisy run in time."""

import json

import numpy as np
import pytest
from scipy import signal as dsp
from scipy.constants import elementary_charge, k

from fetsim.audio.levels import DBU_REFERENCE_V
from fetsim.engine.assembly import assemble
from fetsim.engine.bias import find_bias
from fetsim.engine.circuit import Circuit, element
from fetsim.engine.linear import linearise
from fetsim.engine.noise_sources import NoiseSource, kelvin, noise_sources
from fetsim.errors import InputError
from fetsim.measurements.noise.analysis import (
    capacitor_noise_rms,
    noise_density,
    resistor_noise_density,
    weighted_noise_rms,
)
from fetsim.measurements.noise.procedure import measure_noise, noise_powers
from fetsim.measurements.traces.weighting import a_weighting_db, itu_468_weighting_db
from fetsim.schematic.load import load_unit
from tests.engine.small import DIODE, NPN, capacitor, resistor, source
from tests.measurements.units import without_gain_cell

T_K = 300.0
BAND_HZ = 20e3 - 20.0
THERMAL_V = NPN["thermal_v"]
FET = {
    "beta_a_v2": 1e-3, "pinch_off_v": -4.0, "tail_slope_v": 2 * 0.02585, "series_per_v": 0.0, "slope_per_v": 0.0,
    "i_gate_sat_a": 1e-15, "gate_slope_v": 0.02585, "i_leakage_a": 0.0, "leakage_slope_v": 2 * 0.02585,
    "flicker_hz": 0.0,
    "capacitance_gs_f": 1e-12, "capacitance_gd_f": 1e-12,
}  # fmt: skip


def densities(node, frequency_hz, *elements, temperature_k=T_K):
    """Element and cause -> mean square per Hz at a node [V^2/Hz; shape=(frequencies,)]."""
    circuit = Circuit(elements)
    system = assemble(circuit)
    state = find_bias(system)
    sources = noise_sources(circuit, state, system.index, temperature_k)
    weights = np.zeros(system.size)
    weights[system.index[node]] = 1.0
    powers = noise_powers(linearise(system, state), sources, weights, np.asarray(frequency_hz, dtype=float))
    found = {}
    for one, power in zip(sources, powers, strict=True):
        found[one.element, one.cause] = found.get((one.element, one.cause), 0.0) + power
    return found


def whole(table):
    return sum(table.values())


@pytest.mark.parametrize(("ohm", "farad"), [(1e3, 1e-9), (4.7e6, 10e-12), (47.0, 1e-6)])
def test_resistor_and_capacitor(ohm, farad):
    """4kTR far below the corner (Johnson, Nyquist 1928); k T / C over all frequencies, whatever R (equipartition)."""
    corner = 1.0 / (2.0 * np.pi * ohm * farad)
    f = np.geomspace(1e-5 * corner, 1e5 * corner, 400)
    power = whole(densities("a", f, source("V", "a", ohm), capacitor("C", "a", "0", farad)))
    assert np.sqrt(power[0]) == pytest.approx(resistor_noise_density(ohm, temperature_k=T_K), rel=1e-6)
    total = weighted_noise_rms(np.sqrt(power), frequency_hz=f)
    assert total == pytest.approx(capacitor_noise_rms(farad, temperature_k=T_K), rel=1e-3)


def test_resistors_in_parallel_add_up_by_superposition():
    """Each gives 4 k T / R into the parallel resistance; together it is that of one resistor of this value."""
    parts = source("V", "a", 1e3), resistor("R", "a", "0", 3e3), capacitor("C", "a", "0", 1e-15)
    table = densities("a", [1000.0], *parts)
    parallel = 750.0
    assert table["V", "thermal"][0] == pytest.approx(4.0 * k * T_K / 1e3 * parallel**2, rel=1e-6)
    assert table["R", "thermal"][0] == pytest.approx(4.0 * k * T_K / 3e3 * parallel**2, rel=1e-6)
    assert whole(table)[0] == pytest.approx(4.0 * k * T_K * parallel, rel=1e-6)


def test_pink_noise_falls_as_1_over_f():
    """A current of S_1 at 1 Hz into a resistance: S_1 R^2 / f; beside it a white one stays white."""
    system = assemble(Circuit((source("V", "a", 1e3), capacitor("C", "a", "0", 1e-15))))
    linear = linearise(system, find_bias(system))
    sources = [NoiseSource("P", "1/f", 0, -1, 1e-18, pink=True), NoiseSource("W", "thermal", 0, -1, 1e-18)]
    f = np.array([1.0, 10.0, 250.0])
    pink, white = noise_powers(linear, sources, np.ones(1), f)
    assert pink == pytest.approx(1e-12 / f, rel=1e-6)
    assert white == pytest.approx(1e-12, rel=1e-6)


def test_winding_and_coil_resistance_are_noisy():
    """At low frequency a coil is its resistance; through 1:1 both windings add in series, the core being large."""
    coil = element("inductor", "L", ["a", "0"], inductance_h=1e-3, resistance_ohm=2e3)
    power = whole(densities("a", [0.01], source("V", "a", 6e3), coil))
    assert power[0] == pytest.approx(4.0 * k * T_K * 1.5e3, rel=1e-6)
    transformer = element(
        "transformer", "T", ["p", "0", "s", "0"], ratio=1.0, primary_resistance_ohm=300.0, leakage_h=1e-9,
        magnetising_h=1e6, saturation_flux_vs=1e6, secondary_resistance_ohm=500.0, primary_capacitance_f=1e-15,
        secondary_capacitance_f=1e-15,
    )  # fmt: skip
    table = densities("s", [1000.0], source("V", "p", 200.0), transformer, resistor("L", "s", "0", 1e9))
    assert whole(table)[0] == pytest.approx(4.0 * k * T_K * 1000.0, rel=1e-5)
    assert table["T", "thermal"][0] == pytest.approx(4.0 * k * T_K * 800.0, rel=1e-5)


def test_diode_shot_noise():
    """2 q I into r_d = n V_T / I: what a junction with a current does (Schottky 1918)."""
    table = densities("a", [100.0], source("V", "a", 1e5, emf_v=10.0), element("diode", "D", ["a", "0"], **DIODE))
    current = (10.0 - 0.45) / 1e5  # the drop is 0.45 V within 0.1 V: 1 % of the current
    resistance = DIODE["slope_v"] / current
    assert table["D", "shot"][0] == pytest.approx(2.0 * elementary_charge * current * resistance**2, rel=0.03)


def test_junction_in_equilibrium_has_its_thermal_noise():
    """Without voltage both 2 q I_S add to 4 k T g for an ideality of 1 (q n V_T = k T there)."""
    slope_v = k * T_K / elementary_charge
    diode = element("diode", "D", ["a", "0"], i_sat_a=1e-6, slope_v=slope_v, capacitance_f=1e-15)
    power = densities("a", [1.0], source("V", "a", 1e12), diode)["D", "shot"]
    assert power[0] == pytest.approx(4.0 * k * T_K * slope_v / 1e-6, rel=1e-3)


def test_transistor_shot_noise():
    """Collector 2 q I_C into R_C; base 2 q I_B, amplified through r_pi (grounded-emitter stage, textbook)."""
    elements = (
        source("B", "b", 1e6, emf_v=5.0), source("VC", "c", 4.7e3, emf_v=10.0),
        element("bjt_npn", "Q", ["c", "b", "0"], **NPN),
    )  # fmt: skip
    system = assemble(Circuit(elements))
    state = find_bias(system)
    i_c = (10.0 - state[system.index["c"]]) / 4.7e3
    shot = [one for one in noise_sources(Circuit(elements), state, system.index, T_K) if one.cause == "shot"]
    sources = {(one.start, one.end): one.density for one in shot}
    b, c = system.index["b"], system.index["c"]
    i_b = (5.0 - state[b]) / 1e6
    assert sources[c, -1] == pytest.approx(2.0 * elementary_charge * i_c, rel=1e-6)
    assert sources[b, -1] == pytest.approx(2.0 * elementary_charge * i_b, rel=1e-4)
    power = densities("c", [10.0], *elements)["Q", "shot"][0]
    g_m, r_pi, r_out = i_c / THERMAL_V, THERMAL_V / i_b, 1.0 / (1.0 / 4.7e3 + i_c / 80.0)
    expected = 2.0 * elementary_charge * (i_c + i_b * (g_m * r_pi) ** 2) * r_out**2
    assert power == pytest.approx(expected, rel=0.03)  # r_out up to the Early voltage's own 3 %, 1 Mohm beside r_pi


@pytest.mark.parametrize(("drain_v", "share"), [(0.0, 1.0), (50.0, 2.0 / 3.0)])
def test_channel_noise(drain_v, share):
    """4kT times the conductance at zero drain voltage, 2 b (V_GS - V_P); 2/3 in saturation (van der Ziel 1962)."""
    elements = (
        source("D", "d", 1.0, emf_v=drain_v), source("G", "g", 1.0, emf_v=-2.0),
        element("jfet_n", "J", ["d", "g", "0"], **FET),
    )  # fmt: skip
    system = assemble(Circuit(elements))
    sources = noise_sources(Circuit(elements), find_bias(system), system.index, T_K)
    (channel,) = [one.density for one in sources if one.cause == "channel"]
    assert channel == pytest.approx(4.0 * k * T_K * 2.0 * 1e-3 * 2.0 * share, rel=1e-3)


def test_pink_noise_of_a_channel():
    """At its corner that of the channel's thermal noise in saturation, and none without drain voltage, where a change
    of the number of carriers moves no current."""
    corner_hz, found = 300.0, {}
    for drain_v in (0.0, 50.0):
        elements = (
            source("D", "d", 1.0, emf_v=drain_v), source("G", "g", 1.0, emf_v=-2.0),
            element("jfet_n", "J", ["d", "g", "0"], **{**FET, "flicker_hz": corner_hz}),
        )  # fmt: skip
        system = assemble(Circuit(elements))
        sources = noise_sources(Circuit(elements), find_bias(system), system.index, T_K)
        found[drain_v] = {one.cause: one.density for one in sources}
    assert found[50.0]["1/f"] / corner_hz == pytest.approx(found[50.0]["channel"], rel=5e-3, abs=0.0)
    assert found[0.0].get("1/f", 0.0) < 1e-6 * found[50.0]["1/f"]


def test_breakdown_diode_has_the_shot_noise_of_its_current():
    """2 q I; what avalanche adds is not in the model."""
    zener = {"i_sat_a": 1e-14, "slope_v": 0.03, "zener_v": 5.1, "i_test_a": 5e-3, "reverse_slope_v": 0.05}
    elements = (
        source("V", "k", 1e3, emf_v=10.0), element("zener", "Z", ["0", "k"], **zener, capacitance_f=1e-11)
    )  # fmt: skip
    system = assemble(Circuit(elements))
    state = find_bias(system)
    current = (10.0 - state[system.index["k"]]) / 1e3
    noise = sum(
        one.density for one in noise_sources(Circuit(elements), state, system.index, T_K) if one.cause == "shot"
    )
    assert current > 4e-3
    assert noise == pytest.approx(2.0 * elementary_charge * current, rel=1e-6)


def test_closed_channel_is_silent():
    elements = (
        source("D", "d", 1.0), source("G", "g", 1.0, emf_v=-6.0), element("jfet_n", "J", ["d", "g", "0"], **FET)
    )  # fmt: skip
    assert densities("d", [1.0], *elements)["J", "channel"] < 1e-30 * densities("d", [1.0], *elements)["D", "thermal"]


def test_noise_of_a_long_run_in_time(rng):
    """Two RC sections with an amplifier between: Gaussian currents in every step of equations written out by hand.

    C1 v1' = -v1 (1/R1 + 1/R2) + i1 + i2 and C2 v2' = (10 v1 - v2) / R3 + i3, at rest against nothing else; one-sided
    density 4 k T / R gives each step a variance of 4 k T / R * rate / 2. The scale is made 1e6 times louder.
    """
    r1, r2, r3, c1, c2, gain = 1e3, 22e3, 4.7e3, 22e-9, 3.3e-9, 10.0
    rate, steps = 400e3, 1_600_000
    a = np.array([[-(1.0 / r1 + 1.0 / r2) / c1, 0.0], [gain / (r3 * c2), -1.0 / (r3 * c2)]])
    b = np.array([[1.0 / c1, 1.0 / c1, 0.0], [0.0, 0.0, 1.0 / c2]])
    step_a, step_b, *_ = dsp.cont2discrete((a, b, np.eye(2), np.zeros((2, 3))), 1.0 / rate)
    output = np.zeros(steps)
    for source_number, ohm in enumerate((r1, r2, r3)):
        current = 1e6 * rng.normal(scale=np.sqrt(4.0 * k * T_K / ohm * rate / 2.0), size=steps)
        top, bottom = dsp.ss2tf(step_a, step_b[:, [source_number]], np.array([[0.0, 1.0]]), np.zeros((1, 1)))
        output += dsp.lfilter(top[0], bottom, current)
    seen_hz, seen = noise_density(output, rate_hz=rate, resolution_hz=20.0)
    f = np.geomspace(100.0, 60e3, 200)
    power = whole(densities(
        "out", f, source("V", "a", r1), resistor("R2", "a", "0", r2), capacitor("C1", "a", "0", c1),
        element("amplifier", "A", ["b", "0", "a", "0"], gain=gain, resistance_ohm=1e-3),
        resistor("R3", "b", "out", r3), capacitor("C2", "out", "0", c2),
    ))  # fmt: skip
    for low, high in ((100.0, 1000.0), (1000.0, 5000.0), (5000.0, 15e3), (15e3, 60e3)):
        expected = weighted_noise_rms(np.sqrt(power), frequency_hz=f, low_hz=low, high_hz=high)
        heard = 1e-6 * weighted_noise_rms(seen, frequency_hz=seen_hz, low_hz=low, high_hz=high)
        assert 20.0 * np.log10(heard / expected) == pytest.approx(0.0, abs=0.2), (low, high)  # 0.5 dB is asked for
    assert np.ptp(10.0 * np.log10(power)) > 25.0  # the spectrum is far from flat


def test_teaching_unit_in_closed_form():
    """At rest 50 and 4700 ohm, held beside them the channel: 4kT times the parallel resistance; 25 * 10k/10.1k."""
    measured = measure_noise(load_unit("teaching"), reductions_db=(0.0, 10.0), largest=False)
    gain = 25.0 * 10e3 / 10.1e3
    for state, ohm in zip(measured.states, (4750.0, 4750.0 / 10.0**0.5), strict=True):
        volts = gain * np.sqrt(4.0 * k * kelvin(26.83) * ohm * BAND_HZ)
        assert state.unweighted_dbu == pytest.approx(20.0 * np.log10(volts / DBU_REFERENCE_V), abs=0.02)
        assert state.input_referred_dbu == pytest.approx(state.unweighted_dbu - state.gain_1khz_db)
    rest, held = measured.states
    shares = {(part.designator, part.cause): part.share for part in held.contributions}
    # of two resistors in parallel each gives noise power in proportion to its conductance
    assert shares["J1", "channel"] == pytest.approx(1.0 - 10.0**-0.5, abs=1e-3)
    assert shares["IN", "thermal"] == pytest.approx(50.0 / 4750.0 * 10.0**-0.5, rel=0.01)
    at_rest = {(part.designator, part.cause): part.share for part in rest.contributions}
    assert at_rest["J1", "channel"] < 1e-8  # its tail, 0.5 V beyond pinch-off: 3.3 Tohm across 4.75 kohm
    assert measured.source_resistance_ohm == 50.0
    assert measured.largest is None and rest.dynamic_range_db is None


def test_weighted_figures_of_white_noise():
    """White 20 Hz to 20 kHz: A reads 2.0 dB less, the 468 curve with an rms meter 7.3 dB more (plain sums here)."""
    f = np.linspace(20.0, 20e3, 200_000)
    (state,) = measure_noise(load_unit("teaching"), largest=False).states
    for weighted, curve in ((state.a_weighted_dbu, a_weighting_db), (state.itu_468_weighted_dbu, itu_468_weighting_db)):
        change_db = 10.0 * np.log10(np.mean(10.0 ** (curve(f) / 10.0)))
        assert weighted - state.unweighted_dbu == pytest.approx(change_db, abs=0.02)


def test_dunlin():
    measured = measure_noise(load_unit("dunlin"), reductions_db=(0.0, 20.0))
    rest, held = measured.states
    assert sum(part.share for part in rest.contributions) == pytest.approx(1.0, abs=1e-9)
    levels = [part.output_dbu for part in rest.contributions]
    assert levels == sorted(levels, reverse=True)
    # its 4.7 kohm alone through the 43.9 dB from the drain to the output, a little loaded by the preamp's input
    alone = 20.0 * np.log10(np.sqrt(4.0 * k * kelvin(26.83) * 4700.0 * BAND_HZ) / DBU_REFERENCE_V) + 20.323 + 23.557
    assert (rest.contributions[0].designator, rest.contributions[0].cause) == ("R2", "thermal")
    assert rest.contributions[0].output_dbu == pytest.approx(alone, abs=0.6)
    assert (held.contributions[0].designator, held.contributions[0].cause) == ("J1", "channel")
    assert held.unweighted_dbu < rest.unweighted_dbu
    assert measured.largest.clips
    assert rest.dynamic_range_db == pytest.approx(measured.largest.stage_dbu - rest.unweighted_dbu)
    json.dumps(measured.to_dict(), allow_nan=False)


def test_hard_cases(tmp_path):
    no_cell = without_gain_cell(tmp_path)
    assert measure_noise(no_cell, largest=False).states[0].unweighted_dbu == pytest.approx(-87.95, abs=0.05)
    with pytest.raises(InputError, match=r"has no \[gain_cell\]"):
        measure_noise(no_cell, reductions_db=(3.0,), largest=False)
    with pytest.raises(InputError, match="cannot reach 31 dB"):
        measure_noise(load_unit("teaching"), reductions_db=(31.0,))
    with pytest.raises(InputError, match="no node or probe 'zz'"):
        measure_noise(load_unit("teaching"), point="zz")
