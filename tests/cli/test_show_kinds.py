"""``fetsim show``: kinds of part, nodes, controls and switches, and a changed unit written to a file."""

import json
import tomllib

import pytest

import fetsim
from fetsim.cli.main import main
from fetsim.schematic.describe import kinds
from fetsim.schematic.schema import PARTS


@pytest.fixture
def show(capsys, monkeypatch):
    """Runs the command; (status, standard output, standard error)."""

    monkeypatch.delenv("COLUMNS", raising=False)

    def run(*arguments):
        with pytest.raises(SystemExit) as ending:
            main(["show", *map(str, arguments)])
        printed = capsys.readouterr()
        return ending.value.code or 0, printed.out, printed.err

    return run


def test_all_kinds(show):
    status, out, _ = show("--kinds")
    assert status == 0 and set(PARTS) <= set(out.split())
    for table in ("[GAIN_CELL]", "[CONTROLS.NAME]", "[SWITCHES.NAME]", "temperature_c", "full_scale_dbu"):
        assert table in out
    assert [one["name"] for one in json.loads(show("--kinds", "--as-json")[1])["kinds"]] == list(PARTS)


def test_a_measurement_without_measure_in_front_is_told_where_it_is(capsys):
    with pytest.raises(SystemExit) as ending:
        main(["hum", "--unit", "dunlin-mains"])
    assert ending.value.code == 2 and "it is fetsim measure hum" in capsys.readouterr().err


@pytest.mark.parametrize("kind", kinds(), ids=lambda kind: kind.name)
def test_one_kind(show, kind):
    status, out, _ = show("--kind", kind.name)
    flat = " ".join(out.split())
    assert status == 0 and kind.meaning in flat and " ".join(kind.example.split()) in flat
    for key in (*kind.keys, *kind.figures, *kind.sheet_keys):
        assert key.name in flat and key.range in flat
    for name, law in kind.tapers:
        assert name in flat and law in flat
    assert json.loads(show("--kind", kind.name, "--as-json")[1])["example"] == kind.example


def test_a_node_a_control_and_a_bank(show):
    out = show("--part", "ctl")[1]
    assert "Node ctl, Dunlin" in out and "C16" in out and "P4" in out and "V against ground" in out
    unit = fetsim.load_unit("dunlin")
    probe = next(iter(unit.probes))
    assert f"Node {unit.probes[probe]}, Dunlin" in show("--part", probe)[1]
    out = show("--part", "attack", "--change", "attack=0.25")[1]
    assert "0.63531 -> 0.25" in out and "P3" in out and "--change attack=0.25" in out
    out = show("--part", "curve", "--change", "curve=none")[1]
    assert "S2 -> none" in out and "early and soft" in out
    plain = json.loads(show("--part", "ctl", "--as-json")[1])
    assert {"part": "C16", "terminal": "a"} in plain["connected"] and plain["rest_v"] < 0.0
    assert json.loads(show("--part", "attack", "--as-json")[1])["position"] == pytest.approx(0.63531)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--part", "C160"), "no part, node, control or bank named 'C160'; did you mean"),
        (("--kind", "jfetty"), "there is no kind 'jfetty'; did you mean jfet?"),
        (("--kinds", "--units"), "exclude each other"),
        (("--to", "out.txt"), "a unit file ends in .toml"),
        (("--load", "600", "--change", "load=10k"), "--load: load is given by --change too"),
        (("--full-scale", "10", "--change", "full_scale_dbu=20"), "--full-scale: full_scale_dbu is given by --change"),
        (("--load", "600", "--change", "OUT=10k"), "one value given twice"),
        (("--change", "C2=220n", "--change", "C2.value=330n"), "one value given twice"),
        (("--change", "C2.=220n"), "C2."),
    ],
)
def test_refusals(show, tmp_path, monkeypatch, arguments, said):
    monkeypatch.chdir(tmp_path)
    status, out, error = show(*arguments)
    assert (status, out) == (2, "") and error.count("\n") == 1 and said in error
    assert list(tmp_path.iterdir()) == []


def test_a_changed_unit_is_written_and_loads_again(show, tmp_path):
    path = tmp_path / "bigger.toml"
    status, out, _ = show("--change", "C16=330n", "--change", "curve=S1+S3", "--to", path)
    assert status == 0 and "bigger.toml" in out
    text, original = path.read_text(), fetsim.load_unit("dunlin")
    comments = [line for line in original.path.read_text().splitlines() if line.startswith("#")]
    assert comments and set(comments) <= set(text.splitlines()) and tomllib.loads(text)
    again = fetsim.load_unit(path)
    assert again.parts["C16"].values["value"] == pytest.approx(330e-9) and again.banks["curve"].closed == ("S1", "S3")
    assert {name for name, _, _ in original.differences(again)} == {"C16", "curve"}
    assert show("--to", path)[0] == 2 and path.read_text() == text
    assert show("--unit", path, "--to", path, "--force")[0] in (0, 2) and tomllib.loads(path.read_text())


def test_the_version(capsys):
    with pytest.raises(SystemExit) as ending:
        main(["--version"])
    assert not ending.value.code and capsys.readouterr().out == f"fetsim {fetsim.__version__}\n"
