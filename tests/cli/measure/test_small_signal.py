"""``fetsim measure`` response, levels, noise and needle: pages, files, pictures, mistakes."""

import csv
import json
import re

import pytest

from fetsim.cli.main import main

PAGE = 100
MEASUREMENTS = {
    "response": ("--reduction", "0, 10", "--at", "preamp, dr"),
    "sweep": ("--level", "-10,0", "--frequency", "60,300", "--at", "dr"),
    "levels": ("--level", "-10"),
    "noise": ("--reduction", "0:20:10"),
    "needle": ("--level", "0", "--burst", "0.3", "--tail", "0.2"),
}
SECTIONS = {
    "response": (
        "SUMMARY, RE 1 KHZ", "STATES", "RESPONSE PREAMP, AT REST", "RESPONSE DR, AT REST",
        "RESPONSE PREAMP, HELD AT 10 DB", "RESPONSE DR, HELD AT 10 DB", "DEFINITIONS",
    ),
    "sweep": ("DISTORTION AGAINST FREQUENCY", "DEFINITIONS"),
    "levels": ("LEVELS", "DEFINITIONS"),
    "noise": ("LEVELS", "LARGEST CONTRIBUTORS TO THE NOISE POWER", "DEFINITIONS"),
    "needle": ("READINGS", "TRACE", "DEFINITIONS"),
}


@pytest.fixture
def measure(capsys):
    """Runs a measurement of the teaching unit; (status, standard output, standard error)."""

    def run(*arguments):
        with pytest.raises(SystemExit) as ending:
            main(["measure", *map(str, arguments), "--unit", "teaching"])
        printed = capsys.readouterr()
        return ending.value.code or 0, printed.out, printed.err

    return run


def test_a_bad_version_is_named_and_the_others_are_measured(measure, tmp_path):
    """With R1 at 100 ohm the FET cannot reach 20 dB of gain reduction."""
    file = tmp_path / "noise.json"
    options = ("noise", "--reduction", "20", "-v", "as it is:", "-v", "small: R1=100", "--json", file)
    status, out, err = measure(*options)
    assert status == 1 and "held at 20 dB" in out
    assert err.startswith("fetsim: version 'small': not measured: gain reduction: Teaching loop cannot reach 20 dB")
    good, bad = json.loads(file.read_text())["versions"]
    assert good["label"] == "as it is" and good["states"]
    assert bad["label"] == "small" and "cannot reach 20 dB" in bad["problem"]


def test_when_no_version_can_be_measured(measure, tmp_path):
    file = tmp_path / "noise.json"
    small = ("-v", "small: R1=100", "-v", "smaller: R1=51")
    status, out, err = measure("noise", "--reduction", "20", *small, "--json", file)
    assert (status, out) == (2, "") and not file.exists()
    assert [line.split(":")[1] for line in err.splitlines()] == [" version 'small'", " version 'smaller'"]
    assert measure("noise", "--reduction", "-1", *small)[2].count("\n") == 1  # one mistake is told once


@pytest.mark.parametrize("what", MEASUREMENTS)
def test_page_and_files(measure, tmp_path, what):
    files = {kind: tmp_path / f"{what}.{kind}" for kind in ("json", "csv", "svg")}
    options = ("--json", files["json"], "--csv", files["csv"], "--plot", files["svg"])
    status, out, err = measure(what, *MEASUREMENTS[what], *options)
    assert (status, err) == (0, "")
    assert max(map(len, out.splitlines())) <= PAGE
    assert [line for line in out.splitlines() if line.isupper() or line.startswith("SUMMARY")] == list(SECTIONS[what])
    assert "nan" not in out and "inf " not in out
    document = json.loads(files["json"].read_text())
    assert (document["measurement"], document["unit"], document["quality"]) == (what, "Teaching loop", "standard")
    assert [one["label"] for one in document["versions"]] == [""]
    with files["csv"].open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) > 1 and all(None not in row for row in rows)
    assert files["svg"].read_text().startswith("<?xml")


@pytest.mark.parametrize("what", MEASUREMENTS)
def test_versions_side_by_side(measure, tmp_path, what):
    picture = tmp_path / "both.png"
    document = tmp_path / "both.json"
    versions = ("--version", "as it is:", "--version", "half: R1=2k35")
    status, out, _ = measure(what, *MEASUREMENTS[what], *versions, "--plot", picture, "--json", document)
    assert status == 0
    assert "as it is" in out.lower() and "half" in out.lower()
    assert picture.read_bytes().startswith(b"\x89PNG")
    second = json.loads(document.read_text())["versions"][1]
    assert second["label"] == "half"
    assert [change["name"] for change in second["changes"]] == ["R1"]


def test_figures_on_the_pages(measure):
    """The teaching unit's gain 25 * 10k/10.1k; a closed loop; -87.95 dBu by 4kTR of 4750 ohm; 1.25 % overshoot."""
    _, out, _ = measure("response", "--level", "0", "--reduction", "0", "--check")
    flat = " ".join(out.split())
    assert "at rest +27.864" in flat
    assert "output loop closed, +0 dBu 16.92 -" in flat
    assert re.search(r"output at rest 7 20 Hz 20 kHz 0\.00", flat)
    flat = " ".join(measure("noise")[1].split())
    assert "at rest -88.0" in flat and "R1 thermal 98.9" in flat and "source of 50 ohm (its noise included)" in flat
    assert "not the quasi-peak meter" in flat
    flat = " ".join(measure("levels")[1].split())
    assert "divider clips first" in flat and "the resting FET itself" in flat


def test_needle_of_a_log(measure, tmp_path):
    """A log as render writes it: 4 dB for 2 s."""
    log, picture, document = (tmp_path / name for name in ("gain.csv", "meter.png", "needle.json"))
    rows = [f"1,{(k + 0.5) / 200:.6f},{4.0 if k > 20 else 0.0}" for k in range(400)]
    log.write_text("\n".join(["channel,time_s,gain_reduction_mean_db", *rows]) + "\n")
    status, out, _ = measure("needle", "--from-log", log, "--meter", picture, "--when", "1.5", "--json", document)
    assert status == 0
    flat = " ".join(out.split())
    reading = re.search(r"asked needle .*? (4\.05) \d\.\d+ (4\.00) \d\.\d+ 1\.500 (4\.00) (4\.00) ", flat)
    assert reading, flat
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert json.loads(document.read_text())["log"] == str(log)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("response", "--at", "nowhere"), "no node or probe 'nowhere'"),
        (("response", "--reduction", "40"), "cannot reach 40 dB; it has at most 30.28 dB"),
        (("response", "--band", "100:50"), "does not rise"),
        (("response", "--reduction", "ten"), "--reduction: 'ten' is neither"),
        (("levels", "--at", "dr, nowhere"), "no node or probe 'nowhere'"),
        (("levels", "--clip-distortion", "0"), "above zero"),
        (("levels", "--level", "100"), "must lie within"),
        (("noise", "--at", "nowhere"), "no node or probe 'nowhere'"),
        (("noise", "--reduction", "-2"), "at least 0"),
        (("noise", "--plot", "noise.gif"), "choose one of these suffixes"),
        (("needle", "--from-log", "none.csv"), "no such file"),
        (("needle", "--from-log", "none.csv", "--version", "a: R1=1k"), "leave out --version"),
        (("needle", "--burst", "0.1", "--tail", "0", "--when", "3"), "outside the trace"),
        (("needle", "--meter", "meter.txt"), "choose one of these suffixes"),
    ],
)
def test_mistakes_are_one_line_and_leave_nothing(measure, tmp_path, monkeypatch, arguments, message):
    monkeypatch.chdir(tmp_path)
    status, out, err = measure(*arguments, "--json", "kept.json")
    assert status == 2 and out == ""
    assert err.startswith("fetsim: ") and err.count("\n") == 1 and message in err
    assert list(tmp_path.iterdir()) == []
