"""``fetsim wish``: the page, the files, the unit with the best combination, and what is refused in one line."""

import csv
import json
from pathlib import Path

import pytest

from fetsim.cli.main import main
from fetsim.schematic.load import load_unit
from tests.studies.spread.units import DIVIDER

QUICK = ("-u", "divider.toml", "--workers", "1", "-q", "draft")


@pytest.fixture
def wish(capsys, monkeypatch, tmp_path):
    """Runs the command on a divider; (status, standard output, standard error)."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    Path("divider.toml").write_text(DIVIDER)

    def run(*arguments):
        with pytest.raises(SystemExit) as ending:
            main(["wish", *QUICK, *arguments])
        printed = capsys.readouterr()
        return ending.value.code or 0, printed.out, printed.err

    return run


def test_page_files_and_unit(wish):
    """volts@d is 10 V * R4 / (R3 + 1 ohm + R4): 4 V with 15 kohm or with 20 kohm."""
    status, out, err = wish("--want", "volts@d=4V", "--want", "gain=same", "--may", "R3", "--figures", "volts@b",
                            "--json", "w.json", "--csv", "w.csv", "--plot", "w.svg", "--to", "best.toml")  # fmt: skip
    assert (status, err) == (0, "") and "Best: R3 15 kohm" in out
    assert "More of that: fetsim spread --change R3=15kohm --limit volts@d=3.95..4.05" in out
    assert "WHAT TOLERANCES LEAVE OF IT" in out and "Of 40 builds of it, tolerances leave " in out
    whole = json.loads(Path("w.json").read_text())["versions"][0]
    assert whole["found"][0]["values"] == {"R3": 15e3} and whole["provenance"]["unit"] == "Divider"
    rows = {row["combination"]: row for row in csv.DictReader(Path("w.csv").read_text().splitlines()) if row["R3"]}
    assert float(rows["as it is"]["volts@d"]) == pytest.approx(100e3 / 40001.0)
    assert float(rows["1"]["volts@d"]) == pytest.approx(100e3 / 25001.0) and rows["1"]["meets"] == "yes"
    assert Path("w.svg").exists() and load_unit("best.toml").parts["R3"].values["value"] == 15e3


def test_how_many_builds_are_drawn_and_by_which_seed_is_as_asked(wish):
    asked = ("--want", "volts@d=4V", "--may", "R3", "--best", "1")
    status, out, _ = wish(*asked, "--builds", "8", "--seed", "5")
    assert status == 0 and "Of 8 builds of it, " in out and "8 builds each, seed 5" in out
    status, out, _ = wish(*asked, "--builds", "0")
    assert status == 0 and "WHAT TOLERANCES LEAVE" not in out


def test_a_wish_that_cannot_be_met_is_told_with_status_1(wish):
    status, out, err = wish("--want", "volts@d=4V +-1mV", "--want", "gain=same", "--may", "R4=5k..12k")
    assert status == 1 and err == "fetsim: no combination meets every wish; see what is told above the tables\n"
    assert "R4 stands at its end, 12 kohm." in out and "2.857 V" in out  # 120 / 42.001


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        ((), "want: no figure is wished for"),
        (("--want", "gain=1dB"), "may: 0 parts may change"),
        (("--want", "gain=1dB", "--want", "gain=2dB", "--may", "R1"), "gain is wanted both as 1dB and as 2dB"),
        (("--want", "gain=1dB", "--may", "V1.nodes"), "may: V1.nodes may not change"),
        (("--want", "gain=1dB", "--may", "R9"), "may: there is no part or control 'R9'"),
        (("--want", "gain=1dB", "--may", "R1", "--best", "0"), "greater than or equal to 1"),
        (("--want", "gain=1dB", "--may", "R1", "--based"), "--based: says how --to writes"),
        (("--want", "gain=1dB", "--may", "R1", "--to", "divider.toml"), "divider.toml"),
    ],
)
def test_what_is_refused(wish, arguments, line):
    status, out, err = wish(*arguments)
    assert (status, out) == (2, "") and line in err and err.count("\n") == 1
    assert Path("divider.toml").read_text() == DIVIDER
