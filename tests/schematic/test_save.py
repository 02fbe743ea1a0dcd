"""Writing a changed unit back: comments kept, nothing overwritten unasked, nothing half-written."""

import difflib
import re
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings

from fetsim.errors import InputError
from fetsim.schematic.load import load_unit
from tests.schematic.test_change import ANY_CHANGE

COMMENTS = re.compile(r"#.*")

CHANGES = {
    "C16": "220n",
    "R2": 4750.0,
    "attack": 0.8,
    "curve": "S1+S3",
    "J1.i_dss": "12mA",
    "P4.fraction": 0.25,
    "T1.ratio": 3,
    "temperature_c": 40,
    "load": "10k",
}


@pytest.fixture
def changed():
    return load_unit("dunlin").changed(CHANGES)


def test_a_saved_unit_is_the_changed_unit(changed, tmp_path):
    path = changed.save(tmp_path / "other.toml")
    assert load_unit(path) == changed
    assert list(tmp_path.iterdir()) == [path]


def test_only_the_changed_lines_differ(changed, tmp_path):
    path = changed.save(tmp_path / "other.toml")
    before, after = changed.text.splitlines(), path.read_text(encoding="utf-8").splitlines()
    delta = [line for line in difflib.unified_diff(before, after, lineterm="", n=0) if line[:1] in "+-"][2:]
    starts = ("temperature_c", "attack", "curve", "R2", "J1", "C16", "P4", "T1", "OUT")
    assert {line[1:].split()[0] for line in delta} == set(starts)
    assert len(delta) == 2 * len(starts)
    # the comment behind the value stays
    assert [line for line in after if line.startswith("temperature_c = 40 ") and "# one temperature" in line]


def test_an_unchanged_unit_is_written_byte_for_byte(tmp_path):
    unit = load_unit("dunlin")
    path = unit.save(tmp_path / "same.toml")
    assert path.read_bytes() == unit.path.read_bytes()


def test_values_in_tables_of_their_own_are_written_in_their_place(tmp_path):
    source = tmp_path / "box.toml"
    source.write_text(
        'name = "box"\n[stages.s.parts.R1]\nkind = "resistor"\nvalue = "1k"  # small\nnodes = ["a", "0"]\n'
        '[stages.s.parts.D1]\nkind = "diode"\ndevice = "1N4148"\nnodes = { anode = "a", cathode = "0" }\n'
        '[stages.s.parts.IN]\nkind = "input"\nsource_resistance = 50\nnodes = ["a", "0"]\n'
        '[stages.s.parts.OUT]\nkind = "output"\nload = "1k"\nnodes = ["a", "0"]\n',
        encoding="utf-8",
    )
    changed = load_unit(source).changed({"R1": "2k", "D1.ideality": 1.5, "R1.tolerance": "1%"})
    path = changed.save(tmp_path / "other.toml")
    assert 'value = "2k"  # small\n' in path.read_text(encoding="utf-8")
    assert load_unit(path) == changed
    assert load_unit(path).changed(D1="1N34A").save(path, overwrite=True)
    device = load_unit(path).parts["D1"].device
    assert device is not None and (device.name, device.figures["ideality"]) == ("1N34A", 1.3)


def test_nothing_is_overwritten_unasked(changed, tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text("precious")
    with pytest.raises(InputError, match="exists already"):
        changed.save(path)
    assert path.read_text() == "precious"
    changed.save(path, overwrite=True)
    assert load_unit(path) == changed


@pytest.mark.parametrize("name", ["no/such/folder.toml", "other.wav", "nul\0.toml"])
def test_a_path_that_cannot_be_written_is_an_input_error(changed, tmp_path, name):
    with pytest.raises(InputError):
        changed.save(Path(tmp_path) / name)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_in_the_way_stays(changed, tmp_path):
    (tmp_path / "box.toml").mkdir()
    with pytest.raises(InputError):
        changed.save(tmp_path / "box.toml", overwrite=True)
    assert [entry.name for entry in tmp_path.iterdir()] == ["box.toml"]


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(ANY_CHANGE)
def test_any_changed_unit_is_saved_as_it_is(changes):
    changed = load_unit("dunlin").changed(changes)
    with TemporaryDirectory() as folder:
        saved = load_unit(changed.save(Path(folder) / "saved.toml"))
    assert saved == changed and saved.digest == changed.digest
    assert COMMENTS.findall(saved.text) == COMMENTS.findall(changed.text)


AROUND = """# tables in any order, keys with dots
name = "box"
[stages.s.parts]
IN = { kind = "input", source_resistance = 50, nodes = ["a", "0"] }
R1.kind = "resistor"
R1.value = "1k"   # small
R1.nodes = ["a", "0"]
P1 = { kind = "rheostat", value = "1k", nodes = ["a", "0"], control = "turn", fraction = 0.5 }
[controls]
turn.position = 0.5  # half way
[stages.t.parts.OUT]
kind = "output"
load = "1k"
nodes = ["a", "0"]
[switches.bank]
about = "no list of closed ones yet"
[stages.t.parts.S1]
kind = "switch"
bank = "bank"
poles = [["a", "0"]]
"""


@pytest.mark.parametrize("lines", ["\n", "\r\n"])
@pytest.mark.parametrize(
    "changes",
    [
        {"R1": "2k"},
        {"R1.tolerance": "1%", "turn": 0.25},
        {"load": "3k", "bank": "S1", "temperature_c": 40},
        {"R1.about": 'quotes " and \\ and \u00e9', "name": "'other'"},
        {"P1.fraction": 0.1, "P1.taper": "log"},
    ],
)
def test_layouts_of_every_sort_are_kept(changes, lines, tmp_path):
    source = tmp_path / "box.toml"
    source.write_bytes(AROUND.replace("\n", lines).encode())
    changed = load_unit(source).changed(changes)
    saved = load_unit(changed.save(tmp_path / "saved.toml"))
    assert saved == changed and changed != load_unit(source)
    assert COMMENTS.findall(saved.text) == COMMENTS.findall(changed.text)
