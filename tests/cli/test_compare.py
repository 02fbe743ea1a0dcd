"""``fetsim compare``: arguments, tables, what is refused, what the exit status says."""

import csv
import json

import numpy as np
import pytest
import soundfile

import fetsim.studies.compare.study
from fetsim.cli.main import main
from fetsim.errors import ConvergenceError
from fetsim.files.user_cache import UserCache
from fetsim.studies.compare import playing, takes
from fetsim.studies.compare.comparison import BenchFigures

RATE_HZ = 48000
PAGE = 100
FAST = ("--unit", "teaching", "--quality", "draft")


@pytest.fixture(autouse=True)
def place(tmp_path, monkeypatch):
    """An empty current folder with a second of sound, a cache beside it, and no bench."""
    (tmp_path / "cache").mkdir()
    monkeypatch.setattr(fetsim.studies.compare.study, "user_cache", lambda kind: UserCache(tmp_path / "cache"))
    figures = BenchFigures(
        threshold_dbu=-10.0, attack_ms=1.25, release_ms=None, thd_percent=0.1,
        reasons={"release_ms": "the trace is too short"},
    )
    monkeypatch.setattr(playing, "kept_figures", lambda *_: figures)
    folder = tmp_path / "here"
    folder.mkdir()
    monkeypatch.chdir(folder)
    t = np.arange(RATE_HZ) / RATE_HZ
    sound = 0.1 * np.random.default_rng(3).standard_normal(RATE_HZ) * np.exp(-5.0 * (t % 0.25))
    soundfile.write("jingle.wav", sound, RATE_HZ)
    return folder


@pytest.fixture
def compare(capsys):
    """Runs the command; (status, standard output, standard error)."""

    def run(*arguments):
        with pytest.raises(SystemExit) as ending:
            main(["compare", "jingle.wav", *FAST, *arguments])
        printed = capsys.readouterr()
        return ending.value.code or 0, printed.out, printed.err

    return run


def test_noise_is_the_same_in_all_versions(compare, place):
    """A version that changes nothing that is heard adds nothing, though its noise is there; it is told; and a take
    with noise is not mistaken for one without."""
    soundfile.write("jingle.wav", np.zeros(RATE_HZ // 2), RATE_HZ)
    silence = ("--match", "none", "--no-page", "-v", "same: C2=150n", "-v", "other: C2=151n")
    heard = []
    for folder, noise in (("quiet", ()), ("noisy", ("--noise", "--seed", "5"))):
        status, out, err = compare(*silence, *noise, "--to", folder)
        assert status == 0 and (not err or "compiling the solver" in err)
        told = json.loads((place / folder / "comparison.json").read_text())
        assert ("noise of the parts" in told["settings"]) is bool(noise) and ("seed 5" in out) is bool(noise)
        heard.append([soundfile.read(path)[0] for path in sorted((place / folder).glob("*.wav"))])
    assert max(np.abs(one).max() for one in heard[0]) < 1e-6
    assert any(np.std(one[5000:]) > 1e-6 for one in heard[1])
    assert compare("-v", "same: C2=150n", "--seed", "5")[0] == 2


def test_tables_and_folder(compare, place):
    status, out, err = compare("--version", "bigger cap: C2=330n", "-v", "same: C2=150n", "--no-page")
    assert (status, err) == (0, "")
    assert max(map(len, out.splitlines())) <= PAGE
    titles = [line for line in out.splitlines() if line.isupper()]
    assert titles == ["COMPARED", "VERSIONS", "LEVELS", "FIGURES", "AT REST", "TAKE CARE", "DEFINITIONS", "WRITTEN"]
    flat = " ".join(out.split())
    for wanted in (
        "title jingle.wav through Teaching loop", "1.00 s, 48 kHz, mono", "loudness (ITU-R BS.1770)",
        "1 bigger cap C2 150 nF -> 330 nF", "no difference", "-10.0 1.25 - 0.100", "release: the trace is too short",
        "Turn the monitors down", "same: nothing is changed", "folder jingle-compared/",
    ):  # fmt: skip
        assert wanted in flat, wanted
    names = {path.name for path in (place / "jingle-compared").iterdir()}
    assert names == {
        "0-as-built.flac", "0-as-built.wav", "1-bigger-cap.flac", "1-bigger-cap.wav", "1-bigger-cap-difference.flac",
        "1-bigger-cap-difference.wav", "2-same.flac", "2-same.wav", "comparison.csv", "comparison.json",
    }  # fmt: skip
    with (place / "jingle-compared" / "comparison.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["version"] for row in rows] == ["as built", "bigger cap", "same"]
    assert float(rows[1]["threshold_dbu"]) == -10.0 and rows[1]["release_ms"] == rows[0]["difference_db"] == ""
    table = json.loads((place / "jingle-compared" / "comparison.json").read_text("utf-8"))
    assert [one["label"] for one in table["versions"]] == ["as built", "bigger cap", "same"]
    assert [len(one["provenance"]["changes"]) for one in table["versions"]] == [0, 1, 0]
    assert {one["provenance"]["unit"] for one in table["versions"]} == {"Teaching loop"}
    assert [row["version"] for row in table["tables"]["figures"]["rows"]] == ["as built", "bigger cap", "same"]
    assert {one["text"] for one in table["tables"]["figures"]["missing"]} == {"the trace is too short"}
    told = {" ".join(one["meaning"].split()) for one in table["definitions"]}
    assert told and all(text in flat for text in told)


def test_page_and_overwriting(compare, place):
    assert compare("-v", "a: C2=330n", "--to", "out", "--quiet") == (0, "", "")
    assert (place / "out" / "listen.html").read_text("utf-8").startswith("<!doctype html>")
    status, out, err = compare("-v", "b: C2=330n", "--to", "out")
    assert (status, out) == (2, "") and "out: exists already" in err
    assert compare("-v", "b: C2=330n", "--to", "out", "--force", "--no-page", "--quiet") == (0, "", "")
    assert {path.name for path in (place / "out").glob("*.flac")} == {
        "0-as-built.flac", "1-b.flac", "1-b-difference.flac",
    }  # fmt: skip
    assert not (place / "out" / "listen.html").exists()


def test_file_of_versions_common_changes_and_matching(compare, place):
    (place / "ideas.toml").write_text('title = "Ideas"\n[versions."more <b>gain</b>"]\nA1.gain = 30\n')
    status, out, _ = compare(
        "--versions", "ideas.toml", "-v", "less: A1.gain=20", "--change", "R4=2M", "--load", "5k", "--match", "none",
        "--no-page",
    )  # fmt: skip
    flat = " ".join(out.split())
    assert status == 0 and "title Ideas" in flat and "1 more <b>gain</b> A1 25 -> 30" in flat
    assert "R4 1 Mohm -> 2 Mohm" in flat and "OUT 10 kohm -> 5 kohm" in flat
    assert "nothing: levels as they came out (asked for)" in flat and "Levels are not matched" in flat
    assert "2 less A1 25 -> 20" in flat


def test_hostile_names_stay_in_their_cells(compare):
    name = "\N{RIGHT-TO-LEFT OVERRIDE}[red]x[/red]" + "\N{FACE WITH TEARS OF JOY}" * 200
    status, out, _ = compare("-v", f"{name}: C2=330n", "--title", "[bold]t\N{RIGHT-TO-LEFT OVERRIDE}", "--no-page")
    assert status == 0 and "?[red]x[/red]" in out and "[bold]t?" in out
    assert "\N{RIGHT-TO-LEFT OVERRIDE}" not in out


@pytest.mark.parametrize(
    ("arguments", "lines"),
    [
        ((), ["none is given"]),
        (("-v", "C2=330n", "-v", "a: C2"), ["is not 'LABEL: NAME=VALUE", "'C2' is not NAME=VALUE"]),
        (("-v", "a: C9=1n", "-v", "b: C2=1x, R9=3"), ["'a': teaching.toml: C9", "'b': teaching.toml: R9", "C2"]),
        (("-v", "a: C2=1n", "-v", "A: C2=2n"), ["two versions have this label"]),
        (("-v", "as built: C2=1n"), ["the untouched unit's"]),
        (("-v", "a: C2=1n", "--match", "ears"), ["unknown matching 'ears'"]),
        (("-v", "a: C2=1n", "--change", "R9=1"), ["R9"]),
        (("--versions", "none.toml"), ["none.toml: no such file"]),
        (("-v", "a: C2=1n", "--to", "no/where"), ["make it first"]),
        (("-v", "a: C2=1n", "--to", "jingle.wav"), ["is a file"]),
    ],
)
def test_refusals(compare, place, arguments, lines):
    status, out, err = compare(*arguments)
    assert status == 2 and out == ""
    told = err.splitlines()
    assert len(told) == len(lines)
    for line, wanted in zip(told, lines, strict=True):
        assert line.startswith("fetsim: ") and wanted in line
    assert [path.name for path in place.iterdir()] == ["jingle.wav"]


def test_a_failed_version_is_named_and_the_others_written(compare, place, monkeypatch):
    class Failing(takes.Player):
        def __init__(self, unit, *rest, **more):
            if unit.parts["C2"].values["value"] == 1e-9:
                raise ConvergenceError("no bias point: the current at node rc does not settle")
            super().__init__(unit, *rest, **more)

    monkeypatch.setattr(takes, "Player", Failing)
    status, out, err = compare("-v", "bad: C2=1n", "-v", "good: C2=330n", "-v", "wrong: C9=1", "--keep-going")
    assert status == 1
    assert "NOT PLAYED" in out and "bad: no bias point" in out
    first, second, last = err.splitlines()
    assert first == "fetsim: version 'bad': no bias point: the current at node rc does not settle"
    assert second.startswith("fetsim: version 'wrong': teaching.toml: C9")
    assert last == "fetsim: the other versions are written to jingle-compared"
    assert (place / "jingle-compared" / "2-good.flac").exists() and not list(place.glob("jingle-compared/1-*"))
