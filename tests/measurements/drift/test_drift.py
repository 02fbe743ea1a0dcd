"""Drift against units set to the same temperatures by hand, and against the laws of the parts."""

from dataclasses import replace
from math import inf

import pytest

import fetsim
from fetsim.errors import ConvergenceError, InputError, UnitError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.operating import threshold_dbu
from fetsim.measurements.drift.procedure import DriftMeasurement, DriftState, _failed
from fetsim.measurements.drift.tables import _lead, _moves, left_out
from fetsim.rig.rig import Rig
from tests.measurements.units import without_gain_cell

QUICK = {"quality": "draft"}
HEATED = {
    "Q6.thermal_resistance": "80K/W", "Q7.thermal_resistance": "80K/W", "J1.thermal_resistance": "300K/W",
    "R20.thermal_resistance": "150K/W", "R20.temperature_coefficient": "1000ppm/K",
}  # fmt: skip


@pytest.fixture(scope="module")
def dunlin():
    return fetsim.load_unit("dunlin")


@pytest.fixture(scope="module")
def found(dunlin):
    return fetsim.measure_drift(dunlin.changed(HEATED), temperatures_c=[45.0, 15.0], **QUICK)


def test_states_in_their_order(found):
    assert found.warms_up
    assert [(one.temperature_c, one.on_s) for one in found.states] == [
        (15.0, 0.0), (15.0, float("inf")), (45.0, 0.0), (45.0, float("inf")),
    ]  # fmt: skip


def test_just_switched_on_it_is_the_unit_without_thermal_resistances(dunlin, found):
    for state in (found.states[0], found.states[2]):
        changes = {"temperature_c": state.temperature_c, "R20.temperature_coefficient": "1000ppm/K"}
        plain = Bench(dunlin.changed(changes), "draft")
        assert state.idle_gain_db == pytest.approx(plain.rig.idle_gain_db(), abs=1e-9)
        assert state.threshold_dbu == pytest.approx(threshold_dbu(plain, 1000.0), abs=0.01)  # it is looked for so far
        assert state.control_v == pytest.approx(float(plain.bias[plain.system.index["ctl"]]), abs=1e-9)
        assert (state.warmest, state.warmest_c, state.rises_k) == (None, state.temperature_c, {})


@pytest.mark.slow
def test_settled_it_is_the_unit_with_its_parts_set_to_their_temperatures(dunlin, found):
    for state in (found.states[1], found.states[3]):
        by_hand = {f"{name}.temperature_c": state.temperature_c + rise for name, rise in state.rises_k.items()}
        coefficient = {"R20.temperature_coefficient": "1000ppm/K", "temperature_c": state.temperature_c}
        plain = Bench(dunlin.changed({**by_hand, **coefficient}), "draft")
        assert state.idle_gain_db == pytest.approx(plain.rig.idle_gain_db(), abs=1e-6)
        assert state.threshold_dbu == pytest.approx(threshold_dbu(plain, 1000.0), abs=0.01)
        assert state.warmest == "Q6"
        assert state.warmest_c == pytest.approx(state.temperature_c + state.rises_k["Q6"])
        point = fetsim.idle_point(dunlin.changed({**by_hand, **coefficient}))
        assert state.heat_w == pytest.approx(point.supply_power_w, rel=1e-6)
        assert state.rises_k["Q6"] == pytest.approx(80.0 * point.part("Q6").dissipation_w, rel=1e-4)
        assert 0.0 <= state.rises_k["J1"] < 1e-6  # a FET that takes nothing warms by nothing


def test_the_gate_comes_nearer_to_pinch_off_by_its_drift(found):
    """The pinch-off voltage moves by 2 mV/K (common practice) away from the gate, whose bias is made of resistors."""
    cold, warm = found.states[1], found.states[3]
    gate_v = warm.control_v - cold.control_v
    moved = warm.above_pinch_off_v - cold.above_pinch_off_v
    assert moved - gate_v == pytest.approx(30 * 2e-3, abs=2e-3)  # 47 kohm and the gate's own current lie between
    assert warm.threshold_dbu < cold.threshold_dbu


@pytest.mark.slow
def test_on_the_way_with_time_constants(dunlin):
    unit = dunlin.changed({"Q6.thermal_resistance": "80K/W", "Q6.thermal_time_constant": "30s"})
    found = fetsim.measure_drift(unit, temperatures_c=[25.0], after_s=[30.0], **QUICK)
    now, way, settled = (one.rises_k.get("Q6", 0.0) for one in found.states)
    assert now == 0.0
    assert way == pytest.approx(settled * (1.0 - 2.718281828**-1), rel=0.01)  # its heat hardly moves as it warms
    assert [row[2] for row in found.tables()[0].rows] == ["just switched on", "after 30 s", "settled"]


def test_a_part_without_a_time_constant_is_named_before_anything_is_worked_out(dunlin):
    unit = dunlin.changed({"Q6.thermal_resistance": "80K/W", "J1.thermal_resistance": "300K/W"})
    with pytest.raises(InputError, match=r"J1\.thermal_time_constant \(and of Q6\): is missing; .* as 20s"):
        fetsim.measure_drift(unit, after_s=[5.0], **QUICK)


def test_a_fet_without_drain_current_is_not_told_as_warm(dunlin):
    """At rest the Dunlin's has no volt across it: its own heat is its gate's leakage."""
    assert "No part has warmed itself by 0.1 K." in Rig(dunlin.changed({"J1.thermal_resistance": "300K/W"})).told


@pytest.mark.slow
def test_a_temperature_at_which_it_runs_away_leaves_the_others(dunlin):
    unit = dunlin.changed({"Q6.thermal_resistance": "235K/W"})
    found = fetsim.measure_drift(unit, temperatures_c=[25.0, 75.0], **QUICK)
    assert found.states[1].warmest_c < 200.0
    lost = found.states[3]
    assert lost.threshold_dbu is None and lost.reasons["threshold_dbu"].cause == "not computed"
    assert "Q6: gets hotter than 200 C" in lost.reasons["threshold_dbu"].text
    (told,) = left_out({"": found})
    assert told.startswith("75 C, settled: Q6: gets hotter than 200 C")
    with pytest.raises(ConvergenceError, match="Q6: gets hotter than 200 C"):
        fetsim.idle_point(unit.changed(temperature_c=75.0))


def test_without_a_gain_cell_or_heat_there_is_less_to_tell(tmp_path):
    found = fetsim.measure_drift(without_gain_cell(tmp_path), temperatures_c=[25.0], **QUICK)
    (state,) = found.states
    assert not found.warms_up
    assert state.control_v is None and state.reasons["control_v"].cause == "not defined"


@pytest.mark.parametrize(
    ("asked", "error", "told"),
    [
        ({"temperatures_c": []}, InputError, "temperatures: give at least one"),
        ({"temperatures_c": [200.0]}, UnitError, "temperature_c: 200 is outside -55 to 125"),
        ({"after_s": [5.0]}, InputError, "after: no part of Dunlin warms up"),
        ({"after_s": [-5.0]}, InputError, "after: seconds since switching on lie above 0"),
        ({"temperatures_c": [k / 10.0 for k in range(300)]}, InputError, "these are 300 states; 200 at the most"),
    ],
)
def test_what_cannot_be_asked(dunlin, asked, error, told):
    with pytest.raises(error, match=told):
        fetsim.measure_drift(dunlin, **asked)


def test_a_temperature_that_could_not_be_had_does_not_silence_the_others():
    """The warmest of three is lost: the sentence goes from the first to the second, and says so."""
    states = [
        DriftState(temperature_c=celsius, on_s=inf, threshold_dbu=level, idle_gain_db=20.0, control_v=-4.6, heat_w=1.0)
        for celsius, level in ((5.0, -10.0), (25.0, -9.5))
    ]
    lost = _failed(55.0, inf, ConvergenceError("no bias point"))
    found = DriftMeasurement(provenance=None, warms_up=False, states=(*states, lost))
    assert _lead(found).startswith("From 5 to 25 C the threshold moves by +0.50 dB, ")
    assert _lead(found).endswith("Not everything could be had at 55 C.")
    alone = _lead(DriftMeasurement(provenance=None, warms_up=True, states=(states[0], lost)))
    assert alone == "Not everything could be had at 55 C."


def test_what_does_not_move_has_no_minus_sign():
    state = DriftState(temperature_c=25.0, on_s=0.0, threshold_dbu=-10.0, idle_gain_db=20.0, control_v=-4.6)
    warm = replace(state, on_s=inf, threshold_dbu=-10.001, idle_gain_db=19.9999)
    assert _moves("from", state, warm).startswith("from just switched on to settled the threshold moves by +0.00 dB, ")
