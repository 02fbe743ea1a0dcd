"""The control node held still: closed forms of the teaching unit, what cannot be held, the same in time."""

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import expit

from fetsim.errors import InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.hold import hold, hold_at, state_in_words
from fetsim.schematic.load import load_unit
from tests.measurements.units import changed_text, without_gain_cell

SERIES_OHM = 4750.0  # source and series leg of the teaching unit
TWO_BETA = 2.0 * 15e-3 / 4.5**2  # A/V^2
PINCH_OFF_V = -4.5
TAIL_V = 2.0 * 0.02585  # 2 kT/q at 26.83 C


def opened_v(above_v):
    """o do/dv with o = 2 V_T ln(1 + exp(v / (2 V_T)))."""
    return TAIL_V * np.logaddexp(0.0, above_v / TAIL_V) * expit(above_v / TAIL_V)


@pytest.fixture(scope="module")
def teaching():
    return Bench(load_unit("teaching"))


@pytest.mark.parametrize("wanted_db", [0.1, 6.0, 20.0, 30.0])
def test_control_voltage_of_the_teaching_unit(teaching, wanted_db):
    """1 + R_s g = 10^(GR/20) with g = 2 b o do/dV, the channel's conductance at zero drain voltage."""
    held = hold(teaching, wanted_db)
    wanted_v = (10.0 ** (wanted_db / 20.0) - 1.0) / (SERIES_OHM * TWO_BETA)
    expected_v = PINCH_OFF_V + brentq(lambda v: opened_v(v) - wanted_v, -1.0, 5.0, xtol=1e-12)
    assert held.control_v == pytest.approx(expected_v, abs=1e-5)
    assert teaching.rig.idle_gain_db() - held.rig.idle_gain_db() == pytest.approx(wanted_db, abs=1e-6)


def test_most_that_can_be_reached_is_told(teaching):
    """20 lg (1 + R_s / r_on), r_on = 1 / (2 b |V_P|) at zero gate voltage."""
    most_db = 20.0 * np.log10(1.0 + SERIES_OHM * TWO_BETA * -PINCH_OFF_V)
    with pytest.raises(InputError, match=rf"Teaching loop cannot reach 40 dB; it has at most {most_db:.2f} dB"):
        hold(teaching, 40.0)


def test_nothing_to_hold(teaching):
    assert hold(teaching, 0.0) is teaching
    assert (state_in_words(0.0), state_in_words(12.0)) == ("at rest", "held at 12 dB")
    for wrong in (-1.0, np.nan, np.inf):
        with pytest.raises(InputError, match="at least 0"):
            hold(teaching, wrong)


def test_held_control_stands_still_in_time_under_a_loud_tone(teaching):
    """+20 dBu would give 25 dB of gain reduction within milliseconds if the loop were closed."""
    held = hold_at(teaching, -4.2)
    steps = np.arange(1, round(0.05 * held.rate_hz) + 1)
    control = held.run(["ctl"]).play(10.0 * np.sin(2.0 * np.pi * 1000.0 / held.rate_hz * steps)).nodes["ctl"]
    assert np.max(np.abs(control + 4.2)) < 1e-5  # some mA into 150 F for 50 ms


def test_units_that_cannot_be_held(tmp_path):
    no_cell = without_gain_cell(tmp_path)
    bench = Bench(no_cell)
    with pytest.raises(InputError, match=r"has no \[gain_cell\]"):
        hold(bench, 3.0)
    assert hold(bench, 0.0) is bench
    assert hold_at(bench, -4.0) is bench
    wrong_node = load_unit(changed_text(tmp_path, 'control_node = "ctl"', 'control_node = "an"'))
    with pytest.raises(InputError, match="an does not move the gate of J1; check control_node"):
        hold(Bench(wrong_node), 3.0)
    bare_node = load_unit(changed_text(tmp_path, 'control_node = "ctl"', 'control_node = "vb"'))
    with pytest.raises(InputError, match="no capacitor at the control node vb"):
        hold(Bench(bare_node), 3.0)


def test_a_larger_capacitor_to_a_node_that_moves_does_not_hold_the_control(tmp_path):
    timing = 'C2 = { kind = "capacitor"'
    other = 'C3 = { kind = "capacitor", value = "1u", nodes = ["ctl", "rc"] }'
    held = hold_at(Bench(load_unit(changed_text(tmp_path, timing, f"{other}\n{timing}")), "draft"), -4.2)
    assert held.circuit.element("C2").values["capacitance_f"] == pytest.approx(150.0)
    assert held.circuit.element("C3").values["capacitance_f"] == 1e-6
