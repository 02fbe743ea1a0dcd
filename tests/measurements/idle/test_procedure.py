"""The unit at rest: against an independent calculation, against textbooks and against sums done by hand."""

import json
from math import exp, inf, log
from pathlib import Path

import pytest

from fetsim.devices.sheet import thermal_voltage
from fetsim.measurements.idle.procedure import idle_point
from fetsim.measurements.results.result import account_of
from fetsim.report.look.terminal import account_text
from fetsim.rig import rig
from fetsim.schematic.library import library_units
from fetsim.schematic.load import load_unit

ONE_OF_EACH = Path(__file__).parents[2] / "schematic" / "one_of_each.toml"

# Node voltages of the Dunlin from an independent simulator (one-step method of fourth order), to its three decimals.
INDEPENDENT_V = {
    "va": 23.924, "q1b": 11.894, "q1c": 23.199, "q2c": 11.432, "q3e": 10.746, "q4b": 13.936, "q5c": 13.160,
    "q6e": 12.471, "q7e": 1.669, "bus": -7.186, "qs1c": -2.831, "qs2c": 17.496, "vb": -4.616,
}  # fmt: skip


@pytest.fixture(scope="module")
def dunlin():
    return load_unit("dunlin")


@pytest.fixture(scope="module")
def at_rest(dunlin):
    return idle_point(dunlin)


@pytest.fixture
def built(tmp_path):
    """A function that makes a unit from the lines of its parts and device sheets, and puts it at rest."""

    def build(*parts, sheets="", changes=None):
        lines = [
            'name = "bench"', "[controls]", "knob = { position = 0.9 }", "[stages.all]", "[stages.all.parts]",
            'IN = { kind = "input", nodes = ["in", "0"], source_resistance = "50" }',
            'OUT = { kind = "output", nodes = ["in", "0"], load = "600" }',
            'P9 = { kind = "rheostat", nodes = ["in", "0"], value = "1k", control = "knob" }',
            *parts, sheets,
        ]  # fmt: skip
        path = tmp_path / "bench.toml"
        path.write_text("\n".join(lines), encoding="utf-8")
        return idle_point(load_unit(path).changed(changes))

    return build


def supply(name, node, volts):
    """A rail of 1 milliohm: stiff next to everything in these circuits."""
    return f'{name} = {{ kind = "supply", node = "{node}", voltage = {volts}, resistance = 1e-3 }}'


def resistor(name, a, b, value, more=""):
    return f'{name} = {{ kind = "resistor", nodes = ["{a}", "{b}"], value = "{value}" {more} }}'


@pytest.mark.parametrize("node", INDEPENDENT_V)
def test_dunlin_volts_agree_with_an_independent_calculation(at_rest, node):
    # 2 mV: its three decimals, and the last figures of kT/q; both are far below what a bench meter shows
    assert at_rest.node_voltages_v[node] == pytest.approx(INDEPENDENT_V[node], abs=2e-3)


def test_dunlin_control_voltage_by_hand(dunlin, at_rest):
    """The independent figure is -4.619 V, ours -4.6169 V; the sum done by hand says that ours is right.

    At rest only leakage flows into and out of the node ctl. D1 and D2 point at it (cathodes towards ctl through the
    attack resistors, anodes at about -7.2 V) and are reverse biased by 2.6 V: each takes its saturation current OUT of
    ctl. D3 has its anode there and its cathode at ground, reverse biased by 4.6 V: it brings the same current IN. Net
    one saturation current, 0.5 nA, out of ctl, which has to come from vb through the release resistance of 0.3 times
    6.8 Mohm plus 470 kohm, 2.51 Mohm: 1.25 mV below vb. (-4.619 V is what three saturation currents out of ctl would
    give, 3.8 mV below vb: as if D3 leaked the other way.)
    """
    saturation_a = dunlin.parts["D1"].device.figures["saturation_current"]
    release_ohm = 0.3 * 6.8e6 + 470e3
    by_hand_v = at_rest.node_voltages_v["vb"] - (2 * saturation_a - saturation_a) * release_ohm
    # 10 uV: the gate's 10 fA, and the saturation current at 26.83 instead of 26.85 C where the sheet says so
    assert at_rest.node_voltages_v["ctl"] == pytest.approx(by_hand_v, abs=1e-5)
    assert by_hand_v == pytest.approx(-4.6169, abs=1e-4)
    currents = {name: at_rest.part(name).branches[0].current_a for name in ("D1", "D2", "D3", "R65")}
    assert currents["D1"] < 0 and currents["D2"] < 0 and currents["D3"] < 0  # all three leak backwards
    assert currents["R65"] == pytest.approx(-saturation_a, rel=1e-2)  # from vb towards ctl


@pytest.mark.parametrize(
    "name",
    [
        *(
            pytest.param(name, marks=[pytest.mark.slow] if name.endswith(("-pair", "-mains")) else [])
            for name in library_units()
        ),
        str(ONE_OF_EACH),
    ],
)
def test_currents_sum_to_zero_and_power_balances(name):
    point = idle_point(load_unit(name))
    # with mains what Newton's method leaves of 480 states, and of 2000 uF that are not charged to the last nanovolt
    assert point.kirchhoff_residual_a < (1e-7 if point.fed_by_mains else 1e-9)
    assert abs(point.power_residual_w) < (1e-5 if point.fed_by_mains else 1e-6)
    assert set(point.node_voltages_v) == set(load_unit(name).nodes)


def test_a_node_on_the_mains_is_told_as_alternating_and_dangerous():
    """Its mean is zero."""
    point = idle_point(load_unit("dunlin-mains"))
    assert point.alternating_v["li"] == pytest.approx(230.0, rel=0.01) and "vp" not in point.alternating_v
    told = account_text(account_of({"": point})).replace("\u00a0", " ")
    assert "li alternates, 230 V rms" in told and "230 V inside: dangerous" in told


def test_kirchhoff_notices_a_wrong_solution(dunlin, monkeypatch):
    right = rig.find_bias

    def wrong(system, start):
        state = right(system, start)
        state[system.index["q6e"]] += 1e-3
        return state

    monkeypatch.setattr(rig, "find_bias", wrong)
    point = idle_point(dunlin)
    # 1 mV on a transistor's emitter of 35 mA is worth 35 mA / 26 mV * 1 mV = 1.4 mA
    assert point.kirchhoff_node == "q6e"
    assert point.kirchhoff_residual_a == pytest.approx(1.4e-3, rel=0.1)


def test_divider_by_hand(built):
    point = built(supply("V1", "top", 10), resistor("R1", "top", "mid", "3k"), resistor("R2", "mid", "0", "2k"))
    assert point.node_voltages_v["mid"] == pytest.approx(4.0, rel=1e-6)
    upper, lower, rail = (point.part(name) for name in ("R1", "R2", "V1"))
    assert upper.branches[0].current_a == pytest.approx(2e-3, rel=1e-6)
    assert (upper.dissipation_w, lower.dissipation_w) == pytest.approx((12e-3, 8e-3), rel=1e-6)
    assert rail.branches[0].current_a == pytest.approx(-2e-3, rel=1e-6)  # out of the supply
    assert point.supply_power_w == pytest.approx(20e-3, rel=1e-6)


def test_textbook_fet_with_source_resistor(built):
    """Boylestad and Nashelsky, Electronic Devices and Circuit Theory, self-bias example (from memory): V_DD 20 V, R_D
    3.3k, R_S 1k, I_DSS 8 mA, V_P -6 V gives V_GS -2.6 V, I_D 2.6 mA, V_DS 8.8 V, read from a graph (1 %)."""
    parts = [
        supply("V1", "vd", 20), resistor("R1", "vd", "d", "3k3"), resistor("R2", "s", "0", "1k"),
        resistor("R3", "g", "0", "1M"),
        'J1 = { kind = "jfet", device = "book", nodes = { drain = "d", gate = "g", source = "s" } }',
    ]  # fmt: skip
    point = built(*parts, sheets=fet_sheet("n", "8mA", "-6V"))
    fet = point.part("J1")
    drain, gate = fet.branches
    assert gate.voltage_v == pytest.approx(-2.6, rel=0.01)
    assert drain.current_a == pytest.approx(2.6e-3, rel=0.01)
    assert drain.voltage_v == pytest.approx(8.82, rel=0.01)
    assert fet.state == "constant current"
    assert fet.above_pinch_off_v == pytest.approx(6.0 + gate.voltage_v, abs=1e-9)
    assert fet.channel_resistance_ohm == inf  # no channel slope on this sheet


@pytest.mark.parametrize(("polarity", "sign"), [("n", 1.0), ("p", -1.0)])
@pytest.mark.parametrize(("gate_v", "state"), [(-1.0, "ohmic"), (-4.5, "pinched off"), (2.0, "ohmic, gate conducts")])
def test_channel_resistance_at_rest(built, polarity, sign, gate_v, state):
    """Without drain voltage the square law (Shichman and Hodges 1968) has r = V_P^2 / (2 I_DSS (V_GS - V_P))."""
    parts = [
        supply("V1", "vg", sign * gate_v), resistor("R1", "vg", "g", "1k"), resistor("R2", "d", "0", "1k"),
        'J1 = { kind = "jfet", device = "book", nodes = { drain = "d", gate = "g", source = "0" } }',
    ]  # fmt: skip
    fet = built(*parts, sheets=fet_sheet(polarity, "10mA", f"{-4 * sign}V")).part("J1")
    assert fet.state == state
    gate_source_v = sign * fet.branches[1].voltage_v
    if state == "pinched off":
        kt_q_v = thermal_voltage(25.0)
        tail_s = 4.0 * 10e-3 / 16.0 * kt_q_v * exp(-0.5 / kt_q_v)  # 2 b o dv/do of the tail, o = 2 V_T exp(v / (2 V_T))
        assert fet.channel_resistance_ohm == pytest.approx(1.0 / tail_s, rel=1e-3)
        assert fet.above_pinch_off_v == pytest.approx(-0.5, abs=1e-6)
    elif state == "ohmic":
        assert fet.channel_resistance_ohm == pytest.approx(16.0 / (2 * 10e-3 * 3.0), rel=1e-6)
        assert fet.above_pinch_off_v == pytest.approx(gate_source_v + 4.0, abs=1e-9)


def test_channel_of_a_fet_turned_round(built):
    """A symmetrical FET with drain and source exchanged: the same current backwards, the same channel."""
    ends = ("d", "s"), ("s", "d")
    ways = [
        built(
            supply("V1", "vd", 1.0), resistor("R1", "vd", "d", "100"), resistor("R2", "s", "0", "100"),
            resistor("R3", "g", "0", "1M"),
            'J1 = { kind = "jfet", device = "book", '
            f'nodes = {{ drain = "{drain}", gate = "g", source = "{source}" }} }}',
            sheets=fet_sheet("n", "10mA", "-4V"),
        ).part("J1")
        for drain, source in ends
    ]  # fmt: skip
    right, round_ = ways
    assert right.state == round_.state == "ohmic"
    assert round_.branches[0].current_a == pytest.approx(-right.branches[0].current_a, rel=1e-6)
    assert round_.channel_resistance_ohm == pytest.approx(right.channel_resistance_ohm, rel=1e-6)
    assert round_.above_pinch_off_v == pytest.approx(right.above_pinch_off_v, rel=1e-6)


@pytest.mark.parametrize(("polarity", "sign"), [("npn", 1.0), ("pnp", -1.0)])
def test_textbook_transistor_with_base_divider(built, polarity, sign):
    """Boylestad and Nashelsky, the voltage-divider bias example (from memory): V_CC 22 V, 39k and 3.9k, R_C 10k, R_E
    1.5k, beta 140, V_BE 0.7 V gives I_C 0.85 mA, V_CE 12.2 V (rounded: 1 %)."""
    point = built(*transistor(sign * 22), sheets=bjt_sheet(polarity))
    collector, base = point.part("Q1").branches
    assert sign * collector.current_a == pytest.approx(0.85e-3, rel=0.01)
    assert sign * collector.voltage_v == pytest.approx(12.22, rel=0.01)
    assert base.current_a == pytest.approx(collector.current_a / 140, rel=1e-9)
    assert point.part("Q1").state == "active"
    assert point.part("Q1").dissipation_w == pytest.approx(0.85e-3 * 12.22, rel=0.02)


def test_transistor_states(built):
    sheets = bjt_sheet("npn")
    assert built(*transistor(22), sheets=sheets, changes={"R3": "100k"}).part("Q1").state == "saturated"
    assert built(*transistor(22), sheets=sheets, changes={"R2": "10"}).part("Q1").state == "cut off"
    assert built(*transistor(-22), sheets=sheets, changes={"R2": "1"}).part("Q1").state == "reversed"


def test_diode_by_hand_and_its_states(built):
    """Shockley's law: with 1 mA through 10 fA, ideality 1, V = V_T ln(1 mA / 10 fA + 1)."""
    sheets = (
        '[devices.d]\nkind = "diode"\nsource = "invented"\nsaturation_current = "10fA"\nideality = 1\n'
        'junction_capacitance = "1p"'
    )
    parts = [
        supply("V1", "vp", 10.655), resistor("R1", "vp", "a", "10k"), supply("V2", "vn", -10),
        resistor("R2", "vn", "b", "10k"),
        'D1 = { kind = "diode", device = "d", nodes = { anode = "a", cathode = "0" } }',
        'D2 = { kind = "diode", device = "d", nodes = { anode = "b", cathode = "0" } }',
        'D3 = { kind = "zener", device = "BZX79-C5V1", nodes = { anode = "b", cathode = "0" } }',
    ]  # fmt: skip
    point = built(*parts, sheets=sheets, changes={"temperature_c": 26.85})
    forward = point.part("D1").branches[0]
    thermal_v = 300.0 * 1.380649e-23 / 1.602176634e-19
    assert forward.voltage_v == pytest.approx(thermal_v * log(forward.current_a / 10e-15 + 1), rel=1e-9)
    assert forward.current_a == pytest.approx(1e-3, rel=1e-3)
    assert point.part("D2").branches[0].current_a == pytest.approx(10e-15 * (exp(-196.0) - 1), rel=1e-9)
    assert [point.part(name).state for name in ("D1", "D2", "D3")] == ["conducts", "blocks", "breaks down"]


def test_direct_current_in_a_winding_drives_the_core(built):
    """0.1 A through the primary: i_m = (flux / L_m) (1 + (flux / saturation)^6) solved for the flux."""
    point = built(
        supply("V1", "vp", 10), resistor("R1", "vp", "p", "90"), resistor("R2", "s", "0", "1k"),
        'T1 = { kind = "transformer", nodes = { primary = ["p", "0"], secondary = ["s", "0"] }, ratio = 2, '
        'primary_resistance = "10", secondary_resistance = "5", leakage = "1mH", magnetising = "1H", '
        'saturation_flux = 0.1, winding_capacitance = "100p", current_rating = "90mA" }',
    )  # fmt: skip
    iron = point.part("T1")
    assert iron.branches[0].current_a == pytest.approx(0.1, rel=1e-4)
    assert iron.dissipation_w == pytest.approx(0.1, rel=1e-4)
    flux = 0.1 * iron.core_flux_share
    assert flux / 1.0 * (1 + iron.core_flux_share**6) == pytest.approx(0.1, rel=1e-4)
    assert [one.designator for one in point.beyond_rating] == ["T1"]


def test_parts_beyond_and_near_their_rating_are_named(dunlin, at_rest):
    assert at_rest.beyond_rating == () and at_rest.near_rating == ()
    hot = idle_point(dunlin.changed(R10="220", **{"C91.voltage_rating": "30V"}))
    # R10 carries the follower's current from 10.5 V: 10.5^2 / 220 = 0.5 W in a quarter-watt part
    assert [(one.designator, one.rating) for one in hot.beyond_rating] == [("R10", "power"), ("Q3", "power")]
    assert hot.beyond_rating[0].share == pytest.approx(hot.node_voltages_v["q3e"] ** 2 / 220 / 0.25, rel=1e-9)
    assert [(one.designator, one.rating) for one in hot.near_rating] == [("C91", "voltage")]
    assert hot.near_rating[0].share == pytest.approx(27.954 / 30, rel=1e-3)


def test_ten_times_the_sink_current_overloads_a_small_resistor(dunlin):
    """R18 at a tenth: 0.86 V over 4.7 ohm, 0.157 W. Too much for an eighth of a watt, not for the half watt fitted."""
    assert idle_point(dunlin.changed(R18="4.7")).beyond_rating == ()
    small = idle_point(dunlin.changed({"R18": "4.7", "R18.power_rating": "0.125W"}))
    assert [one.designator for one in small.beyond_rating] == ["R18"]
    assert small.beyond_rating[0].actual == pytest.approx(small.node_voltages_v["q7e"] ** 2 / 4.7, rel=1e-9)


def test_a_stage_that_hangs_on_leakage_has_a_rest(dunlin):
    """R20 shorted: nothing pulls the line stage down, so no current goes through R18, and its output follows the base
    of Q4 to where the junctions' femtoamperes meet."""
    found = idle_point(dunlin.changed(R20="1m"))
    volts = found.node_voltages_v
    assert abs(volts["q7e"]) < 1e-9 and volts["q5c"] < 1e-3
    assert volts["q6e"] == pytest.approx(volts["q4e"], abs=1e-4)  # through R16
    assert 0.0 < volts["q4b"] - volts["q6e"] < 0.2
    assert found.kirchhoff_residual_a < 1e-12


def test_a_short_piece_of_track_may_not_carry_more_than_the_whole(built):
    """1 kohm track of 0.1 W: 10 mA at most. 0.1 of it (100 ohm) at 2 V carries 20 mA: 0.04 W, yet four times too
    much for that piece."""
    track = 'P1 = { kind = "rheostat", nodes = ["vp", "0"], value = "1k", fraction = 0.1, power_rating = "0.1W" }'
    point = built(supply("V1", "vp", 2), track)
    assert point.part("P1").dissipation_w == pytest.approx(0.04, rel=1e-4)
    assert point.beyond_rating[0].share == pytest.approx(4.0, rel=1e-4)


def test_stored_energy_and_polarity(at_rest):
    assert at_rest.largest_store.designator == "C91"
    assert at_rest.largest_store.stored_energy_j == pytest.approx(0.5 * 470e-6 * 27.954**2, rel=1e-4)
    assert at_rest.part("C92").state == "positive at 0"  # across the negative rail
    assert at_rest.part("C10").state == "positive at q6e"
    assert at_rest.part("C12").state == ""  # nothing across it


def test_dictionary_is_plain_json(at_rest):
    plain = json.loads(json.dumps(at_rest.to_dict(), allow_nan=False))
    assert plain["node_voltages_v"]["q6e"] == at_rest.node_voltages_v["q6e"]
    fet = next(part for part in plain["parts"] if part["designator"] == "J1")
    assert 1e6 < fet["channel_resistance_ohm"] < 2e6 and fet["state"] == "pinched off"


def transistor(volts):
    return [
        supply("V1", "vc", volts), resistor("R1", "vc", "b", "39k"), resistor("R2", "b", "0", "3k9"),
        resistor("R3", "vc", "c", "10k"), resistor("R4", "e", "0", "1k5"),
        'Q1 = { kind = "bjt", device = "book", nodes = { collector = "c", base = "b", emitter = "e" } }',
    ]  # fmt: skip


def bjt_sheet(polarity):
    """I_S makes V_BE 0.7 V at 0.85 mA and 25 C; no Early effect."""
    return (
        f'[devices.book]\nkind = "bjt"\nsource = "textbook"\npolarity = "{polarity}"\n'
        'reference_temperature_c = 25\nsaturation_current = "1.25fA"\ncurrent_gain = 140\nreverse_current_gain = 2\n'
        'base_emitter_capacitance = "10p"\nbase_collector_capacitance = "4p"'
    )


def fet_sheet(polarity, i_dss, pinch_off):
    return (
        f'[devices.book]\nkind = "jfet"\nsource = "textbook"\npolarity = "{polarity}"\n'
        f'i_dss = "{i_dss}"\npinch_off_voltage = "{pinch_off}"\nreference_temperature_c = 25\n'
        'gate_saturation_current = "1fA"\ngate_source_capacitance = "5p"\ngate_drain_capacitance = "5p"'
    )
