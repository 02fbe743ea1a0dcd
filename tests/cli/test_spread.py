"""``fetsim spread``: the page, the files, the extreme builds, and what is refused in one line."""

import csv
import json
from pathlib import Path

import pytest

from fetsim.cli import spread as command
from fetsim.cli.main import main
from fetsim.schematic.load import load_unit
from fetsim.studies import kept as keeping
from tests.studies.spread.units import DIVIDER

QUICK = ("--workers", "1", "-q", "draft", "--figures", "gain, volts@d")


@pytest.fixture
def spread(capsys, monkeypatch, tmp_path):
    """Runs the command on a divider; (status, standard output, standard error)."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    Path("divider.toml").write_text(DIVIDER)

    def run(*arguments):
        with pytest.raises(SystemExit) as ending:
            main(["spread", "-u", "divider.toml", *QUICK, *arguments])
        printed = capsys.readouterr()
        return ending.value.code or 0, printed.out, printed.err

    return run


@pytest.mark.slow
def test_page_files_and_extreme_builds(spread):
    status, out, _ = spread("-n", "40", "--limit", "gain=-9.7..-9.4", "--curve=-20:0:10", "--moves", "10%",
                            "--reading", "gain=-3",
                            "--json", "s.json", "--csv", "s.csv", "--plot", "s.svg", "--parts-plot", "p.svg",
                            "--to", "ends")  # fmt: skip
    assert status == 0
    for section in ("FIGURES OF ALL BUILDS", "YIELD", "GAIN REDUCTION ALONG", "PARTS TO BLAME", "VOLTS AT REST",
                    "10 % MORE OF A VALUE", "WHAT WAS READ", "rather a fault"):  # fmt: skip
        assert section in out
    whole = json.loads(Path("s.json").read_text())
    rows = list(csv.DictReader(Path("s.csv").read_text().splitlines()))
    assert len(rows) == 40 and float(rows[7]["gain"]) == pytest.approx(whole["columns"]["gain"][7], rel=1e-7)
    assert whole["provenance"]["unit"] == "Divider" and whole["seed"] == 1 and whole["exact"] == {"V1": "no tolerance"}
    assert Path("s.svg").exists() and Path("p.svg").exists()
    assert {one.name for one in Path("ends").iterdir()} == {
        "gain-worst.toml", "volts-at-d-lowest.toml", "volts-at-d-highest.toml"
    }  # fmt: skip
    lowest = load_unit("ends/volts-at-d-lowest.toml")
    row = min(rows, key=lambda one: float(one["volts@d"]))
    assert lowest.name == f"Divider, build {row['build']}: volts@d-lowest"
    assert whole["readings"][0]["higher"]["met"] == 0 and whole["readings"][0]["value"] == -3.0
    again = spread("-n", "40", "--limit", "gain=-9.7..-9.4", "--curve=-20:0:10", "--moves", "10%")[1]
    assert again.splitlines()[:20] == out.splitlines()[:20]
    for part in ("R1", "R4"):  # what a build differs in stands beside its figures
        assert float(rows[7][part]) == pytest.approx(whole["changes"][7][part], rel=1e-7)


def test_what_varies_is_told_in_short_and_value_by_value_where_that_is_asked_for(spread):
    short, whole = (spread("-n", "4", *more)[1].partition("WHAT VARIES")[2] for more in ((), ("--whole",)))
    assert "tolerance 5 %   normal       1  R1" in short and "9.5 kohm" not in short
    assert "R1     normal  9.5 kohm   10 kohm  10.5 kohm  tolerance 5 %" in whole


def test_after_ctrl_c_it_goes_on_from_there(spread, monkeypatch):
    original = command.spread_of_unit

    def interrupted(unit, *, progress, **asked):
        def stop(share):
            progress(share)
            if share > 0.2:
                raise KeyboardInterrupt

        return original(unit, progress=stop, **asked)

    monkeypatch.setattr(command, "spread_of_unit", interrupted)
    status, out, err = spread("-n", "20", "--json", "s.json")
    assert (status, out) == (130, "") and not Path("s.json").exists()
    assert "% is done and kept; the same command goes on from there" in err and "nothing was written" in err
    monkeypatch.setattr(command, "spread_of_unit", original)
    left = []
    work = keeping.run_apart
    monkeypatch.setattr(
        keeping, "run_apart", lambda jobs, *rest, **more: left.extend(jobs) or work(jobs, *rest, **more)
    )
    assert spread("-n", "20")[0] == 0 and 0 < len(left) < 6


def test_builds_without_a_figure_are_told_in_the_status(spread):
    status, out, err = spread("-n", "8", "--figures", "gain, low_corner")
    assert status == 1 and "8 of 8 builds lack a figure" in err
    assert "8 builds lack a figure" in " ".join(out.split())


@pytest.mark.parametrize("arguments, wanted", [
    (["-n", "0"], "builds: 0 cannot be drawn"), (["-n", "1000000000"], "builds: 1000000000 cannot be drawn"),
    (["--limit", "gain"], "limit: 'gain' is not NAME=LOW..HIGH"), (["--limit", "gain=2..1"], "runs backwards"),
    (["--limit", "gain=..1", "--limit", "gain=2.."], "contradict each other"),
    (["--figures", "gin"], "figure: none named 'gin'; did you mean gain?"), (["--figures", ","], "--figures: is empty"),
    (["--varying", "V1"], "part: V1 does not vary: no tolerance"),
    (["--shares", "X1"], "part: 'X1' is nothing that varies"),
    (["--frequency", "nan"], "--frequency: "),
    (["--step-frequency", "inf"], "--step-frequency: "),
    (["--law", "uniform"], "--law: 'uniform' is not KIND=LAW"), (["--law", "all=a", "--law", "all=b"], "given twice"),
    (["--moves", "1V"], "--moves: '1V' is"), (["--plane", "gain"], "are not two figures"),
    (["--plane", "gain, nothing"], "figure: none named 'nothing'"), (["--plot", "a.txt"], "pictures are"),
    (["--to", "."], "folder you are in"), (["--curve", "a"], "--curve: 'a' is neither"), (["--seed", "-1"], "seed: -1"),
    (["--figures", "threshold"], "no [gain_cell]"), (["--workers", "0"], "workers: 0 can do nothing"),
])  # fmt: skip
def test_what_is_refused(spread, arguments, wanted):
    before = sorted(Path().iterdir())
    status, out, err = spread(*arguments)
    assert (status, out) == (2, "") and wanted in err and len(err.splitlines()) == 1
    assert [one for one in sorted(Path().iterdir()) if one.name != "cache"] == [p for p in before if p.name != "cache"]
