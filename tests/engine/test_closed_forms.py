"""Small circuits with textbook answers, solved by the whole engine (bias, small signals or time)."""

import numpy as np
import pytest
from scipy.special import iv

from fetsim.engine.assembly import assemble
from fetsim.engine.bias import find_bias
from fetsim.engine.circuit import Circuit, element
from fetsim.engine.linear import linearise
from fetsim.engine.simulation import Simulation
from tests.engine.small import NPN, capacitor, resistor, response, source

TRANSFORMER = {
    "ratio": 1.0, "primary_resistance_ohm": 1e-3, "leakage_h": 1e-9, "magnetising_h": 10.0,
    "saturation_flux_vs": 0.06, "secondary_resistance_ohm": 1e-3, "primary_capacitance_f": 1e-15,
    "secondary_capacitance_f": 1e-15,
}  # fmt: skip


def small_signal(circuit: Circuit):
    system = assemble(circuit)
    return linearise(system, find_bias(system))


def test_low_corner_of_a_transformer():
    """-3.01 dB at f = R / (2 pi L), R the source in parallel with the reflected load: 600 || 600 ohm and 10 H give
    4.775 Hz, not 9.549 (circuit theory)."""
    circuit = Circuit((
        source("V", "p", 600.0),
        element("transformer", "T", ["p", "0", "out", "0"], **TRANSFORMER),
        resistor("RL", "out", "0", 600.0),
    ))  # fmt: skip
    linear = small_signal(circuit)
    middle, corner = np.abs(response(linear, [1000.0, 4.7746], "out"))
    assert 20 * np.log10(middle) == pytest.approx(-6.0206, abs=1e-3)  # two equal resistors halve (exact)
    assert 20 * np.log10(corner / middle) == pytest.approx(-3.0103, abs=2e-3)


@pytest.mark.parametrize("ratio", [2.5, 0.8])
def test_transformer_ratio(ratio):
    """Voltage divides by n, current multiplies by n, impedance by n^2 (ideal transformer, exact): a load R seen from
    the primary is n^2 R."""
    values = TRANSFORMER | {"ratio": ratio, "magnetising_h": 1e4}
    circuit = Circuit((
        source("V", "p", 600.0),
        element("transformer", "T", ["p", "0", "out", "0"], **values),
        resistor("RL", "out", "0", 150.0),
    ))  # fmt: skip
    reflected = ratio**2 * 150.0
    expected = reflected / (600.0 + reflected) / ratio
    assert abs(response(small_signal(circuit), [1000.0], "out")[0]) == pytest.approx(expected, rel=1e-5)


def test_saturation_follows_flux_not_voltage():
    """Flux of a sine is V / (2 pi f) (Faraday): at constant voltage an octave down doubles it. The magnetising current
    that saturates goes with the seventh power of the flux, so its third harmonic rises 2^7 = 128 times."""
    circuit = Circuit((
        source("V", "p", 50.0),
        element("transformer", "T", ["p", "0", "out", "0"], **TRANSFORMER),
        resistor("RL", "out", "0", 600.0),
    ))  # fmt: skip
    third = {}
    for f in (20.0, 40.0, 80.0):
        rate = 512 * f
        sim = Simulation.of(circuit, rate, ["out"], compiled=False)
        n = np.arange(1, 512 * 6 + 1)
        peak_v = 0.05 * 2 * np.pi * 20.0 * 1.2  # flux peak of 1.2 x 0.05 Vs at 20 Hz: at the knee of 0.06
        out = sim.advance(peak_v * np.sin(2 * np.pi * f * n / rate) * np.minimum(n / 1024, 1))[-1024:, 0]
        spectrum = np.abs(np.fft.rfft(out)) / 512
        third[f] = spectrum[6] / spectrum[2]
    assert third[20.0] / third[40.0] == pytest.approx(128.0, rel=0.05)
    assert third[40.0] / third[80.0] == pytest.approx(128.0, rel=0.05)


def test_common_emitter_gain_is_transconductance_times_load():
    """A = -g_m R_C = -181.7 at 1 mA, 4.7k and V_T 25.865 mV (300.15 K), no Early effect (textbook)."""
    vt = 1.380649e-23 * 300.15 / 1.602176634e-19
    npn = NPN | {"early_v": 1e9, "thermal_v": vt, "reverse_gain": 1e9, "gain": 1e9}
    v_be = vt * np.log(1e-3 / npn["i_sat_a"])
    circuit = Circuit((
        source("B", "b", 1e-3, v_be, 1.0),
        source("S", "rail", 1e-3, 12.0, 0.0),
        resistor("RC", "rail", "c", 4.7e3),
        element("bjt_npn", "Q", ["c", "b", "0"], **npn),
    ))  # fmt: skip
    gain = response(small_signal(circuit), [10.0], "c")[0]
    assert gain.real == pytest.approx(-181.7, abs=0.1)


def test_exponential_stage_distorts_by_bessel_functions():
    """I exp(v/V_T) with a sine of peak a gives harmonics 2 I_k(a/V_T) (exact); second harmonic 1 % at 1.035 mV peak,
    the textbook's v / (4 V_T)."""
    vt = NPN["thermal_v"]
    npn = NPN | {"early_v": 1e9, "gain": 1e9, "capacitance_be_f": 1e-15, "capacitance_bc_f": 1e-15}
    peak = 0.01 * 4 * vt
    circuit = Circuit((
        source("B", "b", 1e-3, 0.6, 1.0),
        source("S", "rail", 1e-3, 12.0, 0.0),
        resistor("RC", "rail", "c", 1e3),
        element("bjt_npn", "Q", ["c", "b", "0"], **npn),
    ))  # fmt: skip
    sim = Simulation.of(circuit, 48e3, ["c"], tolerance_v=1e-7, compiled=False)
    n = np.arange(1, 97)
    out = sim.advance(peak * np.sin(2 * np.pi * 1000 * n / 48e3))[:, 0]
    spectrum = np.abs(np.fft.rfft(out)) / 48
    assert spectrum[4] / spectrum[2] == pytest.approx(iv(2, peak / vt) / iv(1, peak / vt), rel=2e-3)
    assert spectrum[4] / spectrum[2] == pytest.approx(0.01, rel=2e-3)


def test_feedback_pair():
    """Gain 1 + R_f / R_e of an amplifier of open-loop gain A: A / (1 + A b); 10k and 470 with A = 1000 give 21.791
    (22.277 for infinite A) (feedback theory)."""
    circuit = Circuit((
        source("V", "in", 1.0),
        resistor("Rin", "in", "0", 1e6),
        element("amplifier", "A", ["out", "0", "in", "fb"], gain=1000.0, resistance_ohm=1e-3),
        resistor("Rf", "out", "fb", 10e3),
        resistor("Re", "fb", "0", 470.0),
    ))  # fmt: skip
    assert abs(response(small_signal(circuit), [100.0], "out")[0]) == pytest.approx(21.791, abs=5e-4)


FET = {
    "tail_slope_v": 2 * 0.02585, "series_per_v": 0.0, "slope_per_v": 0.0, "i_gate_sat_a": 1e-15,
    "gate_slope_v": 0.02585, "i_leakage_a": 0.0, "leakage_slope_v": 2 * 0.02585, "flicker_hz": 0.0,
    "capacitance_gs_f": 1e-15, "capacitance_gd_f": 1e-15,
}  # fmt: skip


def test_divider_with_the_fet_as_a_resistor():
    """r_ds = V_P^2 / (2 I_DSS (V_GS - V_P)): 5 mA, -2 V at -1 V is 400 ohm (Shichman-Hodges); with 400 ohm above it the
    divider gives -6.02 dB."""
    circuit = Circuit((
        source("V", "d", 400.0),
        source("G", "g", 1e-3, -1.0, 0.0),
        element(
            "jfet_n", "J", ["d", "g", "0"], beta_a_v2=5e-3 / 4, pinch_off_v=-2.0, **FET,
        ),
    ))  # fmt: skip
    assert abs(response(small_signal(circuit), [100.0], "d")[0]) == pytest.approx(0.5, rel=1e-6)


def test_half_drain_feedback_nulls_the_second_harmonic():
    """Half of the drain signal at the gate makes the square-law channel an exact resistor (algebra), and that
    with a tail one whose distortion is even about it; without it the second harmonic is about A/(4 o) R_s/(R_s + r)."""

    def second(feedback: bool) -> float:
        gate = (
            element("amplifier", "A", ["g", "bias", "d", "0"], gain=0.5, resistance_ohm=1.0)
            if feedback
            else resistor("A", "g", "bias", 1.0)
        )
        circuit = Circuit((
            source("V", "d", 100e3),
            source("B", "bias", 1e-3, -1.5, 0.0),
            gate,
            element(
                "jfet_n", "J", ["d", "g", "0"], beta_a_v2=5e-3 / 4, pinch_off_v=-2.0, **FET,
            ),
        ))  # fmt: skip
        sim = Simulation.of(circuit, 48e3, ["d"], tolerance_v=1e-8, compiled=False)
        n = np.arange(1, 97)
        out = sim.advance(np.sin(2 * np.pi * 1000 * n / 48e3))[:, 0]
        spectrum = np.abs(np.fft.rfft(out))
        return float(spectrum[4] / spectrum[2])

    assert second(feedback=False) == pytest.approx(0.3938e-2, rel=0.01)  # worked example, another solver
    assert second(feedback=True) < 1e-6


def test_capacitor_current_makes_kirchhoffs_law_hold_in_time():
    """Currents recomputed from the part list at every step, charges differentiated by the same four-step formula: they
    balance at every node to rounding."""
    from tests.engine.exact import exact_circuit

    circuit = exact_circuit("teaching")
    rate = 192e3
    names = assemble(circuit).unknowns
    sim = Simulation.of(circuit, rate, names, tolerance_v=1e-9)
    n = np.arange(1, 400)
    drive = 0.5 * np.sin(2 * np.pi * 2000 * n / rate)
    table = np.vstack([np.tile(sim.branch().all_unknowns, (4, 1)), sim.advance(drive)])
    level = {name: table[:, k] for k, name in enumerate(names)} | {"0": np.zeros(len(table))}

    def rate_of_change(x):
        d = np.diff(x)
        return (25 / 12 * d[3:] - 23 / 12 * d[2:-1] + 13 / 12 * d[1:-2] - 1 / 4 * d[:-3]) * rate

    balance = {name: np.zeros(len(drive)) for name in level}
    for e in circuit.elements:
        v = e.values
        across = level[e.nodes[0]] - level[e.nodes[1]]
        if e.kind == "resistor":
            flows = [(e.nodes[0], e.nodes[1], across[4:] / v["resistance_ohm"])]
        elif e.kind == "capacitor":
            flows = [(e.nodes[0], e.nodes[1], v["capacitance_f"] * rate_of_change(across))]
        elif e.kind == "source":
            emf = v["emf_v"] + v["emf_per_input"] * drive
            flows = [(e.nodes[0], e.nodes[1], (across[4:] - emf) / v["resistance_ohm"])]
        elif e.kind == "amplifier":
            driven = v["gain"] * (level[e.nodes[2]] - level[e.nodes[3]])
            flows = [(e.nodes[0], e.nodes[1], ((across - driven) / v["resistance_ohm"])[4:])]
        elif e.kind == "diode":
            current = v["i_sat_a"] * np.expm1(across[4:] / v["slope_v"])
            flows = [(e.nodes[0], e.nodes[1], current + v["capacitance_f"] * rate_of_change(across))]
        else:
            drain, gate, ground = e.nodes
            v_gs, v_gd = (level[gate] - level[k] for k in (ground, drain))
            k = v["tail_slope_v"]
            o_s, o_d = (k * np.logaddexp(0.0, (x - v["pinch_off_v"]) / k) for x in (v_gs, v_gd))
            channel = v["beta_a_v2"] * (o_s**2 - o_d**2) * (1 + v["slope_per_v"] * np.abs(v_gs - v_gd))
            gs = (
                v["capacitance_gs_f"] * rate_of_change(v_gs)
                + v["i_gate_sat_a"] * np.expm1(v_gs / v["gate_slope_v"])[4:]
            )
            gd = (
                v["capacitance_gd_f"] * rate_of_change(v_gd)
                + v["i_gate_sat_a"] * np.expm1(v_gd / v["gate_slope_v"])[4:]
            )
            flows = [(drain, ground, channel[4:]), (gate, ground, gs), (gate, drain, gd)]
        for start, end, current in flows:
            balance[start] += current
            balance[end] -= current
    for name, residual in balance.items():
        if name != "0":
            assert np.abs(residual).max() < 1e-9, name  # amperes; the currents themselves are milliamperes


def test_capacitor_against_resistor_noise_free_settling():
    """A capacitor charged through R passes 63.212 % after one time constant (1 - 1/e)."""
    circuit = Circuit((source("V", "a", 1e3), capacitor("C", "a", "0", 1e-6)))
    sim = Simulation.of(circuit, 1e6, ["a"], method="sdirk4", compiled=False)
    out = sim.advance(np.ones((1000, 5)))[:, 0]
    assert out[-1] == pytest.approx(1 - np.exp(-1), abs=1e-9)
