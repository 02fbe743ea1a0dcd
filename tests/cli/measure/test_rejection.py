"""``fetsim measure rejection``: page, files, picture, mistakes."""

import csv
import json

import pytest

from fetsim.cli.main import main


@pytest.fixture
def measure(capsys):
    """Runs it on a unit; (status, standard output, standard error)."""

    def run(unit, *arguments):
        with pytest.raises(SystemExit) as ending:
            main(["measure", "rejection", "--unit", unit, *map(str, arguments)])
        printed = capsys.readouterr()
        return ending.value.code or 0, printed.out, printed.err

    return run


def test_page_files_and_picture_of_two_versions(measure, tmp_path):
    tight = "R1.tolerance=0.1%, R2.tolerance=0.1%, R3.tolerance=0.1%, R4.tolerance=0.1%"
    files = ("--json", tmp_path / "r.json", "--csv", tmp_path / "r.csv", "--plot", tmp_path / "r.svg")
    options = ("--per-octave", "2", "--imbalance", "0, 10", "-v", "as it is:", "-v", f"tight: {tight}")
    status, out, err = measure("greenshank", *options, *files)
    assert (status, err) == (0, "")
    assert "10 ohm in one leg: 71.1 dB at 1 kHz as drawn" in " ".join(out.split())
    found = json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))
    parts = found["tables"]["parts"]["rows"]
    wide, close = (
        {row["part"]: row["rejection_at_1000hz_db"] for row in parts if row["version"] == label}
        for label in ("as it is", "tight")
    )
    assert close["R1"] - wide["R1"] == pytest.approx(20.0, abs=0.1)  # a tenth of the tolerance
    with (tmp_path / "r.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["imbalance"] for row in rows} == {"0 ohm", "10 ohm"}
    assert all(0.0 < float(row["worst_db"]) < float(row["rejection_db"]) for row in rows)
    assert (tmp_path / "r.svg").stat().st_size > 5000


@pytest.mark.parametrize(
    ("unit", "options", "told"),
    [
        ("teaching", (), "Teaching loop: its input IN is not balanced"),
        ("dunlin", (), "Dunlin: nothing of what both legs of IN have in common arrives at output"),
        ("greenshank", ("--imbalance", "-3"), "--imbalance: -3 is outside 0 to inf"),
        ("greenshank", ("--band", "20"), "--band: '20' is not FROM:TO"),
    ],
)
def test_what_cannot_be_measured_is_one_line(measure, unit, options, told):
    status, out, err = measure(unit, *options)
    assert (status, out) == (2, "")
    assert err.startswith(f"fetsim: {told}") and err.count("\n") == 1
