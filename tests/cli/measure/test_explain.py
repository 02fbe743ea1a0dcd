"""``fetsim measure explain``: page, files, mistakes."""

import csv
import json

import numpy as np
import pytest

from fetsim.cli.main import main

PAGE = 100
SHORT = ("--quality", "draft", "--burst", "0.02", "--unit", "teaching")


@pytest.fixture
def explain(capsys, monkeypatch):
    """Runs the command; (status, standard output, standard error)."""
    monkeypatch.setenv("COLUMNS", str(PAGE))

    def run(*arguments):
        with pytest.raises(SystemExit) as ending:
            main(["measure", "explain", *map(str, arguments)])
        printed = capsys.readouterr()
        return ending.value.code or 0, printed.out, printed.err

    return run


def test_page_and_files(explain, tmp_path):
    files = {kind: tmp_path / f"loop.{kind}" for kind in ("json", "csv", "svg")}
    options = ("--json", files["json"], "--csv", files["csv"], "--plot", files["svg"])
    status, out, err = explain(*SHORT, "--change", "C2=220n", *options)
    assert (status, err) == (0, "")
    assert max(map(len, out.splitlines())) <= PAGE
    assert [line for line in out.splitlines() if line.isupper()] == ["ROUND THE LOOP", "DEFINITIONS"]
    document = json.loads(files["json"].read_text())
    (version,) = document["versions"]
    assert version["changes"] == [{"name": "C2", "before": "150 nF", "after": "220 nF"}]
    flat = " ".join(out.split())
    for row in document["tables"]["loop"]["rows"]:  # the page holds the same sentences
        assert row["sentence"] in flat
    assert version["figures"]["control"]["release_tau_s"] == pytest.approx(0.22, rel=2e-3)  # R4 C2
    with files["csv"].open(newline="") as file:
        rows = list(csv.DictReader(file))
    time = np.array([float(row["time_s"]) for row in rows])
    assert np.all(np.diff(time) > 0.0)
    control = np.array([float(row["control_v"]) for row in rows])
    assert control[0] == pytest.approx(version["figures"]["control"]["rest_v"], abs=1e-3)
    assert files["svg"].read_text().startswith("<?xml")


def test_points_and_settings_are_taken(explain, tmp_path):
    to = tmp_path / "loop.json"
    options = ("--level", "-5", "--before", "-40", "--frequency", "2000", "--phase", "90", "--tail", "0.1")
    assert explain(*SHORT, *options, "--tap", "dr", "--rectifier", "an, ctl", "--json", to)[0] == 0
    one = json.loads(to.read_text())["versions"][0]
    assert one["burst"]["level_dbu"] == -5.0 and one["burst"]["phase_deg"] == 90.0
    assert one["points"]["tap"]["plus"] == "dr" and len(one["points"]["rectifier"]) == 2


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--level", "-30", "--before", "-20"), "must be louder"),
        (("--tap", "nowhere"), "no node or probe 'nowhere'"),
        (("--frequency", "0"), "frequency"),
        (("--plot", "loop.gif"), ".gif"),
        (("--motion", "loop.svg"), "is an .html file"),
        (("--film", "loop.avi"), "a film is a .gif"),
        (("--motion", "loop.html", "--burst", "2"), "too long to be shown in slow motion"),
        (("--change", "R99=1k"), "R99"),
    ],
)
def test_bad_input_is_one_line_and_status_two(explain, tmp_path, monkeypatch, arguments, said):
    monkeypatch.chdir(tmp_path)
    status, out, err = explain(*SHORT, *arguments)
    assert status == 2 and out == ""
    assert err.count("\n") == 1 and err.startswith("fetsim: ") and said in err
    assert not list(tmp_path.iterdir())


def test_page_and_film_are_written_with_the_rest(explain, tmp_path):
    page, to = tmp_path / "slow.html", tmp_path / "loop.json"
    status, out, err = explain(*SHORT, "--tail", "0.1", "--motion", page, "--json", to)
    assert (status, err) == (0, "") and "ROUND THE LOOP" in out
    assert page.read_text().startswith("<!doctype html>") and to.exists()
    assert explain(*SHORT, "--motion", page)[0] == 2  # it is there


def test_nothing_is_overwritten_unasked(explain, tmp_path):
    there = tmp_path / "loop.json"
    there.write_text("mine")
    assert explain(*SHORT, "--json", there)[0] == 2
    assert there.read_text() == "mine"
    assert explain(*SHORT, "--json", there, "--force")[0] == 0
    assert there.read_text().startswith("{")
