"""From a unit to the circuit that is solved: the Dunlin against a second copy of it, and every kind."""

from math import exp, inf
from pathlib import Path

import pytest

from fetsim.devices.kinds import KINDS
from fetsim.schematic.load import load_unit
from fetsim.schematic.sheets import library_sheets
from fetsim.schematic.wiring import CLOSED_OHM, OPEN_OHM, build_circuit, track_fraction
from tests.reference import dunlin as dunlin_equations

# The Dunlin's resistors and capacitors once more, apart from the unit file: name, value, nodes.
DUNLIN_OHM = """
R1 12e3 t1s 0; R2 4.7e3 t1s dr; R3 47e3 ctl g; R4 2.2e6 po lx
R5 220e3 va q1b; R6 220e3 q1b 0; R7 3.3e3 va q1c; R8 47 va q2e; R9 8.2e3 q2c 0
R10 2.2e3 q3e 0; R11 2.4e3 q3e q1e; R12 100 q1e fb1
R13 120e3 vp q4b; R14 120e3 q4b 0; R15 3.3e3 vp q4c; R16 47 vp q5e; R17 4.7e3 q5c 0
R18 47 q7e 0; R19 10e3 vp q7b; R20 1e3 q7b 0; R21 3.3e3 q6e q4e; R22 180 q4e fb2; R23 47 q6e zb
R24 1e3 out zo
R31 30e3 po s1a; R32 7.5e3 po s2a; R33 3.6e3 po s3a; R41 330e3 bus s1b; R42 18e3 bus s2b; R43 7.5e3 bus s3b
R50 100e3 sx 0; R60 10e3 bus 0; R61 20e3 bus vn
R51 9.1e3 vp qs1b; R52 150e3 qs1b 0; R53 820 vp qs1e; R54 10e3 qs1c vn; R55 2.7e3 vp qs2c; R56 2.7e3 qs2e vn
R57 2.4e3 qs2e ph; R58 33e3 an1 bus; R59 33e3 an2 bus
R64 150 at ctl; R65 470e3 rl vb; R62 12e3 vn tb; R63 5.1e3 tt 0
OUT 600 out 0; P3 14.1e3 rc at; P4 2.04e6 ctl rl
P1.upper 2055 ih w; P1.lower 445 w ic; P2.upper 7e3 po mk; P2.lower 3e3 mk 0
P5.upper 800 tb vb; P5.lower 1200 vb tt
S1.1 1e12 s1a sx; S1.2 1e12 s1b vn; S2.1 50e-3 s2a sx; S2.2 50e-3 s2b vn; S3.1 1e12 s3a sx; S3.2 1e12 s3b vn
"""
DUNLIN_FARAD = """
C91 470e-6 vp 0; C92 470e-6 vn 0; C93 220e-6 va 0; C1 47e-9 lx g; C2 1e-6 dr q1b; C3 39e-12 q2c q1c
C4 680e-6 fb1 0; C5 47e-6 q3e po; C6 0.68e-6 mk q4b; C7 47e-12 q5c q4c; C8 47e-6 q7b 0
C9 470e-6 fb2 0
C11 10e-9 zb 0; C10 1000e-6 q6e lo; C12 2.2e-9 zo 0; C13 1e-6 sx qs1b; C14 1e-6 qs2c an1; C15 1e-6 ph an2
C16 0.15e-6 ctl 0; C17 10e-6 vb 0
"""
# Transistors: kind, collector base emitter; J1: drain gate source; diodes: anode cathode.
DUNLIN_DEVICES = """
J1 jfet_n dr g 0; Q1 bjt_npn q1c q1b q1e; Q2 bjt_pnp q2c q1c q2e; Q3 bjt_npn va q2c q3e
Q4 bjt_npn q4c q4b q4e
Q5 bjt_pnp q5c q4c q5e; Q6 bjt_npn vp q5c q6e; Q7 bjt_npn q6e q7b q7e; QS1 bjt_pnp qs1c qs1b qs1e
QS2 bjt_npn qs2c qs1c qs2e; D1 diode an1 rc; D2 diode an2 rc; D3 diode ctl 0
T1 transformer_core w ic t1s 0; T2 transformer_core lo 0 out 0
V1 source vp 0; V2 source vn 0; V3 source va 0; IN.hot source ih 0; IN.cold source ic 0
"""


def entries(text):
    return [entry.split() for line in text.strip().splitlines() for entry in line.split(";")]


@pytest.fixture(scope="module")
def dunlin():
    return load_unit("dunlin")


@pytest.fixture(scope="module")
def circuit(dunlin):
    return build_circuit(dunlin)


def test_the_dunlin_has_the_parts_of_its_schematic_and_no_others(circuit):
    resistors, capacitors, devices = entries(DUNLIN_OHM), entries(DUNLIN_FARAD), entries(DUNLIN_DEVICES)
    names = {entry[0] for entry in resistors + capacitors + devices}
    assert {element.name for element in circuit.elements} == names
    for name, ohm, *nodes in resistors:
        element = circuit.element(name)
        # the control positions in the file are rounded to five figures
        assert (element.kind, list(element.nodes)) == ("resistor", nodes)
        assert element.values["resistance_ohm"] == pytest.approx(float(ohm), rel=2e-5)
    for name, farad, *nodes in capacitors:
        element = circuit.element(name)
        assert (element.kind, list(element.nodes)) == ("capacitor", nodes)
        assert element.values["capacitance_f"] == pytest.approx(float(farad), rel=1e-12)
    for name, kind, *nodes in devices:
        element = circuit.element(name)
        assert (element.kind, list(element.nodes)) == (kind, nodes)


def test_the_dunlins_sources(circuit):
    expected = {
        "V1": (1.0, 28.0, 0.0),
        "V2": (1.0, -14.0, 0.0),
        "V3": (12.0, 24.0, 0.0),
        "IN.hot": (25.0, 0.0, 0.5),
        "IN.cold": (25.0, 0.0, -0.5),
    }
    for name, values in expected.items():
        found = circuit.element(name).values
        assert (found["resistance_ohm"], found["emf_v"], found["emf_per_input"]) == values


def test_the_dunlins_transformers(circuit):
    # ratio, R primary, L leakage, saturation flux, R secondary, C primary, C secondary, L initial, L largest, flux over
    # which it rises from one to the other (that of the hand-written equations), R of eddy currents
    expected = {
        "T1": (2.5, 40.0, 2e-3, 0.060, 12.0, 150e-12, 30e-12, 12.0, 26.0, dunlin_equations.T1.y_c, 200e3),
        "T2": (0.8, 12.0, 0.5e-3, 0.075, 25.0, 400e-12, 80e-12, 1.2, 3.9, dunlin_equations.T2.y_c, 30e3),
    }
    for name, values in expected.items():
        found = circuit.element(name).values
        assert [found[value] for value in KINDS["transformer_core"].values] == pytest.approx(values, rel=1e-12)


def test_the_dunlins_devices_are_at_their_sheets_values(circuit):
    # the unit's 26.83 C are 25.850 mV to 2e-5
    volt = 0.02585
    jfet = circuit.element("J1").values
    assert jfet["beta_a_v2"] == pytest.approx(15e-3 / 4.5**2, rel=1e-12)
    assert jfet["pinch_off_v"] == -4.5
    assert jfet["slope_per_v"] == 0.006
    assert jfet["i_gate_sat_a"] == 5e-15
    assert jfet["gate_slope_v"] == pytest.approx(volt, rel=2e-5)
    assert (jfet["capacitance_gs_f"], jfet["capacitance_gd_f"]) == (9e-12, 9e-12)
    small_npn = (12e-15, 320.0, 4.0, 80.0, volt, 18e-12, 4e-12, 0.0)  # no 1/f noise
    small_pnp = (10e-15, 240.0, 4.0, 55.0, volt, 18e-12, 5e-12, 0.0)
    power_npn = (80e-15, 160.0, 6.0, 100.0, volt, 120e-12, 9e-12, 0.0)
    groups = {small_npn: ("Q1", "Q3", "Q4", "QS2"), small_pnp: ("Q2", "Q5", "QS1"), power_npn: ("Q6", "Q7")}
    for values, names in groups.items():
        for name in names:
            assert tuple(circuit.element(name).values.values()) == pytest.approx(values, rel=2e-5)
    for name in ("D1", "D2", "D3"):
        found = tuple(circuit.element(name).values.values())
        assert found == pytest.approx((0.5e-9, 1.75 * volt, 2e-12), rel=2e-5)


def test_control_positions_of_the_dunlin_give_its_default_fractions(dunlin):
    expected = {"P1": 0.178, "P2": 0.30, "P3": 0.30, "P4": 0.30, "P5": 0.60}
    for name, fraction in expected.items():
        assert track_fraction(dunlin, dunlin.parts[name]) == pytest.approx(fraction, abs=1e-5)


def test_the_dunlins_control_law(dunlin):
    turned = dunlin.changed(drive=0.7)
    assert track_fraction(turned, turned.parts["P1"]) == pytest.approx(
        (exp(2.1) - 1) / (exp(3) - 1), rel=1e-12
    )


@pytest.fixture(scope="module")
def all_kinds():
    return load_unit(Path(__file__).with_name("one_of_each.toml"))


def test_every_kind_of_part_and_of_element_is_used(all_kinds):
    fed = load_unit("dunlin-mains")  # mains are in no file of direct voltages
    used = {element.kind for unit in (all_kinds, fed) for element in build_circuit(unit).elements}
    assert used == set(KINDS)


def test_every_kind_of_part_gives_its_values(all_kinds):
    circuit = build_circuit(all_kinds)

    def values(name):
        return dict(circuit.element(name).values)

    assert values("IN") == {"resistance_ohm": 600.0, "emf_v": 0.0, "emf_per_input": 1.0}
    assert values("L1") == {"inductance_h": 5e-3, "resistance_ohm": 3.0}
    assert circuit.element("T1").kind == "transformer"
    iron, choke = (circuit.element(name) for name in ("T2", "L2"))
    assert (iron.kind, choke.kind) == ("transformer_core", "inductor_core")
    assert iron.values["initial_h"] == 4.0 and iron.values["largest_h"] == pytest.approx(13.0)
    assert (iron.values["eddy_ohm"], choke.values["eddy_ohm"]) == (100e3, inf)
    assert choke.values["resistance_ohm"] == 30.0 and choke.values["largest_h"] > 8.0
    assert values("P1.upper") == {"resistance_ohm": 7500.0}
    assert values("P1.lower") == {"resistance_ohm": 2500.0}
    falling = 1000.0 * (exp(3 * 0.75) - 1) / (exp(3) - 1)
    assert values("P2")["resistance_ohm"] == pytest.approx(falling, rel=1e-12)
    assert values("P3") == {"resistance_ohm": 400.0}
    assert values("A1") == {"gain": -10.0, "resistance_ohm": 75.0}
    assert circuit.element("A1").nodes == ("e", "0", "d", "0")
    assert circuit.element("A2").nodes == ("e", "b", "d", "c")
    assert values("S1.1") == {"resistance_ohm": OPEN_OHM}
    assert values("S2.1") == values("S2.2") == {"resistance_ohm": CLOSED_OHM}
    zener = values("D2")
    assert (zener["zener_v"], zener["i_test_a"]) == (pytest.approx(12.0, abs=0.02), 5e-3)
    assert zener["reverse_slope_v"] == pytest.approx(10.0 * 5e-3)  # dynamic resistance at the test current


def test_a_p_channel_fet_is_the_mirror_of_an_n_channel_one(all_kinds):
    values = build_circuit(all_kinds).element("J2").values
    # the engine reverses ports and currents, so that the pinch-off voltage comes out negative
    assert build_circuit(all_kinds).element("J2").kind == "jfet_p"
    assert values["pinch_off_v"] == pytest.approx(-2.0, abs=5e-3)


@pytest.mark.parametrize(("position", "upper", "lower"), [(0.0, 10e3, 0.5), (1.0, 0.5, 10e3)])
def test_a_potentiometers_legs_keep_half_an_ohm(all_kinds, position, upper, lower):
    circuit = build_circuit(all_kinds.changed(level=position))
    assert circuit.element("P1.upper").values["resistance_ohm"] == upper
    assert circuit.element("P1.lower").values["resistance_ohm"] == lower


def test_a_balanced_input_drives_both_nodes_with_half_the_signal(dunlin):
    circuit = build_circuit(dunlin.changed({"IN.source_resistance": "200"}))
    assert dict(circuit.element("IN.hot").values) == {
        "resistance_ohm": 100.0,
        "emf_v": 0.0,
        "emf_per_input": 0.5,
    }
    assert dict(circuit.element("IN.cold").values) == {
        "resistance_ohm": 100.0,
        "emf_v": 0.0,
        "emf_per_input": -0.5,
    }


def test_the_teaching_loop_has_the_figures_of_its_description():
    unit = load_unit("teaching")
    circuit = build_circuit(unit)
    assert len(circuit.elements) == 13
    assert circuit.element("R1").values["resistance_ohm"] == 4700.0
    assert circuit.element("C2").values["capacitance_f"] == 0.15e-6
    assert circuit.element("A1").values["gain"] == 25.0
    assert circuit.element("J1").values["pinch_off_v"] == -4.5
    assert circuit.element("J1").values["beta_a_v2"] == pytest.approx(15e-3 / 4.5**2)
    assert circuit.element("V1").values["emf_v"] == -7.0


def test_no_element_is_made_twice(dunlin, all_kinds):
    for unit in (dunlin, all_kinds, load_unit("teaching")):
        names = [element.name for element in build_circuit(unit).elements]
        assert len(names) == len(set(names))


def test_the_library_is_not_changed_by_use(dunlin):
    before = {name: dict(raw) for name, raw in library_sheets().items()}
    build_circuit(dunlin.changed({"J1.i_dss": "12mA", "temperature_c": 60.0}))
    assert {name: dict(raw) for name, raw in library_sheets().items()} == before
