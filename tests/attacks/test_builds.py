"""Steps of an alignment, lists of FETs and spreads as they are written by mistake: a line each, and nothing begun."""

import pytest

from fetsim import FetsimError, MeasuredFet, load_unit, measure_drawer, spread
from tests.attacks.conftest import TEACHING

HEADING = "name,i_dss [mA],v_gs_off,v_gs_off_current [uA]\n"
QUICK = ("-u", "teaching", "-q", "draft")
STEP = {"set": '"V2"', "read": '"beyond_pinch_off"', "must_be": '"0.5V"', "accepted": '"50mV"'}


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"set": '"V9"'}, ["set", "no control or part named 'V9'"]),
        ({"set": '"V2.foo"'}, ["set", "no number 'foo'"]),
        ({"set": '"J1"'}, ["set", "say which value of J1"]),
        ({"set": '""'}, ["set", "names nothing"]),
        ({"read": '"foo"'}, ["read", "unknown choice"]),
        ({"read": '"volts"'}, ["at", "is missing"]),
        ({"read": '"volts"', "at": '"g, x"'}, ["at", "no node named 'x'"]),
        ({"read": '"volts"', "at": '["g", "ctl", "po"]'}, ["at", "must be a node"]),
        ({"read": '"current"', "at": '"R9"', "must_be": '"1mA"', "accepted": '"1uA"'}, ["at", "no part named 'R9'"]),
        ({"level_dbu": "0"}, ["level_dbu", "without a tone"]),
        ({"must_be": '"0.5dB"'}, ["must_be", "in decibel"]),
        ({"must_be": '"least"'}, ["must_be", "no least"]),
        ({"must_be": "true"}, ["must_be"]),
        ({"must_be": "nan"}, ["must_be", "finite"]),
        ({"accepted": '"-50mV"'}, ["accepted", "accepts nothing"]),
        ({"accepted": '"0V"'}, ["accepted", "accepts nothing"]),
        ({"series": '"E7"'}, ["series", "unknown choice"]),
        ({"series": '"E24"'}, ["series", "preferred values, V2 does not"]),
        ({"series": '"E24"', "set": '"A1.gain"'}, ["series", "preferred values"]),
        ({"foo": "1"}, ["foo", "unknown key"]),
    ],
    ids=str,
)
def test_a_step_that_cannot_be_taken(place, attack, keys, words):
    first, last = TEACHING.index("idle_bias ="), TEACHING.index("\n\n[devices.teaching-fet]")
    step = ", ".join(f"{key} = {value}" for key, value in {**STEP, **keys}.items())
    (place / "bad.toml").write_text(f"{TEACHING[:first]}idle_bias = {{ {step} }}{TEACHING[last:]}")
    attack("trims", "-u", "bad.toml", "-q", "draft").refused("bad.toml: idle_bias", *words)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--step", "nope"), "no step 'nope'"),
        (("-c", "idle_bias.must_be=0.5dB"), "must_be"),
        (("-c", "idle_bias.foo=1"), "has no 'foo'"),
        (("--to", "mine.toml"), "exists already"),
        (("--to", "old.wav"), "ends in .toml"),
        (("--based",), "--based"),
        (("--vary", "V2=-4,-5", "--to", "z.toml"), "--to"),
        (("--json", "none/z.json"), "no folder"),
    ],
)
def test_trims_that_are_asked_for_in_vain(attack, arguments, words):
    attack("trims", *QUICK, *arguments).refused(words)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", "is empty"),
        ("\n\n", "is empty"),
        (HEADING, "has 0 FETs"),
        (bytes(range(256)), "UTF-8"),
        (HEADING.encode("utf-16"), "UTF-8"),
        (b"x" * 1_000_001, "is larger than"),
        ("name,i_dss,v_gs_off\nA1,12mA,-4.2\n", "column v_gs_off_current: is missing"),
        ("name,i_dss,i_dss [mA],v_gs_off,v_gs_off_current\n", "column i_dss: is there twice"),
        ("name,i_dss [mA],v_gs_off,v_gs_off_curent\n", "did you mean v_gs_off_current?"),
        (HEADING + "A1,nan,-4.2,1\n", "row 2, column i_dss"),
        (HEADING + "A1,inf,-4.2,1\n", "row 2, column i_dss"),
        (HEADING + "A1,12000,-4.2,1\n", "row 2, column i_dss: 12 A is outside"),
        (HEADING + "A1,-12,-4.2,1\n", "row 2, column i_dss: -12 mA is negative"),
        (HEADING + "A1,12,-42,1\n", "in the heading as v_gs_off [V]"),
        (HEADING + "A1,12,0,1\n", "row 2, column v_gs_off"),
        (HEADING + "A1,12,-4.2,-1\n", "row 2, column v_gs_off_current: -1 uA is negative"),
        (HEADING + "A1,2,-4.2,900\n", "no small share of i_dss"),
        (HEADING + "A1,12,3,-4.2,1\n", "row 2: has 5 cells"),
        (HEADING + "A1,12,-4.2\n", "row 2, column v_gs_off_current: is empty"),
        (HEADING + ",12,-4.2,1\n", "row 2, column name: is empty"),
        (HEADING + "A1,12,-4.2,1\n\nA1,12,-4.2,1\n", "row 4, column name: 'A1' is in row 2 already"),
        (HEADING + "A" * 41 + ",12,-4.2,1\n", "row 2, column name: has 41 characters"),
        (HEADING + "present FET,12,-4.2,1\n", "give that of the list another name"),
        (HEADING + '"A1,12,-4.2,1\n', "cannot be read as a table"),
        (HEADING.replace(",", ";") + "A1;12,3;-4.2;1\n", "write a decimal point"),
    ],
    ids=range(25),
)
def test_a_list_of_fets_that_is_none(place, attack, content, words):
    (place / "f.csv").write_bytes(content if isinstance(content, bytes) else content.encode())
    attack("drawer", "f.csv", *QUICK, "--level=-10", "--workers", "1").refused(words)


def test_names_that_steer_and_calculate(place, attack):
    names = ["\x1b[31mX", "<script>alert(1)</script>", "=1+1|' /C calc'!A0", "@x", "+A1"]
    (place / "f.csv").write_text(HEADING + "".join(f"{name},{12 + k},-4.2,1\n" for k, name in enumerate(names)))
    made = ("--csv", "o.csv", "--plot", "o.svg", "--json", "o.json")
    outcome = attack("drawer", "f.csv", *QUICK, "--level=-10", "--workers", "1", *made)
    outcome.done(*made[1::2])
    assert b"<script" not in outcome.after["o.svg"]
    assert not any(b"\x1b" in outcome.after[name] for name in made[1::2])
    assert not any(line.startswith(("=", "@", "+")) for line in outcome.after["o.csv"].decode().splitlines())


@pytest.mark.parametrize(
    "fets", [None, [], [1], ["A1"], [MeasuredFet(name="A", i_dss_a=0.01, v_gs_off_v=-4.0, v_gs_off_current_a=1e-6)] * 2]
)
def test_what_are_no_measured_fets(fets):
    with pytest.raises(FetsimError):
        measure_drawer(fets, "teaching", levels_dbu=[-10], quality="draft", workers=1)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("-n", "0"), "builds"),
        (("-n", "1000000000"), "builds"),
        (("--seed", "-1"), "seed"),
        (("--seed", "9" * 30), "seed"),
        (("--limit", "threshold=-9..-12"), "runs backwards"),
        (("--limit", "threshold=-12..-9", "--limit", "threshold=-8..-7"), "contradict"),
        (("--limit", "threshold"), "NAME=LOW..HIGH"),
        (("--limit", "threshold=.."), "NAME=LOW..HIGH"),
        (("--limit", "threshold=nan..1"), "limit"),
        (("--limit", "gain=1V..2V"), "in volt"),
        (("--limit", "thresold=1..2"), "did you mean threshold?"),
        (("--limit", "\x1b[31m=1..2"), "figure"),
        (("--figures", ","), "--figures"),
        (("--figures", "reduction"), "reduction@4"),
        (("--figures", "reduction@nan"), "no level"),
        (("--figures", "volts@nope"), "no node or probe"),
        (("--curve", "nan"), "--curve"),
        (("--varying", "R99"), "nothing that varies"),
        (("--law", "nope=normal"), "no kind of part"),
        (("--law", "jfet=nope"), "choices"),
        (("--shares", "J1"), "too few"),
        (("--moves", "0%"), "no step"),
        (("--moves", "foo"), "--moves"),
        (("--plane", "gain"), "two figures"),
        (("--to", "old.wav"), "is a file"),
        (("--to", "folder"), "choose another folder"),
        (("--to", "folder", "--force"), "choose another folder"),
        (("--to", "."), "give a folder of its own"),
        (("--plot", "x.svg", "--parts-plot", "x.svg"), "two outputs"),
        (("--workers", "0"), "workers"),
    ],
    ids=str,
)
def test_a_spread_that_cannot_be_drawn(attack, arguments, words):
    attack("spread", *QUICK, "-n", "2", "--figures", "gain", *arguments).refused(words)


@pytest.mark.parametrize(
    "options",
    [
        {"builds": 2.5}, {"seed": None}, {"figures": "gain"}, {"figures": []}, {"limits": "gain=1..2"},
        {"curve_dbu": ["a"]}, {"only": "J1"}, {"only": [5]}, {"laws": [("jfet", "normal")]}, {"laws": {"jfet": 5}},
        {"moves": "1%"}, {"moves": float("nan")}, {"unit": 5}, {"unit": "jig", "figures": ["threshold"]},
    ],
    ids=str,
)  # fmt: skip
def test_a_spread_with_options_that_are_none(options):
    with pytest.raises(FetsimError):
        spread(**{"unit": "teaching", "builds": 2, "figures": ["gain"], "quality": "draft", "workers": 1} | options)


def test_a_pair_is_listened_to_at_its_own_channel_whichever_is_trimmed_last(place):
    (place / "two.toml").write_text('name = "Two"\npair = { left = "teaching", right = "teaching" }\n')
    unit = load_unit("two.toml").changed({"right_A1.gain": 20.0})
    for channel in ("left", "right"):
        found = spread(unit.listening(channel), builds=1, figures=["gain"], trims=True, quality="draft", workers=1)
        assert found.unit.channel == channel
        plain = spread(unit.listening(channel), builds=1, figures=["gain"], quality="draft", workers=1)
        assert found.nominal.found["gain"] == pytest.approx(plain.nominal.found["gain"], abs=0.01)
