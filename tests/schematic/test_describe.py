"""What the schema says of itself: complete, true to what the reader does, and with examples that load."""

import tomllib
from pathlib import Path

import pytest

from fetsim.errors import UnitError
from fetsim.schematic.cores import OF_CORE
from fetsim.schematic.describe import file_tables, kinds
from fetsim.schematic.load import load_unit
from fetsim.schematic.schema import PARTS, SHEETS
from fetsim.schematic.sheets import library_sheets
from fetsim.schematic.taper import TAPERS
from fetsim.schematic.values import QUANTITIES, parse_value
from fetsim.schematic.wiring import build_circuit

KINDS = {kind.name: kind for kind in kinds()}
IN = 'IN = { kind = "input", nodes = ["a", "0"], source_resistance = "50" }'
OUT = 'OUT = { kind = "output", nodes = ["b", "0"], load = "1k" }'


def texts(raw):
    if isinstance(raw, dict):
        raw = list(raw.values())
    return [text for one in raw for text in texts(one)] if isinstance(raw, list) else [raw]


def unit_with(line, folder):
    """A unit that holds the part of this line, every node of it tied to ground by a resistor."""
    ((designator, part),) = tomllib.loads(line).items()
    ports = {kind: one for kind, one in (("input", IN), ("output", OUT)) if kind != part["kind"]}
    iron = [KINDS["transformer"].example] if "transformer" in part else []
    used = [part, *(tomllib.loads(one).popitem()[1] for one in (*iron, *ports.values()))]
    wiring = [one.get(key, []) for one in used for key in ("node", "nodes", "poles")]
    nodes = dict.fromkeys(texts(wiring))
    ties = [
        f'R{10 + i} = {{ kind = "resistor", value = "1k", nodes = ["{node}", "0"] }}'
        for i, node in enumerate(nodes)
        if node != "0"
    ]
    path = Path(folder) / "unit.toml"
    path.write_text(
        'name = "one part"\n'
        + (f'[controls]\n{part["control"]} = {{ position = 0.5 }}\n' if "control" in part else "")
        + (f'[switches]\n{part["bank"]} = {{ closed = ["{designator}"] }}\n' if "bank" in part else "")
        + "\n".join(["[stages.all.parts]", *ports.values(), *ties, *iron, line])
        + "\n",
        encoding="utf-8",
    )
    return load_unit(path), designator


def test_every_kind_is_described():
    assert list(KINDS) == list(PARTS)


@pytest.mark.parametrize("name", PARTS)
def test_the_example_makes_such_a_part(name, tmp_path):
    unit, designator = unit_with(KINDS[name].example, tmp_path)
    assert unit.parts[designator].kind == name
    assert any(made.name.split(".")[0] == designator for made in build_circuit(unit).elements)


@pytest.mark.parametrize("name", PARTS)
def test_every_key_says_what_it_means_and_how_it_is_written(name):
    kind = KINDS[name]
    assert kind.meaning.endswith(".")
    for key in (*kind.keys, *kind.figures, *kind.sheet_keys):
        assert key.meaning and key.written, key.name
        assert not (key.required and key.default), key.name


@pytest.mark.parametrize("name", PARTS)
def test_the_keys_are_those_that_the_reader_takes(name, tmp_path):
    """A part with an unknown key is told all keys; they are the described ones."""
    with pytest.raises(UnitError) as refusal:
        unit_with(KINDS[name].example.replace("{ kind", "{ nonsense = 1, kind", 1), tmp_path)
    told = str(refusal.value).split("choices: ")[1].splitlines()[0].split(", ")
    described = {key.name.partition(".")[0] for key in KINDS[name].keys}
    assert described == set(told) - {"kind"}


@pytest.mark.parametrize("name", PARTS)
def test_required_keys_are_missed_and_others_are_not(name, tmp_path):
    ((designator, part),) = tomllib.loads(KINDS[name].example).items()
    required = {key.name for key in KINDS[name].keys if key.required and "." not in key.name}
    for key in required:
        with pytest.raises(UnitError, match=f"{designator}: {key}: is missing"):
            shorter = {"kind": part["kind"]} | {one: value for one, value in part.items() if one != key}
            unit_with(f"{designator} = {inline(shorter)}", tmp_path)


def inline(raw):
    if isinstance(raw, dict):
        return "{ " + ", ".join(f"{key} = {inline(value)}" for key, value in raw.items()) + " }"
    if isinstance(raw, list):
        return "[" + ", ".join(inline(one) for one in raw) + "]"
    return str(raw).lower() if isinstance(raw, bool) else repr(raw).replace("'", '"')


RANGED = [(kind, key) for kind in KINDS for key in KINDS[kind].keys if key.range]


@pytest.mark.parametrize(("kind", "key"), RANGED, ids=[f"{kind}.{key.name}" for kind, key in RANGED])
def test_the_range_is_the_one_that_is_checked(kind, key, tmp_path):
    low, high = key.range.split(" to ")
    unit, designator = unit_with(KINDS[kind].example, tmp_path)
    quantity = next(q for q in sorted(QUANTITIES, key=lambda q: q == "plain") if _is(low, q))
    for text, outside in ((low, 0.999), (high, 1.001)):
        edge = parse_value(text, quantity)
        name = f"{designator}.{key.name}"
        of_others = (*OF_CORE, "bias_voltage", "thermal_time_constant")
        if key.name in of_others or (kind, key.name) == ("inductor", "saturation_flux"):
            with pytest.raises(UnitError, match="is missing; "):  # alone it makes nothing, but it is read
                unit.changed({name: edge})
        else:
            read = unit.changed({name: text}).parts[designator]
            assert {**read.values, **read.ratings}[key.name] == edge
        if edge > 0.0:
            with pytest.raises(UnitError, match=r"is outside|without a unit is"):
                unit.changed({name: edge * outside})
    if key.suffixes:
        assert parse_value(key.written.split(" ")[0].rstrip(","), quantity)
    for text in PARTS[kind].model_fields[key.name].examples or ():
        assert parse_value(low, quantity) <= parse_value(text, quantity) <= parse_value(high, quantity)
        assert text in key.written or key.written == "a plain number"


def _is(text, quantity):
    try:
        parse_value(text, quantity)
    except Exception:
        return False
    return True


def test_kinds_with_a_sheet_tell_its_figures_and_limits():
    for name in SHEETS:
        figures = {key.name for key in KINDS[name].figures}
        used = {key for raw in library_sheets().values() if raw["kind"] == name for key in raw}
        assert used <= figures | {key.name for key in KINDS[name].sheet_keys} | {"kind"}
        assert KINDS[name].limits
    assert not KINDS["resistor"].figures


def test_tapers_are_told_where_there_is_a_track():
    assert [name for name, _ in KINDS["potentiometer"].tapers] == list(TAPERS)
    assert dict(KINDS["rheostat"].tapers)["audio"].startswith("15 % of the track at half rotation")
    assert not KINDS["resistor"].tapers


def test_defaults_are_those_of_the_reader(tmp_path):
    unit, designator = unit_with(KINDS["transformer"].example, tmp_path)
    default = {key.name: key.default for key in KINDS["transformer"].keys}["secondary_capacitance_ratio"]
    assert unit.parts[designator].values["secondary_capacitance_ratio"] == float(default) == 0.2
    top = {key.name: key for key in file_tables()[0].keys}
    assert (float(top["temperature_c"].default), float(top["full_scale_dbu"].default)) == (
        unit.temperature_c, unit.full_scale_dbu,
    )  # fmt: skip


def test_the_other_tables_are_described_too():
    tables = {table.name: {key.name for key in table.keys} for table in file_tables()}
    assert tables["gain_cell"] == {"fet", "control_node", "tap_node", "rectifier_nodes"}
    assert all(key.meaning and key.written for table in file_tables() for key in table.keys)
    written = tomllib.loads(load_unit("dunlin").text)
    assert set(written) <= tables[""]
    assert all(set(stage) <= tables["stages.NAME"] for stage in written["stages"].values())
