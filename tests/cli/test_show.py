"""``fetsim show``: everything that is in the file is on the page, for any unit."""

import json
import shlex
from pathlib import Path

import pytest

from fetsim.cli.main import main
from fetsim.report.unit.changeable import TEXTS, part_changes
from fetsim.report.unit.diagram import BY_NAME, stage_diagram
from fetsim.report.unit.flow import stage_flow
from fetsim.report.unit.part_text import part_page
from fetsim.report.unit.plain import part_dict
from fetsim.schematic.library import library_units
from fetsim.schematic.load import load_unit
from fetsim.schematic.sheets import library_devices
from tests.measurements.units import PLAIN_IRON

ONE_OF_EACH = str(Path(__file__).parents[1] / "schematic" / "one_of_each.toml")
UNITS = [*library_units(), ONE_OF_EACH]
PAGE = 100


@pytest.fixture(autouse=True)
def a_terminal(monkeypatch):
    """Of ``PAGE`` columns."""
    monkeypatch.setenv("COLUMNS", str(PAGE))


@pytest.fixture
def show(capsys):
    """Runs the command; (status, standard output, standard error)."""

    def run(*arguments):
        with pytest.raises(SystemExit) as ending:
            main(["show", *arguments])
        printed = capsys.readouterr()
        return ending.value.code or 0, printed.out, printed.err

    return run


@pytest.mark.parametrize("name", UNITS)
def test_the_page_has_everything(show, name):
    unit = load_unit(name)
    status, out, _ = show("--unit", name)
    assert status == 0
    assert max(map(len, out.splitlines())) <= PAGE
    words = set(out.replace(",", " ").replace(":", " ").replace(";", " ").replace("/", " ").split())
    sheets = {part.device.name for part in unit.parts.values() if part.device}
    for names in (unit.parts, unit.controls, unit.banks, unit.probes, unit.nodes, sheets):
        assert set(names) <= words
    assert "CHANGES" not in out and " -> " not in out


def test_values_are_readable(show):
    _, out, _ = show()
    for line in (
        "R2    resistor   4.7 kohm    1 %   250 mW  t1s, dr",
        "C10   capacitor      1000 uF",
        "P1    potentiometer 2.5 kohm  log, rising  upper leg ih/w 2.055 kohm; lower leg w/ic 445 ohm",
        "P4    rheostat 6.8 Mohm  log, rising  2.04 Mohm",
        "S2      closed  s2a/sx, s2b/vn  firm",
        "pinch_off_voltage        -4.5 V",
        "+18 dBu is 0 dBFS",
    ):
        assert line in out


def test_changes_are_marked_before_and_after(show):
    changes = ("C16=220n", "attack=0.8", "curve=S1+S3", "J1=J112", "R2.tolerance=5%", "temperature_c=40")
    status, out, _ = show(*(word for change in changes for word in ("--change", change)))
    assert status == 0
    lines = out.splitlines()
    for wanted in (
        "C16                150 nF      220 nF",  # in the list of changes, of which the longest name sets the width
        "* C16  capacitor",
        "* attack at 0.63531 -> 0.8",
        "14.1 kohm -> 24.68 kohm",
        "* curve, closed: S2 -> S1+S3",
        "* S1    open -> closed",
        "* S2    closed -> open",
        "dunlin-fet -> J112",
        "tolerance",
        "26.83 -> 40 C",
        "min 5 mA at V_DS 15 V",  # a line of the sheet that came with J112
    ):
        assert any(" ".join(wanted.split()) in " ".join(line.split()) for line in lines), wanted
    marked = {line.split()[1].strip(",") for line in lines if line.strip().startswith("* ")}
    assert marked == {"C16", "attack", "curve", "S1", "S2", "S3", "J1", "R2"}


def test_diagram_of_the_dunlin_shows_the_loop():
    unit = load_unit("dunlin")
    flow = stage_flow(unit)
    assert flow.order == (
        "supplies", "input", "divider", "preamp", "line", "output", "curve", "sidechain", "bias", "timing",
    )  # fmt: skip
    driven = {link.node: (link.driver, link.receivers) for link in flow.links}
    assert driven == {
        "t1s": ("input", ("divider",)),
        "dr": ("divider", ("preamp",)),
        "po": ("preamp", ("divider", "line", "curve")),
        "lo": ("line", ("output",)),
        "sx": ("curve", ("sidechain",)),
        "bus": ("curve", ("sidechain",)),
        "rc": ("sidechain", ("timing",)),
        "vb": ("bias", ("timing",)),
        "ctl": ("timing", ("divider",)),
    }
    back = {(link.node, to) for link in flow.links for to in link.receivers if flow.is_feedback(link, to)}
    assert back == {("ctl", "divider"), ("po", "divider")}  # control voltage, and what linearises the FET
    drawing = stage_diagram(unit, flow).splitlines()
    assert any("<-- ctl -" in line and line.endswith("+") for line in drawing)
    assert any("--- ctl -" in line for line in drawing)
    # the control line runs back up between its two ends, in one column
    ends = [(row, line.rindex("+")) for row, line in enumerate(drawing) if " ctl -" in line]
    (top, column), (bottom, same) = ends
    assert column == same
    assert {drawing[row][column] for row in range(top + 1, bottom)} == {":"}


def test_every_shared_node_has_an_unbroken_line():
    for name in UNITS:
        unit = load_unit(name)
        flow = stage_flow(unit)
        drawing = stage_diagram(unit, flow).splitlines()
        for link in flow.links:
            taps = [(row, line.rindex("+")) for row, line in enumerate(drawing) if f"- {link.node} -" in line]
            assert len(taps) == 1 + len(link.receivers)
            columns = {column for _, column in taps}
            assert len(columns) == 1
            column = columns.pop()
            rows = [row for row, _ in taps]
            assert {drawing[row][column] for row in range(min(rows), max(rows) + 1)} <= set("|:+")


def one_of_each_kind(unit):
    return {part.kind: part for part in unit.parts.values()}.values()


def crowded(tmp_path, stages, length):
    """Every stage shares a node with every other one, and every name is as long as names may be."""
    lines = [f'name = "{"n" * 40}"', "[stages]"]
    for i in range(stages):
        lines += [f"[stages.{'s' * (length - 2)}{i:02}]", f"[stages.{'s' * (length - 2)}{i:02}.parts]"]
        if i == 0:
            lines.append('IN = { kind = "input", nodes = ["in", "0"], source_resistance = "50" }')
            lines.append('OUT = { kind = "output", nodes = ["in", "0"], load = "600" }')
        for j in range(stages):
            node = f"{'m' * (length - 4)}{min(i, j):02}{max(i, j):02}"
            name = f"{'R' * (length - 4)}{i:02}{j:02}"
            if i != j:
                lines.append(f'{name} = {{ kind = "resistor", value = "1k", nodes = ["{node}", "0"] }}')
    path = tmp_path / "crowded.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def test_a_crowded_unit_still_fits(show, tmp_path):
    path = crowded(tmp_path, stages=8, length=40)
    status, out, _ = show("--unit", str(path))
    assert status == 0
    assert max(map(len, out.splitlines())) <= PAGE
    assert BY_NAME in out


HYSTERESIS = {"T2.initial_inductance": "2H", "T2.nominal_voltage": "3V", "T2.nominal_frequency": "50Hz"}
CORES = [HYSTERESIS, {**HYSTERESIS, "T2.core_loss": "1mW"}, {**HYSTERESIS, "T2.eddy_resistance": "50k"}]


@pytest.mark.parametrize("core", CORES)
def test_a_core_with_hysteresis_offers_what_may_be_told_beside_the_rest(core):
    unit = PLAIN_IRON.changed(core)
    offered = [one for one in part_changes(unit, unit.parts["T2"]) if one.now == "" and "rating" not in one.option]
    for one in offered:
        key, _, value = shlex.split(one.option)[1].partition("=")
        assert unit.changed({key: value}).differences(unit) or key == "T2.source"
    own = [one for one in offered if "T2." in one.option]  # a fault is offered under the bare name
    names = {one.option.partition("=")[0].rpartition(".")[2] for one in own} - {"source"}
    loop = set() if "T2.core_loss" in core else {"largest_inductance", "core_loss", "remanence"}
    assert names == loop | ({"eddy_resistance"} - {name.partition(".")[2] for name in core})


@pytest.mark.parametrize("name", UNITS)
def test_the_options_that_a_page_offers_work(name):
    """They are accepted, and those with the present value change nothing."""
    unit = load_unit(name)
    for part in one_of_each_kind(unit):
        for one in part_changes(unit, part):
            words = shlex.split(one.option)
            assert set(words[::2]) == {"--change"}
            changes = dict(change.split("=", 1) for change in words[1::2])
            key = min(changes).partition(".")[2]
            if key in TEXTS or (key == "control" and not one.now):
                continue  # no example to try
            differences = unit.differences(unit.changed(changes))
            if one.now not in ("", "infinite"):
                assert differences == (), changes


@pytest.mark.parametrize("name", UNITS)
def test_every_kind_of_part_has_a_page(name):
    unit = load_unit(name)
    for part in one_of_each_kind(unit):
        text = part_page(unit, unit, part.designator)
        assert text.startswith(f"{part.designator}, {part.kind}")
        assert max(map(len, text.splitlines())) <= PAGE
        plain = json.loads(json.dumps(part_dict(unit, part, full=True), allow_nan=False))
        assert plain["nodes"] == dict(part.nodes)


def test_json_of_a_part(show):
    plain = json.loads(show("--part", "J1", "--as-json")[1])
    assert plain["sheet"]["figures"]["pinch_off_voltage"] == {"amount": -4.5, "unit": "V"}
    assert plain["changes"][0]["option"] == "--change J1=dunlin-fet"


def test_part_page_says_where_it_is_wired_and_what_it_was(show):
    _, out, _ = show("--part", "R2", "--change", "R2=5k1")
    flat = " ".join(out.split())
    for wanted in ("value 4.7 kohm -> 5.1 kohm", "t1s T1 secondary1, R1 a", "dr J1 drain, C2 a", "--change R2=5.1kohm"):
        assert wanted in flat


def test_lists_of_the_library(show):
    _, units, _ = show("--units")
    assert all(name in units for name in library_units())
    _, sheets, _ = show("--devices")
    flat = " ".join(sheets.split())
    for device in library_devices().values():
        assert device.name in sheets and device.source.split()[0] in flat
    listed = json.loads(show("--devices", "--as-json")[1])
    assert [one["name"] for one in listed] == list(library_devices())
    assert {one["unit"] for one in json.loads(show("--units", "--as-json")[1])} == set(library_units())


@pytest.mark.parametrize("name", UNITS)
def test_json_has_the_unit(show, name):
    unit = load_unit(name)
    plain = json.loads(show("--unit", name, "--as-json")[1])
    parts = {part["designator"]: part for stage in plain["stages"] for part in stage["parts"]}
    assert list(parts) == list(unit.parts)
    for designator, part in unit.parts.items():
        assert parts[designator]["nodes"] == dict(part.nodes)
        assert {key: one["amount"] for key, one in parts[designator]["values"].items()} == dict(part.values)
    assert plain["changes"] == []


def test_json_of_a_changed_unit(show):
    plain = json.loads(show("--as-json", "--change", "C16=220n")[1])
    assert plain["changes"] == [{"name": "C16", "before": "150 nF", "after": "220 nF"}]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--part", "R99"), "R99"),
        (("--part", "r2"), "did you mean R2?"),
        (("--unit", "dunlim"), "did you mean dunlin?"),
        (("--unit", "nowhere.toml"), "no such file"),
        (("--change", "R2=blue"), "R2"),
        (("--change", "R2"), "NAME=VALUE"),
        (("--change", "R200=1k"), "R200"),
        (("--units", "--devices"), "exclude each other"),
        (("--units", "--part", "R2"), "exclude each other"),
    ],
)
def test_bad_input_is_one_line_and_status_two(show, arguments, said):
    status, out, err = show(*arguments)
    assert status == 2 and out == ""
    assert err.count("\n") == 1 and err.startswith("fetsim: ") and said in err
