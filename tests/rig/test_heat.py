"""Parts that warm themselves, against closed forms."""

from dataclasses import replace
from math import exp, sqrt

import numpy as np
import pytest

import fetsim
from fetsim.errors import ConvergenceError, InputError
from fetsim.rig.heat import heat_of
from fetsim.rig.rig import Rig
from fetsim.schematic.load import load_unit
from fetsim.studies.compare.takes import circuit_key

UNIT = """
name = "warm"
temperature_c = 25
[stages.all.parts]
IN = {{ kind = "input", nodes = ["in", "0"], source_resistance = "600" }}
V1 = {{ kind = "supply", voltage = "{volt}", resistance = "1m", node = "vp" }}
R0 = {{ kind = "resistor", value = "1k", nodes = ["in", "vp"] }}
{parts}
OUT = {{ kind = "output", nodes = ["{out}", "0"], load = "1M" }}
"""
HEATER = 'R1 = { kind = "resistor", value = "1k", nodes = ["vp", "0"], thermal_resistance = "200K/W"%s }'
FED = """
V2 = { kind = "supply", voltage = "0.6V", resistance = "1m", node = "b" }
Q1 = { kind = "bjt", device = "2N3904", nodes = { collector = "vp", base = "b", emitter = "0" }%s }
"""
HEATED = ', thermal_resistance = "%gK/W"'
DIODE_CONNECTED = """
R1 = { kind = "resistor", value = "10k", nodes = ["vp", "b"] }
Q1 = { kind = "bjt", device = "2N3904", nodes = { collector = "b", base = "b", emitter = "0" }%s }
"""


@pytest.fixture
def made(tmp_path):
    def make(parts, volt="10V", out="vp"):
        path = tmp_path / "warm.toml"
        path.write_text(UNIT.format(volt=volt, parts=parts, out=out), encoding="utf-8")
        return load_unit(path)

    return make


def test_a_resistor_is_warmer_by_thermal_resistance_times_power(made):
    """100 mW in 200 K/W."""
    unit = made(HEATER % "")
    part = fetsim.idle_point(unit).part("R1")
    assert part.dissipation_w == pytest.approx(0.1, rel=1e-5)
    assert part.temperature_c == pytest.approx(45.0, abs=1e-3)
    assert heat_of(unit, 0.0).rises_k == {}


@pytest.mark.parametrize("ppm", [-3000.0, 3900.0])
def test_temperature_coefficient_and_heat_are_solved_together(made, ppm):
    """rise (1 + a rise) = R_th V^2 / R at 25 C around it: a quadratic equation."""
    unit = made(HEATER % f', temperature_coefficient = "{ppm}ppm/K"', volt="15V")
    a, cold_k = 1e-6 * ppm, 200.0 * 15.0**2 / 1e3
    wanted = (-1.0 + sqrt(1.0 + 4.0 * a * cold_k)) / (2.0 * a)
    assert heat_of(unit).rises_k["R1"] == pytest.approx(wanted, rel=1e-4)


def test_a_strongly_falling_power_swings_and_still_settles(made):
    """+5000 ppm/K at 28 times the power: plain rounds would swing for ever (the slope there is about -0.9 of the
    rise, and from cold the first round leads far beyond)."""
    unit = made(HEATER % ', temperature_coefficient = "5000ppm/K", temperature_c = -55', volt="40V")
    cold_k, a, at_around = 200.0 * 40.0**2 / 1e3, 5e-3, 1.0 - 5e-3 * 80.0
    wanted = (-at_around + sqrt(at_around**2 + 4.0 * a * cold_k)) / (2.0 * a)
    assert heat_of(unit).rises_k["R1"] == pytest.approx(wanted, rel=1e-4)


@pytest.mark.parametrize("share", [0.01, 0.5, 1.0, 3.0, 40.0])
def test_it_warms_up_with_its_time_constant(made, share):
    unit = made(HEATER % ', thermal_time_constant = "20s"')
    assert heat_of(unit, 20.0 * share).rises_k["R1"] == pytest.approx(20.0 * (1.0 - exp(-share)), rel=1e-4)


def test_between_just_now_and_for_ever_a_time_constant_is_needed(made):
    with pytest.raises(InputError, match=r"R1\.thermal_time_constant: is missing; how warm it is 5 s after"):
        heat_of(made(HEATER % ""), 5.0)
    with pytest.raises(InputError, match="are 10000 steps of a twentieth of the shortest"):
        heat_of(made(HEATER % ', thermal_time_constant = "1000s"' + "\n" + HEATER.replace("R1", "R2")
                     % ', thermal_time_constant = "1s"'), 500.0)  # fmt: skip


def test_a_base_emitter_voltage_falls_by_2_mv_for_each_kelvin_of_its_own_heat(made):
    """Textbook: -2 mV/K (from memory; -1.8 at a milliampere). About 0.65 mW in 20 kK/W."""
    cold, warm = (made(DIODE_CONNECTED % own, out="b") for own in ("", ', thermal_resistance = "20kK/W"'))
    before, after = (fetsim.idle_point(one) for one in (cold, warm))
    rise_k = after.part("Q1").temperature_c - 25.0
    assert rise_k == pytest.approx(20e3 * after.part("Q1").dissipation_w, rel=1e-5)
    assert 10.0 < rise_k < 13.0
    drift = (after.node_voltages_v["b"] - before.node_voltages_v["b"]) / rise_k
    assert -2.1e-3 < drift < -1.7e-3


def test_a_part_of_its_own_temperature_is_as_the_unit_at_that(made):
    own = fetsim.idle_point(made(DIODE_CONNECTED % ", temperature_c = 60", out="b"))
    whole = fetsim.idle_point(made(DIODE_CONNECTED % "", out="b").changed(temperature_c=60))
    assert own.node_voltages_v["b"] == pytest.approx(whole.node_voltages_v["b"], abs=1e-9)
    assert own.part("Q1").temperature_c == 60.0
    assert own.part("R1").temperature_c == 25.0


def rise_of_current_per_k(unit):
    low, high = (fetsim.idle_point(unit.changed(temperature_c=celsius)).part("Q1") for celsius in (24.0, 26.0))
    return np.log(high.branches[0].current_a / low.branches[0].current_a) / 2.0


def test_where_a_transistor_runs_away(made):
    """A collector current of I exp(a r) that warms its transistor by r = R_th V I exp(a r): there is a balance as long
    as a R_th V I e < 1. The rise a of a silicon transistor at a fixed base voltage falls a little as it warms, so the
    limit lies somewhat above."""
    cold = made(FED % "", volt="15V")
    watt = fetsim.idle_point(cold).part("Q1").dissipation_w
    limit_k_w = 1.0 / (rise_of_current_per_k(cold) * watt * exp(1.0))
    assert 0.06 < rise_of_current_per_k(cold) < 0.09  # a decade in some 30 K
    stays = heat_of(made(FED % (HEATED % (0.95 * limit_k_w)), volt="15V"))
    assert 0.6 / rise_of_current_per_k(cold) < stays.rises_k["Q1"] < 1.0 / rise_of_current_per_k(cold)
    with pytest.raises(ConvergenceError, match=r"Q1: gets hotter than 200 C .*; thermal runaway") as caught:
        heat_of(made(FED % (HEATED % (1.3 * limit_k_w)), volt="15V"))
    assert len(str(caught.value).splitlines()) == 1


def test_too_much_heat_is_told_apart(made):
    with pytest.raises(ConvergenceError, match=r"R1: gets hotter than 200 C with .*; too much heat"):
        heat_of(made(HEATER % "", volt="50V"))


def test_without_thermal_resistance_nothing_is_worked_out():
    unit = load_unit("dunlin")
    rig = Rig(unit)
    assert heat_of(unit).bias is None
    assert rig.warm_unit is unit


def test_runs_and_held_states_are_as_warm_as_the_unit_at_rest():
    unit = load_unit("dunlin").changed({"Q6.thermal_resistance": "100K/W", "Q1.thermal_resistance": "500K/W"})
    rig = Rig(unit)
    assert any("Q6 by 5" in text for text in rig.told)
    by_hand = unit.changed({
        f"{name}.temperature_c": unit.temperature_c + rise for name, rise in rig.heat.rises_k.items()
    })  # fmt: skip
    same = replace(unit, rises_k={})
    assert same.digest == unit.digest
    cold = by_hand.changed({"Q6.thermal_resistance": "0.1", "Q1.thermal_resistance": "0.1"})
    assert Rig(cold).bias == pytest.approx(rig.bias, abs=1e-3)  # 0.06 K of 57 are left
    noise = [fetsim.measure_noise(one, reductions_db=[10.0], largest=False).states[0] for one in (unit, cold)]
    assert noise[0].unweighted_dbu == pytest.approx(noise[1].unweighted_dbu, abs=1e-3)


def test_takes_of_units_that_warm_differently_are_not_mixed_up():
    """What the cache of renders goes by: heat is worked out of the circuit and the thermal resistances."""
    unit = load_unit("dunlin")
    versions = [unit.changed(change) for change in ({"Q6.thermal_resistance": k_w} for k_w in ("50K/W", "80K/W"))]
    assert len({circuit_key(one) for one in (unit, *versions)}) == 3
    named = unit.changed(about="the same")
    assert circuit_key(named) == circuit_key(unit)
