"""Units that start from another: every way to differ, every mistake in a line, comments kept, changes written back."""

from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings

from fetsim.errors import InputError, UnitError
from fetsim.schematic.change_list import change_list
from fetsim.schematic.load import LONGEST_CHAIN, load_unit
from fetsim.schematic.unit import Unit
from fetsim.schematic.wiring import build_circuit
from tests.schematic.test_change import ANY_CHANGE

HEAD = 'name = "Reed"\nbased_on = "dunlin"\n'

REBUILT = """# our rebuilt bird
name = "Reed"
based_on = "dunlin"
taken_out = ["R4", "C1", "release", "P4"]
temperature_c = 40

[changed]
C16 = "220n"
J1.i_dss = "9mA"
attack = 0.3
curve = "S1+S3"

[rewired]
J1 = { source = "js" }
R65 = ["ctl", "vb"]

[gain_cell]
tap_node = "q3e"

[probes]
foot = "js"

[stages.divider]
about = "with a foot"

[stages.divider.parts]
R70 = { kind = "resistor", value = "10", nodes = ["js", "0"] }  # source foot

[stages.extra.parts]
R71 = { kind = "resistor", value = "1M", nodes = ["ctl", "0"] }
"""


@pytest.fixture
def write(tmp_path):
    def written(text: str, name: str = "reed.toml") -> Path:
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
        return path

    return written


def mistakes(path) -> list[str]:
    with pytest.raises(UnitError) as error:
        load_unit(path)
    return str(error.value).splitlines()


def test_changes_alone_make_what_change_makes(write):
    text = 'C16 = "220n"\nJ1.i_dss = "9mA"\ncurve = "S1+S3"\nattack = 0.8\nQ1 = "BC547B"\n'
    unit = load_unit(write(f"{HEAD}[changed]\n{text}"))
    changes = {"C16": "220n", "J1.i_dss": "9mA", "curve": "S1+S3", "attack": 0.8, "Q1": "BC547B"}
    same = load_unit("dunlin").changed(changes)
    assert unit.changes == ()  # it is so by itself
    assert same.differences(unit) == (("name", "Dunlin", "Reed"),)
    assert build_circuit(unit) == build_circuit(same)


def test_every_way_to_differ(write):
    unit = load_unit(write(REBUILT))
    assert unit.base == load_unit("dunlin")
    assert not {"R4", "C1", "P4", "release"} & {*unit.parts, *unit.controls}
    assert unit.parts["J1"].nodes == {"drain": "dr", "gate": "g", "source": "js"}
    assert unit.parts["J1"].figures == {"i_dss": 9e-3}
    assert list(unit.parts["R65"].nodes.values()) == ["ctl", "vb"]
    assert unit.parts["R70"].stage == "divider" and unit.parts["R71"].stage == "extra"
    assert unit.parts["C16"].values["value"] == pytest.approx(220e-9)
    assert (unit.temperature_c, unit.controls["attack"].position) == (40.0, 0.3)
    assert unit.banks["curve"].closed == ("S1", "S3")
    cell = unit.gain_cell
    assert cell is not None and (cell.fet, cell.tap_node, unit.probes["foot"]) == ("J1", "q3e", "js")
    about = {stage.name: stage.about for stage in unit.stages}
    assert about["divider"] == "with a foot" and about["preamp"] == "Class-A preamp, gain 25"
    assert unit.origin is unit and unit.changed(C16="1u").base is unit.base


def test_the_whole_unit_is_written_with_the_comments_of_both_files(write, tmp_path):
    unit = load_unit(write(REBUILT))
    whole = load_unit(unit.save(tmp_path / "whole.toml"))
    assert whole == unit and whole.base is None and whole.text_digest == unit.text_digest
    text = (tmp_path / "whole.toml").read_text(encoding="utf-8")
    assert "# source foot" in text and "# which FET does the gain reduction" in text


def test_work_at_the_bench(write):
    unit = load_unit(write(REBUILT))
    steps = [(step.do, step.name, step.before, step.after) for step in change_list(load_unit("dunlin"), unit)]
    assert steps == [
        ("take out", "R4", "resistor, 2.2 Mohm, 1 %, 250 mW", ""),
        ("take out", "C1", "capacitor, 47 nF, 5 %, 63 V", ""),
        ("take out", "P4", "rheostat, 6.8 Mohm, log, rising, 20 %", ""),
        ("put in", "R70", "", "resistor, 10 ohm"),
        ("put in", "R71", "", "resistor, 1 Mohm"),
        ("exchange", "J1", "i_dss 15 mA", "i_dss 9 mA"),
        ("wire anew", "J1 source", "0", "js"),
        ("exchange", "C16", "150 nF", "220 nF"),
        ("wire anew", "R65 a", "rl", "ctl"),
        ("set", "attack", "0.63531", "0.3"),
        ("set", "curve", "S2", "S1+S3"),
    ]


def test_a_part_of_another_kind_goes_out_and_comes_in(write):
    text = f"""{HEAD}taken_out = ["R3"]
[stages.divider.parts]
R3 = {{ kind = "inductor", value = "1H", resistance = "10", nodes = ["ctl", "g"] }}
"""
    steps = change_list(load_unit("dunlin"), load_unit(write(text)))
    assert [(step.do, step.name) for step in steps] == [("take out", "R3"), ("put in", "R3")]


def test_a_file_may_start_from_a_file_beside_it_from_anywhere(write, monkeypatch, tmp_path):
    write(REBUILT)
    inner = write('name = "Sedge"\nbased_on = "../reed.toml"\n[changed]\nC16 = "1u"\n', "sub/sedge.toml")
    monkeypatch.chdir(tmp_path / "sub")
    unit = load_unit("sedge.toml" if (tmp_path / "sub") == Path.cwd() else inner)
    assert unit.base is not None and unit.base.name == "Reed" and unit.base.base == load_unit("dunlin")
    assert unit.parts["C16"].values["value"] == pytest.approx(1e-6) and "R70" in unit.parts


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        ('name = "a"\nbased_on = "dunlim"\n', ["based_on: no unit named 'dunlim'; did you mean dunlin?"]),
        ('name = "a"\nbased_on = "gone.toml"\n', ["based_on: {folder}/gone.toml: no such file"]),
        ('name = "a"\nbased_on = 3\n', ["based_on: must be a text in quotes"]),
        ('name = "a"\nbased_on = "reed.toml"\n', ["based_on: goes in a circle (reed.toml -> reed.toml)"]),
        (f'name = "a"\nbased_on = "{"a" * 5000}.toml"\n', ["based_on: {folder}/" + "a" * 5000]),
        ('name = "a"\nbased_on = "./a\\nb.toml"\n', ["based_on: holds a line break"]),
        (f"{HEAD}[changed]\nC16.{'a.' * 3000}a = 1\n", ["is nested too deeply"]),
        ('based_on = "dunlin"\n', ["name: is missing"]),
        (f"{HEAD}colour = 3\n", ["colour: unknown key"]),
        (f'{HEAD}taken_out = "R4"\n', ["taken_out: must be a list of names"]),
        (f'{HEAD}taken_out = ["R99", "nobody"]\n', ["taken_out: there is nothing named 'R99'; did you mean R9?",
                                                      "taken_out: there is nothing named 'nobody'"]),
        (f'{HEAD}taken_out = ["drive"]\n', ["P1: control: no control named 'drive'"]),
        (f'{HEAD}taken_out = ["P4"]\n', ["release: no part uses this control", "R65: nodes: node 'rl' is on this one"]),
        (f"{HEAD}stages = 3\nprobes = 4\n", ["stages: must be a table", "probes: must be a table"]),
        (f"{HEAD}[stages]\ndivider = 3\n", ["stages.divider: must be a table"]),
        (f"{HEAD}[stages.x]\nparts = 3\n", ["stages.x.parts: must be a table"]),
        (f'{HEAD}[stages.x.parts]\nR2 = {{ kind = "resistor", value = "1", nodes = ["dr", "0"] }}\n',
         ["R2: is in stage divider already; change it under [changed]", "R2: one name for 2 things"]),
        (f"{HEAD}[controls]\ndrive = {{ position = 0.1 }}\n", ["controls: drive: is there already"]),
        (f'{HEAD}[rewired]\nZZ = ["a", "b"]\n', ["rewired: ZZ: there is no part of this name"]),
        (f'{HEAD}[rewired]\nJ1 = ["a", "b"]\n', ["rewired: J1: name its terminals; they are drain, gate, source"]),
        (f'{HEAD}[rewired]\nJ1 = {{ anode = "dr" }}\n', ["J1: nodes.anode: unknown key"]),
        (f'{HEAD}[rewired]\nR2 = ["dr"]\n', ["R2: nodes: needs two nodes"]),
        (f'{HEAD}[rewired]\nR2 = ["dr", "lost"]\n', ["R2: nodes: node 'lost' is on this one terminal only"]),
        (f'{HEAD}[changed]\nC16 = "0"\nR4.x = 3\n', ["R4.x: a part of kind resistor has no 'x'",
                                                         "C16: value: 0 F is outside"]),
        (f'{HEAD}[changed]\nC16 = ["1u"]\n', ["C16: value:"]),
    ],
)  # fmt: skip
def test_every_mistake_is_a_line_with_its_place(write, tmp_path, text, lines):
    found = mistakes(write(text))
    assert len(found) == len(lines), found
    for line, wanted in zip(found, lines, strict=True):
        assert line.startswith(f"reed.toml: {wanted}".replace("{folder}", str(tmp_path)))


def test_mistakes_of_the_other_file_are_told_with_both_names(write):
    write('name = "Reed"\nstages = {}\n')
    assert mistakes(write('name = "Sedge"\nbased_on = "reed.toml"\n', "sedge.toml")) == [
        "sedge.toml: based_on: reed.toml: stages: no part of kind 'input'; a unit has exactly one",
        "sedge.toml: based_on: reed.toml: stages: no part of kind 'output'; a unit has exactly one",
    ]


def test_a_circle_over_several_files_is_told(write):
    write('name = "a"\nbased_on = "b.toml"\n', "a.toml")
    write('name = "b"\nbased_on = "c.toml"\n', "b.toml")
    path = write('name = "c"\nbased_on = "./a.toml"\n', "c.toml")
    (line,) = mistakes(path)
    assert line.endswith("goes in a circle (c.toml -> a.toml -> b.toml -> c.toml); one of these must be a whole unit")


def test_a_chain_without_end_is_told(write):
    for k in range(LONGEST_CHAIN + 1):
        base = f"{k + 1}.toml" if k < LONGEST_CHAIN else "dunlin"
        path = write(f'name = "{k}"\nbased_on = "{base}"\n', f"{k}.toml")
    assert load_unit(path.with_name("1.toml")).name == "1"
    (line,) = mistakes(path.with_name("0.toml"))
    assert line.endswith("in a row that starts from another; write one of them whole")


@pytest.mark.slow
@settings(max_examples=15, deadline=None)
@given(ANY_CHANGE)
def test_any_changes_written_alone_make_the_same_unit(changes):
    dunlin = load_unit("dunlin")
    changed = dunlin.changed(changes)
    with TemporaryDirectory() as folder:
        path = Path(folder) / "changed.toml"
        if not changed.changes:
            with pytest.raises(InputError, match="nothing is changed"):
                changed.save(path, based=True)
            return
        saved = load_unit(changed.save(path, based=True))
    assert saved.differences(changed) == (("name", "Dunlin, changed", "Dunlin"),)
    assert build_circuit(saved) == build_circuit(changed)


def test_changes_of_a_file_are_written_as_seen_from_the_new_one(write, tmp_path):
    unit = load_unit(write(REBUILT)).changed(C16="1u", name="Sedge", temperature_c=30)
    (tmp_path / "sub").mkdir()
    path = unit.save(tmp_path / "sub" / "sedge.toml", based=True)
    assert path.read_text(encoding="utf-8") == (
        'name = "Sedge"\nbased_on = "../reed.toml"\ntemperature_c = 30\n\n[changed]\nC16 = "1u"\n'
    )
    assert isinstance(load_unit(path), Unit) and load_unit(path) == unit


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ('J1.v_gs_off = "-4V"\nJ1.v_gs_off_current = "10nA"', {"J1.pinch_off_voltage": "-4.2V"}),
        ('J1.v_gs_off = "-4V"\nJ1.v_gs_off_current = "10nA"', {"J1": "J112"}),
        ('J1.device = "J112"\nJ1.i_dss = "9mA"', {"J1": "J113", "J1.channel_slope": "0.008"}),
        ('J1.i_dss = "9mA"', {"J1": "J113", "J1.i_dss": "9mA"}),
    ],
)
def test_what_a_change_takes_away_is_not_told(write, tmp_path, before, after):
    """Figures that say the same as a new one, and those of another device, are gone with the change that is told; one
    that both have is told all the same, as the new device has it not."""
    unit = load_unit(write(f"{HEAD}[changed]\n{before}\n")).changed(after)
    saved = load_unit(unit.save(tmp_path / "sedge.toml", based=True))
    assert saved.differences(unit) == (("name", "Reed, changed", "Reed"),)
    assert build_circuit(saved) == build_circuit(unit)


def test_no_file_is_made_to_start_from_itself(write, tmp_path):
    first = write(f'{HEAD}[changed]\nC16 = "1u"\n')
    second = load_unit(first).changed(C16="2u").save(tmp_path / "sedge.toml", based=True)
    (tmp_path / "link.toml").symlink_to(first)
    text = first.read_text(encoding="utf-8")
    for name in ("reed.toml", "sedge.toml", "link.toml"):
        with pytest.raises(InputError, match="starts from this very file"):
            load_unit(second).changed(C16="3u").save(tmp_path / name, based=True, overwrite=True)
    assert first.read_text(encoding="utf-8") == text and load_unit(second).parts["C16"].values["value"] == 2e-6
    assert load_unit(second).changed(C16="3u").save(first, overwrite=True) == first  # a whole unit may stand there
