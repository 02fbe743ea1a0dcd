"""Changing a unit: values, controls, switches, devices and temperature; never the topology."""

import pickle
from dataclasses import fields
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fetsim.errors import UnitError
from fetsim.schematic.load import load_unit
from fetsim.schematic.model import UnitData
from fetsim.schematic.read import read_unit
from fetsim.schematic.settings import settings as settings_of
from fetsim.schematic.values import parse_value
from fetsim.schematic.wiring import build_circuit, track_fraction

DUNLIN = load_unit("dunlin")
T2_REACH_VS = build_circuit(DUNLIN).element("T2").values["reach_vs"]
EACH = load_unit(Path(__file__).with_name("one_of_each.toml"))


def changed_values(unit):
    """(element, value) -> (before, after) of everything that differs from the Dunlin's circuit."""
    pairs = zip(build_circuit(DUNLIN).elements, build_circuit(unit).elements, strict=True)
    return {
        (old.name, key): (old.values[key], new.values[key])
        for old, new in pairs
        for key in old.values
        if old.values[key] != new.values[key]
    }


CHANGES = [
    # change, the element values that move, to what
    ({"C16": "220n"}, {("C16", "capacitance_f"): 220e-9}),
    ({"R2": 4750.0}, {("R2", "resistance_ohm"): 4750.0}),
    ({"R2": np.float64(4750.0)}, {("R2", "resistance_ohm"): 4750.0}),
    ({"R2": np.int64(4750)}, {("R2", "resistance_ohm"): 4750.0}),
    ({"R2.value": "4k75"}, {("R2", "resistance_ohm"): 4750.0}),
    ({"V1": "30V"}, {("V1", "emf_v"): 30.0}),
    ({"V1.resistance": "2"}, {("V1", "resistance_ohm"): 2.0}),
    ({"T1.ratio": 3}, {("T1", "ratio"): 3.0}),
    # the reach of its stops is fitted to the same two inductances as before, and moves by a millionth of itself
    ({"T2.saturation_flux": "80mVs"}, {("T2", "saturation_flux_vs"): 0.08, ("T2", "reach_vs"): T2_REACH_VS}),
    ({"T2.winding_capacitance": "500p"},
     {("T2", "primary_capacitance_f"): 500e-12, ("T2", "secondary_capacitance_f"): 100e-12}),
    ({"J1.channel_slope": "0.01/V"}, {("J1", "slope_per_v"): 0.01}),
    ({"Q1.current_gain": 200}, {("Q1", "gain"): 200.0}),  # Q1 alone; Q3, Q4 and QS2 have the same sheet
    ({"load": "10k"}, {("OUT", "resistance_ohm"): 10e3}),
    ({"OUT": "10k"}, {("OUT", "resistance_ohm"): 10e3}),
    ({"OUT.load": "10k"}, {("OUT", "resistance_ohm"): 10e3}),
    ({"IN.source_resistance": "600"},
     {("IN.hot", "resistance_ohm"): 300.0, ("IN.cold", "resistance_ohm"): 300.0}),
    ({"P3.fraction": 0.5}, {("P3", "resistance_ohm"): 23.5e3}),
    ({"P3": "100k"}, {("P3", "resistance_ohm"): 30e3}),
    ({"attack": 1}, {("P3", "resistance_ohm"): 47e3}),
    ({"attack": "100%"}, {("P3", "resistance_ohm"): 47e3}),
    ({"idle_trim": "0.5"}, {("P5.upper", "resistance_ohm"): 1e3, ("P5.lower", "resistance_ohm"): 1e3}),
    ({"curve": "S1+S2"}, {("S1.1", "resistance_ohm"): 0.05, ("S1.2", "resistance_ohm"): 0.05}),
    ({"curve": "none"}, {("S2.1", "resistance_ohm"): 1e12, ("S2.2", "resistance_ohm"): 1e12}),
    ({"curve": "all"}, {(f"S{n}.{pole}", "resistance_ohm"): 0.05 for n in (1, 3) for pole in (1, 2)}),
    ({"P3.taper": "linear"}, {("P3", "resistance_ohm"): 0.63531 * 47e3}),
    ({"full_scale_dbu": 22}, {}),
    ({"R2.tolerance": "5%", "R2.about": "other", "name": "Dunlin II"}, {}),
    ({}, {}),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "moved"), CHANGES, ids=[str(row[0])[:40] for row in CHANGES])
def test_a_change_moves_these_values_and_no_others(changes, moved):
    found = changed_values(DUNLIN.changed(changes))
    # control positions in the unit file are rounded to five figures
    assert {key: after for key, (_, after) in found.items()} == pytest.approx(moved, rel=2e-4)


def test_changes_by_keyword_and_by_mapping_are_the_same():
    assert DUNLIN.changed(C16="220n", attack=0.8) == DUNLIN.changed({"C16": "220n", "attack": 0.8})


def test_a_change_leaves_the_unit_as_it_was():
    before = pickle.dumps(DUNLIN)
    DUNLIN.changed({"C16": "220n", "J1.i_dss": "12mA", "curve": "all", "attack": 0.1})
    assert pickle.dumps(DUNLIN) == before


def test_changes_of_tolerance_and_level_arrive():
    unit = DUNLIN.changed({"R2.tolerance": "-1/+3%", "full_scale_dbu": 22})
    tolerance = unit.parts["R2"].tolerance
    assert tolerance is not None
    assert (tolerance.low, tolerance.high) == (-0.01, 0.03)
    assert unit.full_scale_dbu == 22.0


def test_a_figure_of_one_part_keeps_the_rest_of_its_sheet():
    unit = DUNLIN.changed({"J1.i_dss": "12mA"})
    device, sheet = unit.parts["J1"].device, DUNLIN.parts["J1"].device
    assert device is not None and sheet is not None
    assert device.figures == {**sheet.figures, "i_dss": 0.012}
    assert unit.parts["J1"].figures == {"i_dss": 0.012}


def test_a_new_device_drops_figures_of_the_old_one_unless_given_again():
    unit = DUNLIN.changed({"J1.i_dss": "12mA"})
    other = unit.changed(J1="2N3819").parts["J1"].device
    assert other is not None and (other.name, other.figures["i_dss"]) == ("2N3819", 0.010)
    both = unit.changed({"J1.i_dss": "11mA", "J1.device": "2N3819"}).parts["J1"].device
    assert both is not None and (both.name, both.figures["i_dss"]) == ("2N3819", 0.011)


def test_a_control_that_is_moved_frees_a_fixed_fraction_unless_given_again():
    unit = DUNLIN.changed({"P3.fraction": 0.5})
    assert track_fraction(unit, unit.parts["P3"]) == 0.5
    moved = unit.changed(attack=0.0)
    assert track_fraction(moved, moved.parts["P3"]) == 0.0
    both = DUNLIN.changed({"P3.fraction": 0.5, "attack": 0.0})
    assert track_fraction(both, both.parts["P3"]) == 0.5


def test_a_fet_goes_in_as_it_was_read():
    """V_GS(off) lies 0.135 V beyond pinch-off at 10 nA (formula of the tail, I_DSS 15 mA)."""
    read = load_unit("dunlin").changed({"J1.v_gs_off": "-4.635V", "J1.v_gs_off_current": "10nA"})
    assert read.parts["J1"].device.figures["pinch_off_voltage"] == pytest.approx(-4.5, abs=1e-3)
    again = read.changed({"J1.pinch_off_voltage": "-4V"})
    assert "v_gs_off" not in again.parts["J1"].device.figures
    assert again.parts["J1"].device.figures["pinch_off_voltage"] == -4.0
    back = again.changed({"J1.v_gs_off": "-4.635V", "J1.v_gs_off_current": "10nA"})
    assert back.parts["J1"].device.figures == read.parts["J1"].device.figures


def test_temperature_reaches_the_devices():
    moved = changed_values(DUNLIN.changed(temperature_c=45))
    assert {name for name, _ in moved} == {
        "J1",
        "D1",
        "D2",
        "D3",
        *(f"Q{n}" for n in range(1, 8)),
        "QS1",
        "QS2",
    }
    assert moved[("Q1", "thermal_v")][1] == pytest.approx(318.15 * 8.617333262e-5, rel=1e-9)  # k/q in V/K


WRONG = [
    ({"R99": 1}, "R99: no part, control or switch bank of this name; did you mean R9?"),
    ({"atack": 1}, "atack: no part, control or switch bank of this name; did you mean attack?"),
    ({"thermal_resistance": "80K/W"}, "thermal_resistance: is told of a part; write it behind the part's designator"),
    ({"i_dss": "9mA"}, "i_dss: is told of a part; write it behind the part's designator, as J1.i_dss"),
    ({"curv": "S1"}, "curv: no part, control or switch bank of this name; did you mean curve?"),
    ({"SW1": "steep"}, "SW1: no part, control or switch bank of this name; what is switched: curve (S1, S2, S3)"),
    ({"nam": "Box"}, "nam: no part, control or switch bank of this name; did you mean name?"),
    ({"zzz": 1}, "zzz: no part, control or switch bank of this name; choices: drive, makeup, attack"),
    (
        {"T1.ratoi": 1},
        "T1.ratoi: a part of kind transformer has no 'ratoi'; did you mean ratio?; choices: T1.ratio, ",
    ),
    ({"T1": 3}, "T1: say which value of the transformer; choices: T1.ratio, "),
    ({"IN": 3}, "IN: say which value of the input; choices: IN.source_resistance"),
    ({"J1.idss": 1}, "J1.idss: a part of kind jfet has no 'idss'; did you mean i_dss?"),
    ({"J1.i_dss": "12V"}, "J1: i_dss: '12V' is in volt; an amount in ampere is wanted"),
    ({"J1": "2N3904"}, "J1: device: 2N3904 is a bjt, not a jfet; choices: dunlin-fet, "),
    ({"J1": "2N3818"}, "J1: device: no sheet named '2N3818'; did you mean 2N3819?"),
    ({"Q1": "2N3906"}, "Q1: 2N3906 is pnp, the wiring is for npn; edit the unit file"),
    ({"C16": "5F"}, "C16: value: 5 F is outside 0.1 fF to 1 F"),
    ({"C16": "4q7"}, "C16: value: '4q7' is not an amount in farad"),
    ({"C16": True}, "C16: value: 'True' is not an amount in farad"),
    ({"C16": None}, "C16: value: 'None' is not an amount in farad"),
    ({"C16": ["1n"]}, "C16: value: "),
    ({"C16": float("nan")}, "C16: value: nan is not a finite number"),
    ({"attack": 1.5}, "attack: position: 1.5 is outside 0 to 1"),
    ({"P3.fraction": -1}, "P3: fraction: -1 is outside 0 to 1"),
    ({"curve": "S1+S9"}, "curve: no switch named 'S9'"),
    ({"curve": 1}, "curve: no switch named '1'"),
    ({"S1": "closed"}, "S1: is set through its bank, as curve=S1"),
    ({"load": 0}, "OUT: load: 0 ohm is outside"),
    ({"temperature_c": 200}, "temperature_c: 200 is outside -55 to 125"),
    ({"temperature_c": "warm"}, "temperature_c: 'warm' is not a plain number"),
    ({"R2.nodes": "a"}, "R2.nodes: nodes is wiring, which a change cannot touch"),
    ({"R2.kind": "capacitor"}, "R2.kind: kind is wiring"),
    ({"R2.tolerance": 5}, "R2: tolerance: 5 is not a tolerance"),
    ({"J1.v_gs_off": "-4.4V"}, "J1: v_gs_off: says nothing without the drain current"),
    ({"J1.v_gs_off": "4.4V", "J1.v_gs_off_current": "1nA"}, "J1: v_gs_off: is negative in an n-channel"),
    ({"J1.v_gs_off_current": "1nA"}, "J1: v_gs_off_current: goes with v_gs_off"),
    ({"J1.v_gs_off": "-4V", "J1.v_gs_off_current": "1nA", "J1.pinch_off_voltage": -4}, "J1: v_gs_off: says the same"),
    ({"J1.r_ds_on": 20}, "J1: r_ds_on: 20 ohm is not to be had"),
    ({"J1.ideality": 0.9}, "J1: ideality: 0.9 is outside 1 to 3"),
    ({"J1.gate_leakage": "-1nA"}, "J1: gate_leakage: "),
    ({"J1.figures": "x"}, "J1.figures: a part of kind jfet has no 'figures'"),
    ({"a\nb\x1b[2J": 1}, "a?b?[2J: no part"),
    ({"": 1}, "no part, control or switch bank of this name"),
    ({"name": "two\nlines"}, "name: holds a line break"),
]


@pytest.mark.parametrize(("changes", "complaint"), WRONG, ids=[str(row[0])[:40] for row in WRONG])
def test_a_wrong_change_is_told_in_one_line(changes, complaint):
    with pytest.raises(UnitError) as caught:
        DUNLIN.changed(changes)
    lines = str(caught.value).splitlines()
    assert len(lines) == 1
    assert lines[0].startswith(f"dunlin.toml: {complaint}")
    assert lines[0].isprintable()


def test_a_control_left_without_a_part_is_told():
    with pytest.raises(UnitError) as caught:
        DUNLIN.changed({"P3.control": "drvie"})
    assert "P3: control: no control named 'drvie'; did you mean drive?" in str(caught.value)
    assert "attack: no part uses this control" in str(caught.value)


def test_all_wrong_changes_are_told_at_once():
    with pytest.raises(UnitError) as caught:
        DUNLIN.changed(
            {"R99": 1, "T1.ratoi": 3, "Q1": "2N3906", "curve": "S9", "C16": "5F", "attack": 2, "load": "x"}
        )
    text = str(caught.value)
    assert len(text.splitlines()) == 7
    for start in ("R99: ", "T1.ratoi: ", "Q1: ", "curve: ", "C16: ", "attack: ", "OUT: load: "):
        assert f"dunlin.toml: {start}" in text


TWICE = [
    ({"C2": "1u", "C2.value": "2u"}, "C2, C2.value"),
    ({"J1": "J112", "J1.device": "J112"}, "J1, J1.device"),
    ({"load": "10k", "OUT": "1k"}, "load, OUT"),
    ({"OUT": "10k", "OUT.load": "10k", "load": "10k"}, "OUT, OUT.load, load"),
]


@pytest.mark.parametrize(("changes", "names"), TWICE, ids=[names for _, names in TWICE])
def test_a_value_given_under_two_names_is_refused(changes, names):
    with pytest.raises(UnitError) as caught:
        DUNLIN.changed(changes)
    assert str(caught.value) == f"dunlin.toml: {names}: one value given twice; give it once"


def test_a_value_given_twice_by_one_name_is_refused():
    with pytest.raises(UnitError, match=r"dunlin\.toml: C16: one value given twice"):
        DUNLIN.changed({"C16": "220n"}, C16="330n")


AMOUNT = st.integers(100, 10_000).map(lambda n: n / 10_000)  # at most five figures, written in full
ANY_CHANGE = st.fixed_dictionaries(
    {},
    optional={
        "drive": AMOUNT | st.just(0.0),
        "release": AMOUNT | st.just(0.0),
        "P4.fraction": AMOUNT | st.just(0.0),
        "curve": st.sampled_from(["none", "S1", "S2", "S3", "S1+S2", "S1+S3", "S2+S3", "all"]),
        "R2": AMOUNT.map(lambda x: 1e4 * x),
        "C16": AMOUNT.map(lambda x: 1e-6 * x),
        "T1.ratio": AMOUNT.map(lambda x: 10 * x),
        "J1": st.sampled_from(["J112", "2N3819", "dunlin-fet"]),
        "J1.i_dss": AMOUNT.map(lambda x: 0.1 * x),
        "Q1": st.sampled_from(["2N3904", "BC547B"]),
        "D3": st.sampled_from(["1N4148", "1N34A"]),
        "temperature_c": st.integers(-550, 1250).map(lambda n: n / 10),
        "load": AMOUNT.map(lambda x: 1e5 * x),
        "P1.direction": st.sampled_from(["rising", "falling"]),
    },
)


@settings(max_examples=60, deadline=None)
@given(ANY_CHANGE)
def test_no_change_touches_the_topology(changes):
    assert build_circuit(DUNLIN.changed(changes)).topology == build_circuit(DUNLIN).topology


@settings(max_examples=30, deadline=None)
@given(ANY_CHANGE)
def test_differences_are_changes_that_lead_there(changes):
    there = DUNLIN.changed(changes)
    back = DUNLIN.changed({name: after for name, _, after in DUNLIN.differences(there)})
    for old, new in zip(build_circuit(there).elements, build_circuit(back).elements, strict=True):
        assert dict(new.values) == pytest.approx(dict(old.values), rel=1e-12)


def test_differences_in_words():
    changes = {"R2.tolerance": "2%", "T1.ratio": 3, "J1.i_dss": "12mA", "P3.fraction": 0.25, "Q1": "2N3904"}
    there = DUNLIN.changed(changes, C16="220n", attack=0.8, curve="all", load="10k", temperature_c=40)
    found = DUNLIN.differences(there)
    assert set(found) == {
        ("R2.tolerance", "1 %", "2 %"),
        ("T1.ratio", "2.5", "3"),
        ("J1.i_dss", "15 mA", "12 mA"),
        ("P3.fraction", "none", "0.25"),
        ("curve", "S2", "S1+S2+S3"),
        ("Q1", "dunlin-npn", "2N3904"),
        ("C16", "150 nF", "220 nF"),
        ("attack", "0.63531", "0.8"),
        ("OUT", "600 ohm", "10 kohm"),
        ("temperature_c", "26.83", "40"),
    }


@settings(max_examples=30, deadline=None)
@given(ANY_CHANGE)
def test_a_changed_unit_is_the_one_that_its_tables_give_when_all_is_read_and_checked(changes):
    there = DUNLIN.changed(changes)
    assert read_unit(there.document, there.path, there.text) == UnitData(
        **{one.name: getattr(there, one.name) for one in fields(UnitData)}
    )


SAME = {"C16": "150n", "R2": 4700, "curve": "S2", "R2.tolerance": "F", "J1.i_dss": "15mA", "J1": "dunlin-fet"}


@pytest.mark.parametrize("changes", [{}, *({name: value} for name, value in SAME.items()), {"load": 600.0}])
def test_a_change_to_what_is_there_makes_no_difference(changes):
    assert DUNLIN.differences(DUNLIN.changed(changes)) == ()


def test_values_that_look_alike_are_told_apart():
    assert DUNLIN.differences(DUNLIN.changed(R2=4700.0001)) == (("R2", "4.7 kohm", "4.7000001 kohm"),)


def test_differences_between_two_units_name_what_only_one_has():
    found = {name: (before, after) for name, before, after in load_unit("teaching").differences(DUNLIN)}
    assert found["name"] == ("Teaching loop", "Dunlin")
    assert found["A1"] == ("25", "none")
    assert found["T1.ratio"] == ("none", "2.5")
    assert found["R1.nodes"] == ("inp, dr", "t1s, 0")


@pytest.mark.parametrize("unit", [DUNLIN, EACH, load_unit("teaching")], ids=lambda unit: unit.name)
def test_every_setting_can_be_set_to_what_it_is(unit):
    kept = ("nodes", "absorption_branches", "marks", "steps")  # wiring is listed but cannot be changed
    changes = {
        name: setting.shown(digits=15)
        for name, setting in settings_of(unit).items()
        if name.rpartition(".")[2] not in kept
    }
    assert unit.differences(unit.changed(changes)) == ()


def test_a_unit_survives_pickling():
    assert pickle.loads(pickle.dumps(DUNLIN)) == DUNLIN


def test_numbers_of_other_libraries_are_taken():
    assert DUNLIN.changed(attack=Fraction(1, 2)) == DUNLIN.changed(attack=0.5)


@pytest.mark.parametrize("value", ["0.33F", "330mF", "330e-3F", 9.9e-3, "4.7e-3", 1.2e-3, 470e-9, "0.00000015"])
def test_amounts_that_are_meant_are_taken(value):
    assert DUNLIN.changed(C16=value).parts["C16"].values["value"] == parse_value(value, "farad")


@pytest.mark.parametrize("value", ["0.33", 0.33, "0.022", " 0.15 ", 0.01, "1e-2"])
def test_a_capacitor_of_nobodys_size_is_asked_back_with_what_is_probably_meant(value):
    with pytest.raises(UnitError, match=r"C16: value: \S+ without a unit is \d+ mF; write \S+u \(or n, p\)") as caught:
        DUNLIN.changed(C16=value)
    assert len(str(caught.value).splitlines()) == 1
    insisted = str(caught.value).rpartition("or ")[2].partition(" ")[0]
    assert DUNLIN.changed(C16=insisted).parts["C16"].values["value"] == pytest.approx(float(value), rel=1e-5)
