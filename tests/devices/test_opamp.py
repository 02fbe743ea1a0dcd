"""Operational amplifiers against the closed forms of the textbooks (Horowitz and Hill, The Art of Electronics, chapters
4 and 8, from memory), and against plain equations solved here."""

import numpy as np
import pytest
from scipy.constants import k
from scipy.integrate import solve_ivp

from fetsim.devices.kinds import KINDS
from fetsim.devices.opamp_figures import SHEET
from fetsim.devices.sheet import Warmth
from fetsim.engine.assembly import assemble
from fetsim.engine.bias import find_bias
from fetsim.engine.circuit import Circuit
from fetsim.engine.linear import linearise
from fetsim.engine.noise_sources import noise_sources
from fetsim.engine.simulation import Simulation
from fetsim.measurements.noise.procedure import noise_powers
from fetsim.schematic.sheets import library_devices, library_sheets, read_sheet
from tests.engine.opamp_circuits import RAIL_OHM, RAIL_V, buffer, comparator, inverter, opamp, rails, rectifier
from tests.engine.small import capacitor, resistor, response, source

LIMIT_A, OUT_OHM = 40e-3, 125.0  # of the typical values
INSIDE_V = 13.5  # rails less the typical drops
IDLE_A = 1.4e-3


def rest_of(circuit):
    system = assemble(circuit)
    state = find_bias(system)
    return system, state, {"0": 0.0, **{name: float(state[row]) for name, row in system.index.items()}}


@pytest.mark.parametrize(("bandwidth_hz", "slew_v_s"), [(1e6, 0.5e6), (3e6, 13e6), (10e6, 9e6)])
@pytest.mark.parametrize("gain", [1.0, 10.0, 100.0])
def test_corner_is_gain_bandwidth_over_noise_gain(bandwidth_hz, slew_v_s, gain):
    """An inverter of gain 10 at 1 MHz: 90.9 kHz. The output resistance and the load divide the gain-bandwidth."""
    loaded = 1.0 / (1.0 + OUT_OHM * (1 / 1e6 + 1 / (gain * 10e3 + 10e3 / (1 + 10e3 / 1e12))))
    circuit = inverter(gain, load_ohm=1e6, load_f=1e-16, bandwidth_hz=bandwidth_hz, slew_v_s=slew_v_s, gain=1e9)
    system, state, _ = rest_of(circuit)
    linear = linearise(system, state)
    wanted_hz = bandwidth_hz * loaded / (1.0 + gain)
    at = np.abs(response(linear, [1.0, wanted_hz], "out"))
    assert at[0] == pytest.approx(gain, rel=1e-5)
    assert at[1] / at[0] == pytest.approx(1 / np.sqrt(2), rel=2e-3)  # feed-through past the output: 125 ohm in 10 k
    if gain == 10.0 and bandwidth_hz == 1e6:
        assert wanted_hz == pytest.approx(90.9e3, rel=5e-3)


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.5, 0.9, 1.3])
def test_slewing_begins_at_the_full_power_bandwidth(share):
    """A buffer at 10 V and a share of slew / (2 pi V), against its one equation a' = slew tanh((u - a) / v_s). Below
    the full-power bandwidth the distortion is that of the input stage's own voltage, v_s artanh(share cos)."""
    bandwidth_hz, slew_v_s, volt = 3e6, 5e6, 10.0
    range_v = slew_v_s / (2 * np.pi * bandwidth_hz)
    frequency_hz = share * slew_v_s / (2 * np.pi * volt)
    rate_hz = frequency_hz * 200
    t = np.arange(1, 1001) / rate_hz
    circuit = buffer(load_ohm=1e9, load_f=1e-15, bandwidth_hz=bandwidth_hz, slew_v_s=slew_v_s, gain=1e9)
    run = Simulation.of(circuit, rate_hz, ["out"], method="bdf4", tolerance_v=1e-6)
    found = run.advance(volt * np.sin(2 * np.pi * frequency_hz * t))[:, 0]
    plain = solve_ivp(
        lambda now, a: slew_v_s * np.tanh((volt * np.sin(2 * np.pi * frequency_hz * now) - a) / range_v),
        (0.0, t[-1]), [0.0], "Radau", t_eval=t, rtol=1e-9, atol=1e-9,
    ).y[0]  # fmt: skip
    # the very beginning is off by 0.3 % (a tone from nothing), and so is every turn where it slews from edge to edge
    assert np.abs(found - plain)[-600:].max() < (1e-6 if share < 1.0 else 1e-3) * volt

    def harmonics(periods):
        return np.abs(np.fft.rfft(periods))[6::3] / 300

    if share == 0.5:
        expected = range_v * np.arctanh(share * np.cos(2 * np.pi * np.arange(600) / 200))
        assert np.hypot.reduce(harmonics(found[-600:])) == pytest.approx(np.hypot.reduce(harmonics(expected)), rel=0.02)


def test_far_above_it_the_output_is_a_triangle():
    """Slewing all the time: amplitude slew / (4 f)."""
    slew_v_s, frequency_hz = 0.5e6, 50e3
    rate_hz = 400 * frequency_hz
    run = Simulation.of(buffer(load_ohm=1e9, slew_v_s=slew_v_s, bandwidth_hz=1e6), rate_hz, ["out"], method="bdf4")
    found = run.advance(10.0 * np.sin(2 * np.pi * frequency_hz * np.arange(1, 8001) / rate_hz))[-800:, 0]
    # its tips are rounded where 80 mV saturate it, and fall between samples
    assert np.ptp(found) / 2 == pytest.approx(slew_v_s / (4 * frequency_hz), rel=0.01)


@pytest.mark.parametrize("out_v", [-5.0, 0.0, 8.0])
def test_the_rails_carry_what_the_output_does(out_v):
    """Into 1 kohm; the two halves multiply to the square of the idle current (class AB)."""
    circuit = Circuit((
        *rails(), source("V", "in", 50.0, out_v, 0.0), opamp("U1", "out", "in", "out"), resistor("RL", "out", "0", 1e3),
    ))  # fmt: skip
    _, _, volts = rest_of(circuit)
    upper_a = (RAIL_V - volts["vp"]) / RAIL_OHM
    lower_a = (volts["vn"] + RAIL_V) / RAIL_OHM
    assert upper_a - lower_a == pytest.approx(volts["out"] / 1e3, abs=1e-10)  # rounding of the rails, over 1 mohm
    assert upper_a * lower_a == pytest.approx(IDLE_A**2, rel=1e-4)


@pytest.mark.parametrize("emf_v", [10.0, -10.0])
def test_a_short_circuit_draws_the_limit(emf_v):
    circuit = Circuit((
        *rails(), source("V", "in", 50.0, emf_v, 0.0), resistor("R", "in", "m", 1e3), opamp("U1", "out", "in", "m"),
        resistor("RM", "m", "0", 1e6), resistor("RL", "out", "0", 1e-3),
    ))  # fmt: skip
    _, _, volts = rest_of(circuit)
    sign = np.sign(emf_v)
    # the input divider leaves it 10 mV, so it stands at the rail: 13.5 V over 5 V is tanh 2.7
    assert sign * volts["out"] / 1e-3 == pytest.approx(LIMIT_A * np.tanh(INSIDE_V / (LIMIT_A * OUT_OHM)), rel=0.01)


@pytest.mark.parametrize(("emf_v", "upper", "lower"), [(5.0, 1.5, 1.5), (5.0, 0.2, 3.0), (-5.0, 0.2, 3.0)])
def test_it_clips_at_its_distance_from_each_rail(emf_v, upper, lower):
    circuit = Circuit((
        *rails(), source("V", "in", 50.0, emf_v, 0.0), opamp("U1", "out", "in", "0", upper_drop_v=upper,
        lower_drop_v=lower), resistor("RL", "out", "0", 1e9),
    ))  # fmt: skip
    _, _, volts = rest_of(circuit)
    wanted = RAIL_V - upper if emf_v > 0.0 else -RAIL_V + lower
    # saturated by i_t, which the limit takes 50 mV beyond
    assert volts["out"] == pytest.approx(wanted + np.sign(emf_v) * 0.05, abs=1e-3)


def test_offset_and_bias_currents_through_the_feedback():
    """V_out = (V_os - I_plus R_3) (1 + R2/R1), signs as the current enters, + I_minus R2."""
    offset_v, plus_a, minus_a, r_3 = 2e-3, 300e-9, 200e-9, 47e3
    circuit = Circuit((
        *rails(), source("V", "a", 1e3, 0.0, 0.0), opamp("U1", "out", "p", "a", offset_v=offset_v, bias_plus_a=plus_a,
        bias_minus_a=minus_a, gain=1e8), resistor("R2", "a", "out", 100e3), resistor("R3", "p", "0", r_3),
    ))  # fmt: skip
    _, _, volts = rest_of(circuit)
    # offset is plus less minus at rest: it stands against the plus input's own fall
    wanted = (-plus_a * r_3 - offset_v) * (1 + 100e3 / 1e3) + minus_a * 100e3
    assert volts["out"] == pytest.approx(wanted, rel=1e-4)


@pytest.mark.parametrize(("upper_v", "lower_v", "moved_v"), [(1.0, -1.0, 1.0), (1.0, 0.0, 0.5), (1.0, 1.0, 0.0)])
def test_rails_come_in_through_their_rejection(upper_v, lower_v, moved_v):
    """Rails that move apart by 1 V each are 1 V over the rejection at the input, times the noise gain of 11; at +-15 V
    the offset voltage is the sheet's (definition of k_SVR as in data sheets, from memory)."""
    figures = library_devices()["TL072"].figures
    values = SHEET.values({**figures, "supply_rejection": 80.0, "offset_voltage": 1e-3}, 0.02585)
    wanted = {key: values[key] for key in ("offset_v", "supply_share")}

    def out_v(upper_v, lower_v):
        moved = {"VP": upper_v, "VN": lower_v}
        circuit = inverter(10.0, load_ohm=1e6, gain=1e9, **wanted)
        parts = tuple(source(e.name, "vp" if e.name == "VP" else "vn", RAIL_OHM, moved[e.name], 0.0)
                      if e.name in moved else e for e in circuit.elements)  # fmt: skip
        return rest_of(Circuit(parts))[2]["out"]

    still = out_v(RAIL_V, -RAIL_V)
    assert still == pytest.approx(-11.0 * 1e-3, rel=1e-5)
    moved = out_v(RAIL_V + upper_v, -RAIL_V + lower_v) - still
    assert moved == pytest.approx(11.0 * 1e-4 * moved_v, rel=1e-4, abs=1e-9)


def test_an_integrator_droops_by_its_bias_current():
    """dV/dt = I_b / C; 80 nA into 100 nF is 0.8 V/s."""
    circuit = Circuit((
        *rails(), source("V", "i", 1e9, 0.0, 0.0), opamp("U1", "out", "0", "i", bias_minus_a=80e-9, gain=1e7),
        capacitor("C", "i", "out", 100e-9), resistor("R", "i", "out", 1e12), resistor("RL", "out", "0", 10e3),
    ))  # fmt: skip
    run = Simulation.of(circuit, 48e3, ["out"], method="bdf4", cold=True)
    found = run.advance(np.zeros(9600))[:, 0]
    assert (found[-1] - found[4799]) / 0.1 == pytest.approx(0.8, rel=1e-3)


def test_noise_is_that_of_the_noise_gain():
    """S = e_n^2 G^2 + i_n^2 (R_2^2 + R_3^2 G^2) + 4 k T (R_2 + R_1 (R_2/R_1)^2 + R_3 G^2), G = 1 + R_2/R_1; e_n and i_n
    with their corners."""
    e_n, e_hz, i_n, i_hz, t_k = 5e-9, 60.0, 0.6e-12, 700.0, 300.0
    r_1, r_2, r_3 = 1e3, 20e3, 10e3
    gain = 1 + r_2 / r_1
    circuit = Circuit((
        *rails(), source("V", "a", r_1, 0.0, 0.0), resistor("R2", "a", "out", r_2), resistor("R3", "p", "0", r_3),
        opamp("U1", "out", "p", "a", noise_v=e_n, voltage_corner_hz=e_hz, noise_a=i_n, current_corner_hz=i_hz, gain=1e8,
              bandwidth_hz=10e6, slew_v_s=9e6),
    ))  # fmt: skip
    system, state, _ = rest_of(circuit)
    sources = noise_sources(circuit, state, system.index, t_k)
    weights = np.zeros(system.size)
    weights[system.index["out"]] = 1.0
    f = np.array([10.0, 100.0, 1e3, 10e3])
    found = noise_powers(linearise(system, state), sources, weights, f).sum(axis=0)
    thermal = 4 * k * t_k * (r_2 + r_1 * (r_2 / r_1) ** 2 + r_3 * gain**2)
    current = i_n**2 * (1 + i_hz / f) * (r_2**2 + (r_3 * gain) ** 2)
    wanted = e_n**2 * (1 + e_hz / f) * gain**2 + current + thermal
    assert found == pytest.approx(wanted, rel=1e-3)  # corner at 470 kHz: 0.05 % at 10 kHz


def test_a_precision_rectifier_is_ideal_where_it_has_time():
    """1 V at 20 Hz, against |v|. Around zero it has to cross the diodes' gap of 0.3 V (at a microampere), driven by
    half of an input that rises from nothing by r: 2 pi GBW r t^2 / 4 = 0.3 V, and until then it is off by twice r t."""
    t = np.arange(1, 38401) / 384e3
    v = np.sin(2 * np.pi * 20.0 * t)
    run = Simulation.of(rectifier(bandwidth_hz=10e6, slew_v_s=20e6, gain=1e6), 384e3, ["out"], method="bdf4")
    wrong = np.abs(run.advance(v)[:, 0] - np.abs(v))[384:]
    rise = 2 * np.pi * 20.0
    assert wrong.max() == pytest.approx(2 * rise * np.sqrt(4 * 0.3 / (2 * np.pi * 10e6 * rise)), rel=0.2)
    assert np.median(wrong) < 2e-4  # 5 nA of a diode in reverse through 10 k, twice


def test_a_comparator_turns_over_where_its_divider_says():
    """Up to the output's swing over 1 + R2/R1, down to the same below; 10 Hz triangle of 5 V."""
    ratio, rate_hz = 4.0, 48e3
    phase = 10.0 * np.arange(1, 9601) / rate_hz % 1.0
    v = 5.0 * (1.0 - 4.0 * np.abs(phase - 0.5))
    run = Simulation.of(comparator(ratio=ratio), rate_hz, ["out"], method="bdf4")
    found = run.advance(v)[:, 0]
    swing_v = np.abs(found).max()
    assert swing_v == pytest.approx(INSIDE_V + 0.05, abs=0.06)  # less what 50 kohm draws through 125 ohm
    turned = np.flatnonzero(np.diff(np.sign(found[2400:]))) + 2400
    assert len(turned) >= 3
    # a step of the triangle is 4 mV; the output goes over in 2 us
    assert np.abs(v[turned]) == pytest.approx(swing_v / (1 + ratio), abs=0.02)


def test_without_its_rails_it_stands_still():
    circuit = Circuit((
        *rails(0.0), source("V", "i", 1e3), opamp("U1", "out", "0", "i"), resistor("R", "i", "out", 1e4),
    ))  # fmt: skip
    _, _, volts = rest_of(circuit)
    element = circuit.element("U1")
    assert KINDS["opamp"].at_rest(element.values, element.at(volts)).state == "without supply"


@pytest.mark.parametrize(
    ("emf_v", "load_ohm", "state"),
    [(0.1, 10e3, "in range"), (5.0, 10e3, "stands at {positive}"), (-5.0, 10e3, "stands at {negative}"),
     (1.0, 10.0, "limits its current")],
)  # fmt: skip
def test_how_it_rests_is_told(emf_v, load_ohm, state):
    circuit = Circuit((
        *rails(), source("V", "p", 1e3, emf_v, 0.0), opamp("U1", "out", "p", "m"), resistor("R1", "m", "0", 1e3),
        resistor("R2", "m", "out", 9e3), resistor("RL", "out", "0", load_ohm),
    ))  # fmt: skip
    _, _, volts = rest_of(circuit)
    element = circuit.element("U1")
    assert KINDS["opamp"].at_rest(element.values, element.at(volts)).state == state


class TestSheets:
    def test_shipped_ones_are_three_and_say_where_they_come_from(self):
        sheets = {name: one for name, one in library_devices().items() if one.kind == "opamp"}
        assert len(sheets) == 3
        assert all("from memory" in one.source for one in sheets.values())

    def test_noise_of_the_bipolar_one_is_its_sheets(self):
        """8 and 5 nV, 2.7 and 0.7 pA per root Hz at 30 Hz and 1 kHz (datasheet, from memory)."""
        figures = library_devices()["NE5532"].figures
        at = np.array([30.0, 1000.0])
        volt = figures["noise_voltage"] * np.sqrt(1 + figures["noise_voltage_corner"] / at)
        ampere = figures["noise_current"] * np.sqrt(1 + figures["noise_current_corner"] / at)
        assert volt == pytest.approx([8e-9, 5e-9], rel=0.01)
        assert ampere == pytest.approx([2.7e-12, 0.7e-12], rel=0.01)

    def test_bias_of_fet_inputs_doubles_and_offset_drifts(self):
        device = library_devices()["TL072"]
        warm = SHEET.figures_at(device.figures, Warmth(25.0, 55.0))
        assert warm["input_bias_current"] == pytest.approx(8 * 65e-12)
        assert warm["offset_voltage"] == pytest.approx(3e-3 + 30 * 18e-6)
        assert warm["slew_rate"] == device.figures["slew_rate"]
        bipolar = library_devices()["NE5532"]
        assert SHEET.figures_at(bipolar.figures, Warmth(25.0, 55.0))["input_bias_current"] == 200e-9

    @pytest.mark.parametrize(
        ("change", "key", "words"),
        [
            ({"slew_rate": 0.01, "gain_bandwidth": "10MHz"}, "slew_rate", "which no input stage has"),
            ({"slew_rate": 0.0}, "slew_rate", "outside 0.001 V/us"),
            ({"gain_bandwidth": "10"}, "gain_bandwidth", "outside 1 kHz to 1 GHz"),
            ({"gain_bandwidth": "3Mohm"}, "gain_bandwidth", "in ohm"),
            ({"upper_drop": -1.0}, "upper_drop", "outside 0 V to 20 V"),
            ({"offset_voltage": 1.0}, "offset_voltage", "outside -100 mV to 100 mV"),
            ({"noise_voltage": "-1nV/rtHz"}, "noise_voltage", "outside 0"),
            ({"noise_voltage": "18nV"}, "noise_voltage", "in volt"),
            ({"output_current": 0.0}, "output_current", "outside 10 uA to 20 A"),
            ({"swing": 13.0}, "swing", "unknown figure"),
        ],
    )
    def test_what_is_no_amplifier_is_told_in_a_line(self, change, key, words):
        device, mistakes = read_sheet("TL072", library_sheets()["TL072"], change)
        assert device is None
        assert [(at, words in said, "\n" in said) for at, said in mistakes] == [(key, True, False)], mistakes
