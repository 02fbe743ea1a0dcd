"""MOSFETs: the sheet's figures met, textbook circuits in closed form (Sedra and Smith, Microelectronic Circuits,
chapter 5, from memory), and a threshold with its current."""

import numpy as np
import pytest
from scipy.constants import k

from fetsim.devices.kinds import KINDS
from fetsim.devices.mosfet_figures import SHEET, channel_of
from fetsim.devices.sheet import Warmth, thermal_voltage
from fetsim.engine.assembly import assemble
from fetsim.engine.bias import find_bias
from fetsim.engine.circuit import Circuit, element
from fetsim.engine.simulation import Simulation
from fetsim.schematic.sheets import library_devices, library_sheets, read_sheet
from tests.engine.small import resistor, source

SWITCH = library_devices()["2N7000"]
KT_Q_V = thermal_voltage(25.0)
VALUES = SHEET.values(SWITCH.figures, KT_Q_V)


def current_a(v_gs, v_ds, values=VALUES):
    """Drain current of the channel [A], and its slope by v_gs at constant v_ds [S]."""
    flow = KINDS["mosfet_n"].law.bound(values).evaluate([v_gs, v_gs - v_ds, -v_ds])[0]
    return flow.current, sum(flow.slopes)


class TestAgainstItsSheet:
    def test_threshold(self):
        """2.1 V at 1 mA, gate and drain joined."""
        assert current_a(2.1, 2.1)[0] == pytest.approx(1e-3 * (1 + 0.01 * 2.1), rel=1e-6)

    def test_transconductance(self):
        """320 mS at 200 mA; the rise with V_DS of 10 % counts in both."""
        v_gs = np.linspace(2.5, 5.0, 20001)
        ampere, slope = current_a(v_gs, 10.0)
        at = np.interp(0.2 * 1.1, ampere, slope)
        assert at == pytest.approx(0.32 * 1.1, rel=1e-4)

    def test_channel_resistance(self):
        """1.8 ohm at 10 V of gate voltage."""
        assert 1e-6 / current_a(10.0, 1e-6)[0] == pytest.approx(1.8, rel=1e-5)

    def test_body_diode(self):
        """0.88 V at 400 mA (datasheet, typical, from memory)."""
        body = KINDS["mosfet_n"].law.bound(VALUES).evaluate([0.0, 0.88, 0.88])[1]
        assert body.current == pytest.approx(0.4, rel=0.5)  # 10 mV


def test_below_threshold_it_falls_by_a_decade_in_n_times_59_mv():
    decade_v = SWITCH.figures["ideality"] * KT_Q_V * np.log(10.0)
    start_v = VALUES["threshold_v"] - 0.4
    ratio = current_a(start_v, 5.0)[0] / current_a(start_v - decade_v, 5.0)[0]
    assert ratio == pytest.approx(10.0, rel=0.01)  # 5 slopes below: exp(-5) of curvature is left


def test_an_inverter_at_10_v():
    """R_D in the supply: off it stands at the rail, on it is R_D and the channel's 1.8 ohm as a divider, and in between
    V_out = V_DD - R_D I_D with the square law's own current, solved here."""
    def out_v(v_gs):
        circuit = Circuit((
            source("VDD", "vdd", 1e-3, 10.0, 0.0), source("VG", "g", 50.0, v_gs, 0.0),
            resistor("RD", "vdd", "d", 100.0), element("mosfet_n", "M1", ["d", "g", "0"], **VALUES),
        ))  # fmt: skip
        system = assemble(circuit)
        return find_bias(system)[system.index["d"]]

    assert out_v(0.0) == pytest.approx(10.0, abs=1e-6)
    assert out_v(10.0) == pytest.approx(10.0 * 1.8 / 101.8, rel=0.02)  # 98 mA, still nearly ohmic
    for v_gs in (2.2, 2.4):
        b, part, above = VALUES["beta_a_v2"], VALUES["series_per_v"], v_gs - VALUES["threshold_v"]
        saturated = b * above**2 / (1 + part * above)
        # I (1 + 0.01 V_out) R_D = 10 - V_out; the tail adds 2 % at 0.12 V above threshold
        assert out_v(v_gs) == pytest.approx((10.0 - 100.0 * saturated) / (1 + saturated), abs=0.12)


def test_noise_in_saturation_and_its_corner():
    """Two thirds of 4 k T times the transconductance (van der Ziel), and as much again from 1/f noise at the corner;
    none of it without drain current."""
    kind, t_k, corner_hz = KINDS["mosfet_n"], 300.0, 20e3
    values = {**VALUES, "flicker_hz": corner_hz, "series_per_v": 0.0, "slope_per_v": 0.0}
    at = {"drain": 10.0, "gate": 3.5, "source": 0.0}
    channel, _, flicker = kind.noise_at(values, at, t_k)
    wanted = 2 / 3 * 4 * k * t_k * current_a(3.5, 10.0, values)[1]
    assert channel.density == pytest.approx(wanted, rel=0.01)
    assert flicker.pink
    assert flicker.density / corner_hz == pytest.approx(wanted, rel=1e-6)
    assert kind.noise_at(values, {**at, "drain": 0.0}, t_k)[2].density == pytest.approx(0.0, abs=1e-12 * wanted)


def test_it_switches_a_square_wave():
    """10 V gate drive of 1 kHz through 1 kohm: no step is subdivided, the output stands at both ends."""
    circuit = Circuit((
        source("VDD", "vdd", 1e-3, 10.0, 0.0), source("VG", "g", 1e3), resistor("RD", "vdd", "d", 1e3),
        element("mosfet_n", "M1", ["d", "g", "0"], **VALUES),
    ))  # fmt: skip
    run = Simulation.of(circuit, 240e3, ["d"], method="bdf4")
    found = run.advance(5.0 + 5.0 * np.sign(np.sin(2 * np.pi * 1e3 * (np.arange(1, 2401) - 0.5) / 240e3)))[:, 0]
    assert run.effort.subdivided_steps == 0
    assert found[100] == pytest.approx(10.0 * 1.8 / 1001.8, rel=0.02)
    assert found[220] == pytest.approx(10.0, abs=1e-3)


def test_warm_and_cold():
    """The threshold falls by 2 mV/K, the channel resistance rises as T^1.5 of the mobility (less the falling
    threshold), and the body diode's current rises as any junction's."""
    warm = SHEET.figures_at(SWITCH.figures, Warmth(25.0, 75.0))
    cold_channel, warm_channel = channel_of(SWITCH.figures, KT_Q_V), channel_of(warm, thermal_voltage(75.0))
    assert warm_channel.pinch_off_v == pytest.approx(cold_channel.pinch_off_v - 0.1, abs=1e-6)
    ratio = (348.15 / 298.15) ** 1.5
    assert warm_channel.beta_a_v2 == pytest.approx(cold_channel.beta_a_v2 / ratio, rel=1e-6)
    assert warm["r_ds_on"] / 1.8 == pytest.approx(ratio, rel=0.01)
    assert warm["body_saturation_current"] > 100 * SWITCH.figures["body_saturation_current"]


@pytest.mark.parametrize(
    ("change", "key", "words"),
    [
        ({"v_gs_th": -2.0}, "v_gs_th", "positive in an n-channel MOSFET"),
        ({"v_gs_th": 0.1}, "v_gs_th", "nearer to zero"),
        ({"r_ds_on_gate_voltage": -10.0}, "r_ds_on_gate_voltage", "positive in an n-channel MOSFET"),
        ({"v_gs_th_current": 0.3}, "v_gs_th_current", "must be below g_fs_current"),
        ({"r_ds_on": 0.1}, "r_ds_on", "not to be had with this g_fs"),
        ({"r_ds_on": 500.0}, "r_ds_on", "not to be had with this g_fs"),
        ({"r_ds_on_gate_voltage": 1.0}, "r_ds_on_gate_voltage", "must be beyond v_gs_th = 2.1 V"),
        ({"v_gs_th": 20.0}, "r_ds_on_gate_voltage", "must be beyond v_gs_th = 20 V"),
        ({"g_fs": 1e-6}, "r_ds_on", "that g_fs_current does not flow at r_ds_on_gate_voltage"),
        ({"g_fs": 1e-9}, "g_fs", "is outside 1 uS"),
        ({"ideality": 0.5}, "ideality", "is outside 1 to 5"),
    ],
)
def test_sheets_that_describe_no_device_are_told(change, key, words):
    device, mistakes = read_sheet("2N7000", library_sheets()["2N7000"], change)
    assert device is None
    assert [(at, words in said) for at, said in mistakes] == [(key, True)]


def test_a_channel_resistance_needs_its_gate_voltage():
    raw = {key: value for key, value in library_sheets()["2N7000"].items() if key != "r_ds_on_gate_voltage"}
    assert read_sheet("2N7000", raw)[1] == [("r_ds_on", "says nothing without r_ds_on_gate_voltage; give both")]
