"""Trims set as the bench does, against what can be written by hand: half of the drain, a divider with the FET's law."""

from dataclasses import replace
from math import exp, log, log10

import numpy as np
import pytest
from scipy.optimize import brentq

import fetsim
from fetsim.engine.assembly import assemble, restamped
from fetsim.errors import InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.steady import settled_at
from fetsim.measurements.distortion.procedure import sine_distortion
from fetsim.rig.rig import Rig
from fetsim.schematic.load import load_unit
from fetsim.schematic.wiring import build_circuit, part_elements
from fetsim.studies.trims import tones
from fetsim.studies.trims.aligned import aligned, tone_starts
from fetsim.studies.trims.search import find
from fetsim.studies.trims.study import set_trims
from fetsim.studies.trims.tables import figure_text

TEACHING, DUNLIN, GREENSHANK = load_unit("teaching"), load_unit("dunlin"), load_unit("greenshank")
KT_Q_V = 0.02585  # at 26.83 C
LOSS = {"idle_bias.read": "loss_at_rest", "idle_bias.must_be": "1dB", "idle_bias.accepted": "0.1dB"}

DIVIDER = """# a divider with its FET half on, and the drain's signal at its gate through R7, nothing else
name = "divider"
temperature_c = 26.83
gain_cell = { fet = "J1", control_node = "vb" }
[alignment]
half = { set = "R7", series = "E96", read = "second_harmonic", must_be = "least", accepted = "0.02%", level_dbu = -30 }
[devices.fet]
kind = "jfet"
source = "invented"
polarity = "n"
i_dss = "15mA"
pinch_off_voltage = "-4.5V"
channel_slope = "0.006/V"
gate_saturation_current = "5fA"
gate_source_capacitance = "1f"
gate_drain_capacitance = "1f"
[stages.all.parts]
IN = { kind = "input", nodes = ["inp", "0"], source_resistance = "50" }
R1 = { kind = "resistor", value = "4k7", nodes = ["inp", "dr"] }
J1 = { kind = "jfet", device = "fet", nodes = { drain = "dr", gate = "g", source = "0" } }
A1 = { kind = "amplifier", nodes = { out = "po", plus = "dr" }, gain = 25.0, output_resistance = "100" }
OUT = { kind = "output", nodes = ["po", "0"], load = "10k" }
V1 = { kind = "supply", voltage = "-4V", resistance = "1", node = "vb" }
R6 = { kind = "resistor", value = "47k", nodes = ["vb", "g"] }
R7 = { kind = "resistor", value = "2M7", nodes = ["po", "lx"] }
C7 = { kind = "capacitor", value = "10u", nodes = ["lx", "g"] }
"""


def half_drain_ohm():
    """R7 with which the gate has half of the drain's signal: 25 load / (load + 100) R6 / (R6 + R7) = 1/2, written
    out; a channel that is symmetrical about its gate then makes no even harmonic, whatever its law is."""

    def share(r7):
        load = 1.0 / (1.0 / 10e3 + 1.0 / (r7 + 47e3 + 1.0))
        return 25.0 * load / (load + 100.0) * (47e3 + 1.0) / (r7 + 47e3 + 1.0)

    return float(brentq(lambda r7: share(r7) - 0.5, 1e5, 1e7))


def hand_written_loss_db(gate_v, pinch_off_v=-4.5, i_dss_a=15e-3, ohm=4750.0):
    """20 lg (1 + Z g) of the teaching loop: source and series resistor, and the slope at no drain voltage of b (o_s^2 -
    o_d^2) with o(v) = 2 V_T ln(1 + exp((v - V_P) / 2 V_T))."""

    def opening(v):
        return 2.0 * KT_Q_V * log(1.0 + exp((v - pinch_off_v) / (2.0 * KT_Q_V)))

    slope = 1.0 / (1.0 + exp(-(gate_v - pinch_off_v) / (2.0 * KT_Q_V)))
    conductance = i_dss_a / opening(0.0) ** 2 * 2.0 * opening(gate_v) * slope
    return 20.0 * log10(1.0 + ohm * conductance)


@pytest.fixture(scope="module")
def nulled(tmp_path_factory):
    path = tmp_path_factory.mktemp("half") / "divider.toml"
    path.write_text(DIVIDER, encoding="utf-8")
    return load_unit(path), *set_trims(path, quality="draft")


def test_the_null_is_where_the_gate_has_half_of_the_drain(nulled):
    before, unit, alignment = nulled
    (step,) = alignment.steps
    assert step.in_reach and step.accepted
    assert step.exact == pytest.approx(half_drain_ohm(), rel=5e-3)  # to so much the null is looked for
    assert step.value in step.figure_around or abs(step.value / step.exact - 1.0) < 0.013  # half a step of E96
    assert f"{step.value:.3g}" in ("2.26e+06", "2.32e+06") and unit.parts["R7"].values["value"] == step.value
    assert step.accepted_from < step.exact < step.accepted_to
    bench = Bench(before.changed(R7=half_drain_ohm()), "draft")
    assert sine_distortion(bench.run(), -30.0, 1000.0).harmonic[0] < 1e-6


def test_a_null_out_of_reach_is_brought_in_by_the_resistor_beside_the_trim(tmp_path):
    """A track of 100 kohm in series with a fixed resistor that is 0.7 Mohm short of what half of the drain takes."""
    track = 'P7 = { kind = "rheostat", value = "100k", control = "half", nodes = ["lx", "ly"] }\n'
    text = DIVIDER.replace('"R7", series = "E96"', '"half"').replace('"2M7"', '"1M5"').replace("half = {", "even = {")
    text = text.replace('["lx", "g"] }\n', '["ly", "g"] }\n' + track)
    path = tmp_path / "trimmed.toml"
    path.write_text(text + "[controls]\nhalf = { position = 0.5 }\n", encoding="utf-8")
    _, alignment = set_trims(path, quality="draft")
    (step,) = alignment.steps
    assert (step.value, step.in_reach, step.accepted) == (1.0, False, False)
    (remedy,) = step.remedies
    assert (remedy.part, remedy.present_ohm, remedy.ohm) == ("R7", 1.5e6, 2.2e6)
    assert remedy.needed_ohm == pytest.approx(half_drain_ohm() - 100e3, rel=5e-3)
    assert remedy.value * 100e3 == pytest.approx(half_drain_ohm() - 2.2e6, abs=0.01 * half_drain_ohm())
    assert remedy.figure <= 2e-4


def test_the_loss_at_rest_is_that_of_the_divider_with_the_law_written_by_hand():
    unit, alignment = set_trims(TEACHING.changed(LOSS))
    (step,) = alignment.steps
    gate_v = brentq(lambda v: hand_written_loss_db(v) - 1.0, -5.0, -4.0)
    leak_v = 0.5e-9 * 1.0001e6  # D1 in reverse draws its saturation current through R4 and V2
    assert step.value == pytest.approx(gate_v + leak_v, abs=1e-5)
    assert step.figure == pytest.approx(1.0, abs=1e-6)
    edges = [brentq(lambda v, db=db: hand_written_loss_db(v) - db, -5.0, -4.0) + leak_v for db in (0.9, 1.1)]
    assert (step.accepted_from, step.accepted_to) == pytest.approx(edges, abs=1e-5)
    steps = [hand_written_loss_db(volt - leak_v) for volt in step.around]
    assert step.figure_around == pytest.approx(steps, rel=2e-3)
    assert Rig(unit).rest.loss_db == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("unit", [TEACHING, DUNLIN, GREENSHANK], ids=lambda unit: unit.name)
def test_shipped_units_stand_as_their_own_alignment_sets_them(unit):
    bias = next(iter(unit.alignment))
    other, alignment = set_trims(unit, steps=[bias])
    (step,) = alignment.steps
    assert step.accepted and step.accepted_from <= step.before <= step.accepted_to
    assert step.figure == pytest.approx(step.step.must_be, rel=1e-4)
    quick, (outcome, *_) = aligned(unit)
    assert outcome.reached and outcome.value == pytest.approx(step.value, abs=2e-6)
    assert Rig(quick).rest.loss_db == pytest.approx(Rig(other).rest.loss_db, rel=1e-3)


@pytest.mark.slow
def test_a_trim_out_of_reach_names_the_resistor_that_brings_it_in():
    weak = DUNLIN.changed({"J1.pinch_off_voltage": -3.2})
    alignment = set_trims(weak, steps=["idle_bias"])[1]
    (step,) = alignment.steps
    assert not step.in_reach and not step.accepted and not alignment.all_accepted and step.value == 0.0
    assert [one.part for one in step.remedies] == ["R63", "R62"]
    for remedy, nearer in zip(step.remedies, ("4k7", "13k"), strict=True):  # the values of E24 that are not enough
        again = set_trims(weak.changed({remedy.part: remedy.ohm}), steps=["idle_bias"])[1].steps[0]
        assert again.in_reach and again.value == pytest.approx(remedy.value, abs=1e-4)
        assert not aligned(weak.changed({remedy.part: nearer}))[1][0].reached
    assert aligned(weak)[1][0].why == "is out of reach" and aligned(weak)[0].controls["idle_trim"].position == 0.0


def test_a_reading_under_a_tone_is_brought_to_its_value(tmp_path):
    reach = 'reach = { set = "V1", read = "gain_reduction", must_be = "6dB", accepted = "0.1dB", level_dbu = -10 }'
    text = TEACHING.text.replace("[alignment] ", f"[alignment]\n{reach}\n#")
    path = tmp_path / "loop.toml"
    path.write_text(text, encoding="utf-8")
    unit, alignment = set_trims(path, steps=["reach"], quality="draft")
    found = sine_distortion(Bench(unit, "draft").run(), -10.0, 1000.0)
    assert found.gain_reduction_db == pytest.approx(6.0, abs=2e-3)
    assert alignment.steps[0].figure == pytest.approx(found.gain_reduction_db, abs=1e-3)
    left, (outcome, other) = aligned(load_unit(path))
    assert not outcome.reached and "tone" in outcome.why and other.reached
    assert left.parts["V1"] == unit.origin.parts["V1"]
    quick = aligned(path, steps=["reach"], tone_steps=True, quality="draft")[0]
    assert quick.parts["V1"].values["voltage"] == pytest.approx(unit.parts["V1"].values["voltage"], rel=2e-3)


def test_idle_volts_currents_and_gain_are_read(tmp_path):
    steps = """[alignment]
volts = { set = "V2", read = "volts", at = ["vb", "ctl"], must_be = 0, accepted = "1mV" }
current = { set = "V2.resistance", read = "current", at = "R4", must_be = "1nA" }
gain = { set = "A1.gain", read = "gain", must_be = "20dB" }
#"""
    path = tmp_path / "loop.toml"
    path.write_text(TEACHING.text.replace("[alignment] ", steps), encoding="utf-8")
    unit, outcomes = aligned(load_unit(path), steps=["gain"])
    assert outcomes[0].reached and Rig(unit).idle_gain_db() == pytest.approx(20.0, abs=1e-4)
    assert 10.0 < outcomes[0].value < 10.5  # 20 dB are ten times; the output's 100 ohm take 1 %
    volts, current = (set_trims(path, steps=[name])[1].steps[0] for name in ("volts", "current"))
    idle = fetsim.idle_point(load_unit(path))
    by_nodes = idle.node_voltages_v
    assert volts.figure_before == pytest.approx(by_nodes["vb"] - by_nodes["ctl"], abs=1e-9)
    assert current.figure_before == pytest.approx(idle.part("R4").branches[0].current_a, rel=1e-3)


def test_parts_that_warm_themselves_are_read_warm():
    hot = DUNLIN.changed({"R62.thermal_resistance": "300K/W", "R62.temperature_coefficient": "3000ppm/K"})
    unit, (outcome, _) = aligned(hot)
    assert outcome.reached and Rig(unit).rest.loss_db == pytest.approx(0.03, rel=1e-3)
    assert outcome.value != pytest.approx(aligned(DUNLIN)[1][0].value, abs=1e-3)


def test_what_is_stamped_anew_is_what_an_assembly_would_have():
    other = DUNLIN.changed(idle_trim=0.2)
    before, after = (part_elements(unit, unit.parts["P5"]) for unit in (DUNLIN, other))
    system, whole = restamped(assemble(build_circuit(DUNLIN)), before, after), assemble(build_circuit(other))
    for name in ("c", "g", "b", "b_input"):
        assert getattr(system, name) == pytest.approx(getattr(whole, name), rel=1e-12, abs=1e-18)
    assert system.topology == whole.topology
    assert restamped(system, before, part_elements(DUNLIN, DUNLIN.parts["R1"])) is None
    assert restamped(system, *2 * [part_elements(DUNLIN, DUNLIN.parts["J1"])]) is None


@pytest.mark.parametrize("start", [0.0, 0.3, 1.0])
def test_the_search_finds_roots_and_ends(start):
    for curve in (lambda x: x - 0.7, lambda x: np.expm1(9.0 * (x - 0.7)), lambda x: (x - 0.7) ** 3):
        assert find(curve, start, (0.0, 1.0), 0.01, 1e-6).way == pytest.approx(0.7, abs=0.02)
        assert find(curve, start, (0.0, 1.0), 0.01, 1e-6).reached
    away = find(lambda x: x + 1.0, start, (0.0, 1.0), 0.01, 1e-6)
    assert (away.way, away.reached) == (0.0, False)
    flat = find(lambda x: 3.0, start, (0.0, 1.0), 0.01, 1e-6)
    assert not flat.reached


def test_steps_are_taken_in_order_and_refused_by_name(tmp_path):
    shares = []
    alignment = set_trims(DUNLIN, quality="draft", progress=shares.append)[1]
    assert [one.step.name for one in alignment.steps] == ["idle_bias", "linearising"] and shares[-1] == 1.0
    assert alignment.settings["R4"] == "2.2Mohm" and alignment.all_accepted
    assert DUNLIN.changed(alignment.settings).changes[1:] == ()  # R4 stays what it is
    with pytest.raises(InputError, match=r"no step 'idle'.*; did you mean idle_bias"):
        set_trims(DUNLIN, steps=["idle"])
    path = tmp_path / "plain.toml"
    path.write_text(DIVIDER.replace("[alignment]\n", "").replace("half =", "# half ="), encoding="utf-8")
    with pytest.raises(InputError, match=r"divider: has no \[alignment\]"):
        aligned(load_unit(path))


def test_the_mains_of_a_unit_are_on_while_it_is_aligned():
    unit, (outcome, *_) = aligned(load_unit("dunlin-mains"))
    assert outcome.reached and Rig(unit).rest.loss_db == pytest.approx(0.03, rel=1e-3)
    assert outcome.value == pytest.approx(0.599, abs=2e-3)  # rails within a few millivolts of the Dunlin's


def test_a_needle_is_zeroed(tmp_path):
    """A bridge between 5 V and the bias of -5 V, whose meter reads nothing where both halves are as the volts."""
    parts = """V9 = { kind = "supply", voltage = "5V", resistance = "1", node = "m9" }
R8 = { kind = "resistor", value = "10k", nodes = ["m9", "z"] }
R9 = { kind = "resistor", value = "10k", nodes = ["z", "vb"] }
M1 = { kind = "meter", resistance = "1k", full_scale_current = "100uA", nodes = ["z", "0"] }
"""
    zero = 'zero = { set = "R9", read = "needle", at = "M1", must_be = 0, accepted = "1%" }'
    text = TEACHING.text.replace("[alignment] ", f"[alignment]\n{zero}\n#")
    path = tmp_path / "loop.toml"
    path.write_text(text + parts, encoding="utf-8")
    unit, alignment = set_trims(path, steps=["zero"])
    (step,) = alignment.steps
    assert step.accepted and step.figure == pytest.approx(0.0, abs=1e-6)
    stands_v = fetsim.idle_point(unit).node_voltages_v["vb"]
    assert step.value == pytest.approx(10e3 * -stands_v / 5.0, rel=2e-3)  # no current through M1: 5 V and vb divide
    with pytest.raises(fetsim.UnitError, match="zero: at: R8 is a resistor; needle is read at a meter"):
        load_unit(path).changed({"zero.at": "R8"})


def test_a_loss_that_nobody_can_read_is_told_as_none():
    """0.8 V beyond pinch-off the tail, a decade in 60 mV, leaves some 1e-13 of the channel."""
    _, found = set_trims(TEACHING.changed({**LOSS, "V2": "-5.3V"}), quality="draft")
    (step,) = found.steps
    assert 0.0 < step.figure_before < 1e-9 and figure_text(step, step.figure_before) == "0 dB"
    assert figure_text(step, 0.0123) == "0.0123 dB" and figure_text(step, -8e-14) == "0 dB"
    fine = replace(step, step=replace(step.step, accepted=1e-6))
    assert figure_text(fine, 5e-5) == "5e-05 dB"


def test_a_step_that_a_later_one_moves_is_told(tmp_path):
    """Two channels whose control nodes are one pull at it: in equal halves, the resistors being equal."""
    path = tmp_path / "two.toml"
    path.write_text(
        'name = "Two"\npair = { left = "teaching", right = "teaching" }\njoined = [["left_ctl", "right_ctl"]]\n'
        '[changed]\nright_J1.pinch_off_voltage = "-3.7V"\n'
    )
    unit, alignment = set_trims(load_unit(path), quality="draft")
    left, right = alignment.steps
    middle = (unit.parts["left_V2"].values["voltage"] + unit.parts["right_V2"].values["voltage"]) / 2.0
    assert middle == pytest.approx(-3.7 - 0.5, abs=2e-3) and right.accepted and right.figure_after is None
    assert left.figure == pytest.approx(0.5, abs=2e-3) and not left.accepted and not alignment.all_accepted
    assert left.figure_after == pytest.approx(-4.5 - middle, abs=2e-3)  # volts beyond pinch-off, negative: it conducts
    assert "open the link first" in str(alignment.account().cautions)
    quick, outcomes = aligned(load_unit(path))
    assert [one.reached for one in outcomes] == [False, True] and "open the link first" in outcomes[0].why
    assert quick.channel == "left"


def test_a_step_says_how_switches_stand_while_it_is_taken(tmp_path):
    """The link open, each channel is set as by itself; then it is closed again."""
    path = tmp_path / "two.toml"
    path.write_text(
        'name = "Two"\npair = { left = "teaching", right = "teaching" }\n[switches]\nlink = { closed = ["S9"] }\n'
        '[stages.link.parts]\nS9 = { kind = "switch", bank = "link", poles = [["left_ctl", "right_ctl"]] }\n'
        '[changed]\nright_J1.pinch_off_voltage = "-3.7V"\nidle_bias.settings = "link=none"\n'
    )
    unit, alignment = set_trims(load_unit(path), quality="draft")
    assert alignment.all_accepted and unit.banks["link"].closed == ("S9",) and unit.is_joined
    quick, outcomes = aligned(load_unit(path))
    assert all(one.reached for one in outcomes)
    for found in (unit, quick):
        volts = [found.parts[f"{channel}_V2"].values["voltage"] for channel in ("left", "right")]
        assert volts == pytest.approx([-4.5 - 0.5, -3.7 - 0.5], abs=2e-3)
    alone = load_unit(path).changed(link="none").each_channel[0]  # where there is no link
    assert alone.alignment["idle_bias"].settings == {}
    for wrong, told in (("lnk=none", "no control or switch bank named 'lnk'"), ("link=S7", "link has no 'S7'"),
                        ("link", "must be controls and switches as a change has them")):  # fmt: skip
        with pytest.raises(fetsim.UnitError, match=f"left_idle_bias: settings: .*{told}"):
            load_unit(path).changed({"left_idle_bias.settings": wrong})


def test_a_step_under_a_tone_is_set_in_a_few_readings(tmp_path, monkeypatch):
    """To the value of E96 next to the closed form, 2.28 Mohm, from wherever it stands."""
    path = tmp_path / "divider.toml"
    path.write_text(DIVIDER)
    unit, read = load_unit(path), []
    monkeypatch.setattr(tones, "settled_at", lambda *given: read.append(given) or settled_at(*given))
    nearest_ohm = 2.26e6
    assert abs(nearest_ohm / half_drain_ohm() - 1.0) < 0.01
    for start_ohm in (2.7e6, 1.5e6):
        built, (outcome,) = aligned(unit.changed(R7=start_ohm), tone_steps=True, quality="draft")
        assert outcome.reached and outcome.value == nearest_ohm == built.parts["R7"].values["value"] and len(read) < 9
        read.clear()
    starts = tone_starts(unit, "draft")  # and from where another unit of the topology has its tone
    other = aligned(unit.changed(R7=2e6), tone_steps=True, quality="draft", starts=starts)[1][0]
    assert other.value == nearest_ohm
    assert aligned(unit)[1][0].left_out and aligned(unit)[0].parts["R7"].values["value"] == 2.7e6


def test_a_picture_shows_a_loss_that_is_next_to_none_at_the_lower_edge_of_its_axis():
    """A FET with half the pinch-off voltage is far beyond it all along the trim's way."""
    far = set_trims(DUNLIN.changed({"J1.pinch_off_voltage": -2.0}), steps=["idle_bias"], quality="draft")[1]
    panel = far.plot().axes[0]
    bottom = panel.get_ylim()[0]
    for line in panel.lines:
        assert np.all(np.asarray(line.get_ydata(), dtype=float) > bottom)
