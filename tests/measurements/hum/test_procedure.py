"""Hum as measured, against what a render holds, rules of the trade and an ODE of the supply."""

from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.special import wrightomega

import fetsim
from fetsim.audio.levels import dbu_to_rms_v, full_scale_peak_v, rms_v_to_dbu
from fetsim.cli.main import main
from fetsim.errors import InputError
from fetsim.measurements.hum.reservoirs import reservoirs
from fetsim.measurements.results.result import account_of

LOOP = Path(__file__).parents[2] / "rig" / "mains_loop.toml"
SAGGING = """
name = "class B"
source = "invented"
[rails]
r = "17V"
[stages.supply.parts]
V90 = { kind = "mains", voltage = "14V", frequency = "50Hz", resistance = "4", nodes = ["x1", "x2"] }
D1 = { kind = "diode", device = "d", nodes = { anode = "x1", cathode = "r" } }
D2 = { kind = "diode", device = "d", nodes = { anode = "x2", cathode = "r" } }
D3 = { kind = "diode", device = "d", nodes = { anode = "0", cathode = "x1" } }
D4 = { kind = "diode", device = "d", nodes = { anode = "0", cathode = "x2" } }
C1 = { kind = "capacitor", value = "1000u", nodes = ["r", "0"] }
R1 = { kind = "resistor", value = "680", nodes = ["r", "0"] }
[stages.follower.parts]
IN = { kind = "input", nodes = ["in", "0"], source_resistance = "1" }
Q1 = { kind = "bjt", device = "2N3904", nodes = { collector = "r", base = "in", emitter = "out" } }
OUT = { kind = "output", nodes = ["out", "0"], load = "100" }
[devices.d]
kind = "diode"
source = "invented"
reference_temperature_c = 25.0
saturation_current = "5nA"
ideality = 1.8
junction_capacitance = "15p"
"""


@pytest.fixture(scope="module")
def found():
    return fetsim.measure_hum(fetsim.load_unit("dunlin-mains"), quality="draft", burst_s=0.02)


@pytest.mark.slow
def test_the_lines_are_those_of_a_render(found):
    """0.4 s of silence, its last period: 0.02 dB, which is what the conversion to 48 kHz and back is flat within."""
    unit = fetsim.load_unit("dunlin-mains")
    rendering = fetsim.render(np.zeros(19200), 48000, unit=unit, quality="draft")
    volts = rendering.output.ravel()[-2 * 960 : -960] * full_scale_peak_v(unit.full_scale_dbu)
    heard = np.sqrt(2.0) * np.abs(np.fft.rfft(volts))[1:] / 960
    lines = found.states[0].lines
    for number in (0, 1, 3, 5):  # 50, 100, 200, 300 Hz
        assert lines[number].level_dbu == pytest.approx(rms_v_to_dbu(heard[number]), abs=0.02)


def test_rails_times_small_signals_are_the_hum(found):
    """To -60 dB: ripple of 4 mV on 28 V is small. The largest two ways in nearly cancel, and are told."""
    for one in found.states:
        assert one.unexplained_db < -60.0
        for line in one.lines[:8]:
            assert line.explained_dbu == pytest.approx(line.level_dbu, abs=0.05)
        brought = {rail.rail: rail.level_dbu for rail in one.rails}
        assert brought["vp"] == pytest.approx(one.hum_dbu, abs=1.5) and brought["vn"] < -120.0
        assert {"R15", "R16", "R13"} <= {entry.part for entry in one.entries[:4]}
    assert [one.reduction_db for one in found.states] == [0.0, 10.0]


def test_hum_and_noise_are_one_figure(found):
    unit = fetsim.load_unit("dunlin-mains")
    one, noise = found.states[0], fetsim.measure_noise(unit, largest=False, quality="draft").states[0]
    assert one.noise_dbu == pytest.approx(noise.unweighted_dbu, abs=1e-6)
    powers = dbu_to_rms_v(one.hum_dbu) ** 2 + dbu_to_rms_v(one.noise_dbu) ** 2
    assert one.hum_and_noise_dbu == pytest.approx(rms_v_to_dbu(np.sqrt(powers)), abs=1e-9)


def test_a_new_reservoir_takes_its_share_of_the_hum(found):
    """Twice the capacitance, half of the ripple: -6 dB within what the regulator makes of its shape."""
    unit = fetsim.load_unit("dunlin-mains").changed(C94="2000u")
    better = fetsim.measure_hum(unit, reductions_db=[0.0], quality="draft", burst_s=0.02)
    assert better.states[0].hum_dbu - found.states[0].hum_dbu == pytest.approx(-6.0, abs=0.3)


def test_ripple_of_a_reservoir_is_what_its_load_takes_from_it(found):
    """0.78 to 0.91 of I / (2 f C) in full wave; I is what the rectifiers deliver."""
    point = fetsim.idle_point(fetsim.load_unit("dunlin-mains"))
    load_a = sum(point.part(name).branches[0].current_a for name in ("D91", "D92"))
    (c94, c96) = found.reservoirs
    assert (c94.part, c94.node, c96.part, c96.node) == ("C94", "vr", "C96", "vm")
    assert 0.78 < c94.ripple_v / (load_a / (2 * 50.0 * 1000e-6)) < 0.91


def test_reservoirs_are_found_by_what_charges_them():
    assert [part.designator for part in reservoirs(fetsim.load_unit(LOOP))] == ["C90"]
    assert reservoirs(fetsim.load_unit("dunlin")) == ()


def test_the_sag_of_a_rail_is_what_an_ode_says(tmp_path):
    """A follower in class B draws half waves of (e - V_BE) / 100 ohm from the rail, 32 mA in the mean at +20 dBu; an
    ODE of the reservoir with that and the rectifier (Lambert's function) settles at the mean that is read. 3 %: V_BE
    is taken as 0.72 V."""
    path = tmp_path / "unit.toml"
    path.write_text(SAGGING, encoding="utf-8")
    found = fetsim.measure_hum(fetsim.load_unit(path), reductions_db=[0.0], level_dbu=20.0, burst_s=0.3)
    (rail,) = found.sags
    slope, i_sat, ohm, peak_v = 2 * 1.8 * 25.69e-3, 5e-9, 4.0, 14.0 * np.sqrt(2.0)

    def mean_v(drawn_a):
        def rate(t, v):
            x = np.log(i_sat * ohm / slope) + (abs(peak_v * np.sin(2 * np.pi * 50 * t)) - v + i_sat * ohm) / slope
            return (slope / ohm * wrightomega(x).real - i_sat - v / 680.0 - drawn_a) / 1000e-6

        times = 0.28 + np.arange(1, 401) / 400 * 0.02
        return solve_ivp(rate, (0.0, 0.301), [17.0], method="LSODA", t_eval=times, rtol=1e-6, max_step=4e-4).y[0].mean()

    wave_v = dbu_to_rms_v(20.0) * np.sqrt(2.0) * np.sin(2 * np.pi * (np.arange(1000) + 0.5) / 1000)
    drawn_a = np.maximum(wave_v - 0.72, 0.0).mean() / 100.0
    assert rail.rest_v == pytest.approx(mean_v(0.0), abs=0.02)
    assert rail.sag_v == pytest.approx(mean_v(0.0) - mean_v(drawn_a), rel=0.03)


def test_a_unit_without_mains_or_rails_is_told(tmp_path, capsys):
    with pytest.raises(InputError, match="has no part of kind mains"):
        fetsim.measure_hum(fetsim.load_unit("teaching"))
    path = tmp_path / "unit.toml"
    path.write_text(SAGGING.replace('[rails]\nr = "17V"', ""), encoding="utf-8")
    with pytest.raises(SystemExit) as ended:
        main(["measure", "hum", "--unit", str(path)])
    assert ended.value.code == 2 and "does not say which its rails are" in capsys.readouterr().err


def test_cautions_stand_with_the_figures(found):
    text = " ".join(account_of({"": found}).cautions)
    assert "licensed" in text and "local codes" in text and "stay charged" in text
