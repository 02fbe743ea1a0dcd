"""Files that make a pair of two units: names, joins, what is joined as switches stand, one channel alone, mistakes."""

import json
from dataclasses import asdict

import pytest

from fetsim.cli.main import main
from fetsim.errors import UnitError
from fetsim.schematic.load import load_unit
from fetsim.schematic.wiring import CLOSED_OHM, build_circuit

HEAD = 'name = "Two loops"\npair = { left = "teaching", right = "teaching" }\n'
LINK = '[switches]\nlink = { closed = ["S9"] }\n[stages.link.parts]\n'
SWITCH = 'S9 = { kind = "switch", bank = "link", poles = [["left_ctl", "right_ctl"]] }\n'


@pytest.fixture
def pair(tmp_path):
    def loaded(text: str = "", head: str = HEAD):
        (tmp_path / "pair.toml").write_text(head + text, encoding="utf-8")
        return load_unit(tmp_path / "pair.toml")

    return loaded


def test_each_channel_has_all_of_its_unit_under_its_name(pair):
    one, both = load_unit("teaching"), pair()
    assert list(both.parts) == [f"{channel}_{name}" for channel in ("left", "right") for name in one.parts]
    right = both.parts["right_J1"]
    assert right.nodes == {"drain": "right_dr", "gate": "right_g", "source": "0"}
    assert right.device.figures == one.parts["J1"].device.figures
    assert both.channels["right"].control_node == "right_ctl" and both.gain_cell.fet == "left_J1"
    assert both.input.designator == "left_IN" and both.listening("right").output.designator == "right_OUT"
    assert both.inputs == ("program", "right") and both.other_inputs == ()


@pytest.mark.parametrize("name", ["teaching", "dunlin", "greenshank", "dunlin-mains"])
def test_one_channel_alone_is_its_unit(pair, name):
    """The same circuit to the last name, so that the same solver plays it."""
    both = pair(head=HEAD.replace("teaching", name))
    assert not both.is_joined
    for channel in ("left", "right"):
        assert build_circuit(both.alone(channel)) == build_circuit(load_unit(name))
        assert both.alone(channel).controls == load_unit(name).controls
        assert both.alone(channel).probes == load_unit(name).probes


def test_changes_say_which_channel_or_both(pair):
    both = pair().changed({"C2": "220n", "right_J1.i_dss": "13mA", "load": "2k"})
    names = {name for name, _, _ in both.changes}
    assert names == {"left_OUT", "left_C2", "right_J1.i_dss", "right_OUT", "right_C2"}
    assert set(both.alone("left").changes) == {("OUT", "10 kohm", "2 kohm"), ("C2", "150 nF", "220 nF")}
    assert {name for name, _, _ in both.alone("right").changes} == {"J1.i_dss", "OUT", "C2"}
    assert both.listening("right").changed(R1="1k").channel == "right"


def test_switches_of_both_channels_and_of_one(pair):
    both = pair(head=HEAD.replace("teaching", "dunlin")).changed({"curve": "S1+S3"})
    assert both.banks["left_curve"].closed == ("left_S1", "left_S3")
    assert both.alone("right").banks["curve"].closed == ("S1", "S3")
    one = both.changed({"right_curve": "S2"})
    assert (one.banks["left_curve"].state, one.banks["right_curve"].state) == ("left_S1+left_S3", "right_S2")


@pytest.mark.parametrize(
    ("text", "joined"),
    [
        ("", False),
        ('joined = [["left_ctl", "right_ctl"]]', True),
        (LINK + SWITCH, True),
        (LINK.replace('["S9"]', "[]") + SWITCH, False),
        ('[stages.link.parts]\nR90 = { kind = "resistor", value = "1k", nodes = ["left_ctl", "right_ctl"] }', True),
        # a resistor and an open switch in series, then with a way round; then to ground alone
        (LINK.replace('["S9"]', "[]") + SWITCH.replace('"right_ctl"', '"x"')
         + 'R90 = { kind = "resistor", value = "1k", nodes = ["x", "right_ctl"] }', False),
        (LINK.replace('["S9"]', "[]") + SWITCH.replace('"right_ctl"', '"x"')
         + 'R90 = { kind = "resistor", value = "1k", nodes = ["x", "right_ctl"] }\n'
         + 'C90 = { kind = "capacitor", value = "1n", nodes = ["x", "left_g"] }', True),
        ('[stages.link.parts]\nR90 = { kind = "resistor", value = "1k", nodes = ["left_ctl", "0"] }', True),
        ('taken_out = ["right_V1"]\n[rewired]\nleft_V1 = "left_an"\n[stages.link.parts]\n'
         'V9 = { kind = "supply", voltage = "-7V", resistance = "100k", node = "right_an" }', True),
        ('[rewired]\nright_C1 = ["left_po", "right_an"]', True),
    ],
)  # fmt: skip
def test_what_joins(pair, text, joined):
    assert pair(text).is_joined is joined


def test_a_straight_join_is_a_wire(pair):
    (wire,) = [e for e in build_circuit(pair('joined = [["left_ctl", "right_ctl"]]')).elements if e.name == "JOIN.1"]
    assert wire.nodes == ("left_ctl", "right_ctl") and wire.values == {"resistance_ohm": CLOSED_OHM}


def test_channels_may_be_different_units_and_share_a_supply(pair, tmp_path):
    (tmp_path / "mine.toml").write_text('name = "Mine"\nbased_on = "teaching"\nchanged = { C2 = "1u" }\n')
    both = pair('joined = [["left_ctl", "right_ctl"]]', head=HEAD.replace('right = "teaching"', 'right = "mine.toml"'))
    assert both.parts["right_C2"].values["value"] == 1e-6 and both.parts["left_C2"].values["value"] == 0.15e-6
    assert {file.name for file in both.files} == {"pair.toml", "teaching.toml", "mine.toml"}


def test_a_pair_is_written_whole_and_based_and_read_again(pair, tmp_path):
    both = pair(LINK + SWITCH).changed({"left_C2": "220n", "right_J1.i_dss": "9mA", "link": "none"})
    whole, short = (load_unit(both.save(tmp_path / name, based=based)) for name, based in (("w.toml", False),
                                                                                         ("s.toml", True)))  # fmt: skip
    assert both.differences(whole) == () and whole.is_joined is False
    assert [name for name, _, _ in both.differences(short)] == ["name"]
    assert asdict(whole.channels["right"]) == asdict(both.channels["right"])
    text = (tmp_path / "w.toml").read_text(encoding="utf-8")
    assert "pair =" not in text and max(map(len, text.splitlines())) < 400


def test_digests_know_the_channel_and_the_files(pair, tmp_path):
    both = pair()
    assert both.digest != both.listening("right").digest
    assert both.text_digest != pair('about = "another"\n').text_digest


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('joined = [["left_ctl", "right_ctk"]]', "joined: left_ctl and right_ctk: no node named 'right_ctk'"),
        ('joined = [["left_ctl", "left_g"]]', "both nodes are of the left channel; a join has one node of each"),
        ('joined = [["left_ctl", "0"]]', "a join has one node of each"),
        ('joined = [["left_ctl"]]', "needs two nodes"),
        ('joined = "ctl"', "must be pairs of nodes"),
        ("changed = { middle_C2 = 1e-6 }", "middle_C2: no part, control or switch bank of this name"),
        ('based_on = "dunlin"', "pair, based_on: give one of the two"),
        ('[stages.x.parts]\nIN = { kind = "input", nodes = ["left_ctl", "0"], source_resistance = "50" }',
         "an input of the program belongs to a channel"),
        ('[stages.x.parts]\nleft_IN2 = { kind = "input", nodes = ["left_ctl", "0"], source_resistance = "50" }',
         "the left channel has exactly one input, it has 2"),
        ('taken_out = ["right_OUT"]', "the right channel has exactly one"),
        ('gain_cell = { fet = "left_J1", control_node = "left_ctl" }', "each channel has its own"),
    ],
)  # fmt: skip
def test_a_mistake_is_told_in_a_line(pair, text, said):
    with pytest.raises(UnitError) as told:
        pair(text)
    line = next(line for line in str(told.value).splitlines() if said in line)
    assert line.startswith("pair.toml: ")


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ('{ left = "teaching" }', "pair: right: is missing"),
        ('{ left = "teaching", right = "nowhere" }', "pair.right: no unit named 'nowhere'"),
        ('{ left = "teaching", right = "dunlin-pair" }', "pair.right: Dunlin pair is a pair itself"),
        ('{ left = "teaching", right = "pair.toml" }', "pair.right: goes in a circle"),
        ('{ left = "teaching", right = "hot.toml" }', "temperature_c: is 26.83 in Teaching loop and 40 in Hot"),
        ("3", "pair: must be a table"),
    ],
)
def test_a_wrong_pair_is_told_in_a_line(pair, tmp_path, given, said):
    (tmp_path / "hot.toml").write_text('name = "Hot"\nbased_on = "teaching"\ntemperature_c = 40\n')
    with pytest.raises(UnitError) as told:
        pair(head=f'name = "Two"\npair = {given}\n')
    assert said in str(told.value) and "\n" not in str(told.value)


def test_channels_that_are_none(pair):
    with pytest.raises(UnitError, match="has no 'centre'; choices: left, right"):
        pair().listening("centre")
    with pytest.raises(UnitError, match="it is no pair"):
        load_unit("teaching").alone("left")
    with pytest.raises(UnitError, match="those of one channel begin with left_ or right_"):
        pair().changed({"zzz": 1})
    with pytest.raises(UnitError, match="one value given twice"):
        pair().changed({"C2": "1u", "left_C2": "2u"})
    (only,) = pair().each_channel[:1]
    assert only.channels == {} and load_unit("teaching").each_channel == (load_unit("teaching"),)


def test_joins_belong_to_pairs(tmp_path):
    (tmp_path / "one.toml").write_text('name = "One"\nbased_on = "teaching"\njoined = [["ctl", "g"]]\n')
    with pytest.raises(UnitError, match="joins two channels, and this unit has one"):
        load_unit(tmp_path / "one.toml")


def test_it_is_shown(capsys):
    for arguments in (["show", "--unit", "dunlin-pair"], ["show", "--unit", "dunlin-pair", "--part", "J1"]):
        with pytest.raises(SystemExit) as ended:
            main(arguments)
        assert ended.value.code == 0
    said = capsys.readouterr().out
    assert "left Dunlin, right Dunlin" in said and "joined, as switches stand" in said
    assert "put in  S9" in said and "left_J1, jfet" in said and "right_J1, jfet" in said
    with pytest.raises(SystemExit):
        main(["show", "--unit", "dunlin-pair", "--as-json", "-c", "link=none"])
    plain = json.loads(capsys.readouterr().out)
    assert plain["channels"]["right"]["fet"] == "right_J1" and plain["are_joined"] is False


def test_both_channels_are_told_at_rest_and_trimmed(pair):
    """A gate that is lower by a volt in one channel alone is told of that one."""
    from fetsim.measurements.idle.procedure import idle_point
    from fetsim.studies.trims.study import set_trims

    both = pair().changed({"right_V2": "-6V"})
    told = " ".join(idle_point(both).provenance.told)
    assert "left_J1 takes" in told and "right_J1" in told and "Measured at" not in told
    trimmed, alignment = set_trims(both)
    assert [step.step.name for step in alignment.steps] == ["left_idle_bias", "right_idle_bias"]
    assert all(step.accepted for step in alignment.steps)
    volts = [trimmed.parts[f"{channel}_V2"].values["voltage"] for channel in ("left", "right")]
    assert volts[0] == pytest.approx(volts[1], abs=2e-3)
    assert [step.step.name for step in set_trims(both, steps=["right_idle_bias"])[1].steps] == ["right_idle_bias"]


def test_currents_through_a_straight_join_are_accounted_for(pair):
    """Unequal bias drives a current through the wire, which is no part; both its ends are one node."""
    from fetsim.measurements.idle.procedure import idle_point

    both = pair('joined = [["left_ctl", "right_ctl"]]\nchanged = { right_V2 = "-5.5V" }\n')
    assert idle_point(both).kirchhoff_residual_a < 1e-12
