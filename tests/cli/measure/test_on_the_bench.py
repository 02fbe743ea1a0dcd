"""``fetsim measure`` curve, timing and distortion: pages, files, pictures, mistakes."""

import csv
import json
import re

import numpy as np
import pytest
import soundfile

from fetsim.audio.render import render
from fetsim.cli.main import main

PAGE = 100
MEASUREMENTS = {
    "curve": ("--level", "-30:20:10"),
    "timing": ("--before", "-20", "--level", "-5", "--phases", "2"),
    "distortion": ("--level", "-20, -10", "--no-two-tones"),
}
SECTIONS = {
    "curve": ("THRESHOLDS AND RATIOS", "CURVE", "DEFINITIONS"),
    "timing": ("TEACHING LOOP: -20.0 DBU TO -5.0 DBU AND BACK", "DEFINITIONS"),
    "distortion": ("ONE TONE", "THD+N", "DEFINITIONS"),
}


@pytest.fixture
def measure(capsys, monkeypatch):
    """Runs a measurement; (status, standard output, standard error)."""

    def run(*arguments, unit="teaching", width=PAGE):
        monkeypatch.setenv("COLUMNS", str(width))
        chosen = () if unit is None else ("--unit", unit)
        with pytest.raises(SystemExit) as ending:
            main(["measure", *map(str, arguments), *chosen])
        printed = capsys.readouterr()
        return ending.value.code or 0, printed.out, printed.err

    return run


def rows_of(path):
    with path.open() as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("what", MEASUREMENTS)
def test_page_and_files(measure, tmp_path, what):
    files = {kind: tmp_path / f"{what}.{kind}" for kind in ("json", "csv", "svg")}
    options = [text for kind, option in (("json", "--json"), ("csv", "--csv"), ("svg", "--plot"))
               for text in (option, files[kind])]  # fmt: skip
    status, page, error = measure(what, *MEASUREMENTS[what], *options)
    assert (status, error) == (0, "")
    for title in SECTIONS[what]:
        assert title in page.splitlines()
    assert max(map(len, page.splitlines())) <= PAGE
    found = json.loads(files["json"].read_text())
    assert found["measurement"] == what and found["unit"] == "Teaching loop"
    (version,) = found["versions"]
    assert version["changes"] == [] and version["label"] == ""
    assert rows_of(files["csv"])
    assert "<svg" in files["svg"].read_text()


@pytest.mark.parametrize("width", [60, 80, 200])
def test_no_figure_is_cut_in_a_narrow_terminal(measure, width):
    """The same figures with their units at every width, though not on the same lines."""
    status, page, _ = measure("timing", *MEASUREMENTS["timing"], width=width)
    assert status == 0 and "…" not in page
    found = re.findall(r"(?<=  )[\d.]+ (?:us|ms|s)(?=\s)", page)
    assert len(found) >= 8 and sorted(found) == sorted(
        re.findall(r"(?<=  )[\d.]+ (?:us|ms|s)(?=\s)", measure("timing", *MEASUREMENTS["timing"], width=300)[1])
    )


def test_versions_are_told_apart(measure, tmp_path):
    table, data = tmp_path / "c.csv", tmp_path / "c.json"
    status, page, _ = measure(
        "curve", "--level", "-24:0:8", "-v", "as it is:", "-v", "later: V1.voltage=-9V", "--csv", table, "--json", data
    )
    assert status == 0
    assert "CURVE AS IT IS" in page and "CURVE LATER" in page
    rows = rows_of(table)
    assert {row["version"] for row in rows} == {"as it is", "later"}
    loudest = {row["version"]: float(row["output_dbu"]) for row in rows if row["level_dbu"] == "0"}
    assert loudest["later"] > loudest["as it is"] + 1.0  # 2 V more of delay bias
    changes = {one["label"]: one["changes"] for one in json.loads(data.read_text())["versions"]}
    assert changes["later"] == [{"name": "V1", "before": "-7 V", "after": "-9 V"}]


def test_curves_of_switch_subsets(measure):
    """Alike within 0.25 dB: what S1 adds to S3, to S2 and S3 together, or to nothing."""
    status, page, _ = measure(
        "curve", "--level", "-9:-5:2", "--switches", "S1, S2+S3", "--wait", "0.02", "--quality", "draft", unit="dunlin"
    )
    assert status == 0
    assert "CURVE S1" in page and "CURVE S2+S3" in page and "0.02 s at every rising level" in page
    assert "SWITCH SETTINGS WHOSE CURVES STAY WITHIN 0.25 DB" in page and "S3 and S1+S3" in page


def test_a_selector_that_is_varied_has_one_curve_a_position(measure):
    status, page, _ = measure(
        "curve", "--level", "-30:0:10", "--quality", "draft", "--vary", "SW1=gentle, steep", unit="greenshank"
    )
    assert status == 0
    titles = [line for line in page.splitlines() if line.startswith("CURVE SW1=")]
    assert titles == ["CURVE SW1=GENTLE, GENTLE", "CURVE SW1=STEEP, STEEP"] and "STAY WITHIN" not in page


def test_the_tolerance_asked_for_is_the_one_told(measure, tmp_path):
    """A tolerance that nothing meets is told as such, not as the default."""
    data = tmp_path / "c.json"
    status, page, _ = measure(
        "curve", "--level", "-9:-5:2", "--switches", "S1", "--wait", "0.02", "--quality", "draft", "--within",
        "0.000001", "--json", data, unit="dunlin",
    )  # fmt: skip
    assert status == 0
    assert "none of the 8 settings has a curve within 1e-06 dB of another's." in page and "0.25 dB" not in page
    assert json.loads(data.read_text())["versions"][0]["equal_db"] == 1e-6


def test_a_grid_of_settings(measure, tmp_path):
    table, picture = tmp_path / "g.csv", tmp_path / "g.png"
    status, page, _ = measure(
        "timing", "--vary", "R3=1k, 4k7, 22k", "--vary", "R4=220k, 470k", "--before", "silence", "--level", "-5",
        "--phases", "1", "--csv", table, "--plot", picture,
    )  # fmt: skip
    assert status == 0
    assert "ALL SETTINGS" in page and max(map(len, page.splitlines())) <= PAGE
    rows = rows_of(table)
    assert len(rows) == 12
    assert {(row["R3"], row["R4"]) for row in rows} == {(a, b) for a in ("1k", "4k7", "22k") for b in ("220k", "470k")}
    release = {(row["R3"], row["R4"]): float(row["t63_s"]) for row in rows if row["step"] == "release"}
    assert release["1k", "470k"] > 1.8 * release["1k", "220k"]
    assert {row["before_dbu"] for row in rows} == {"silence"}
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_a_recorded_pair(measure, tmp_path):
    rate_hz = 96000
    time = np.arange(round(0.5 * rate_hz)) / rate_hz
    level = np.where((time >= 0.05) & (time < 0.2), 0.1, 0.01)
    dry = level * np.sin(2.0 * np.pi * 5000.0 * time)
    wet = render(dry, rate_hz, unit="teaching").output
    paths = [tmp_path / "in.wav", tmp_path / "out.wav"]
    for path, samples in zip(paths, (dry, -0.5 * wet), strict=True):
        soundfile.write(path, samples, rate_hz, "FLOAT")
    data, picture = tmp_path / "t.json", tmp_path / "t.svg"
    status, page, error = measure("timing", "--capture", *paths, "--json", data, "--plot", picture, unit=None)
    assert (status, error) == (0, "")
    assert "upside down (turned round)" in page and "STEP 1: ATTACK AT 0.0500 S, INPUT +20.0 DB" in page
    assert [step["timing"]["kind"] for step in json.loads(data.read_text())["steps"]] == ["attack", "release"]
    assert "<svg" in picture.read_text()


def test_trim(measure, tmp_path):
    table, picture = tmp_path / "n.csv", tmp_path / "n.png"
    status, page, _ = measure(
        "distortion", "--null", "R1", "--span", "10", "--steps", "3", "--level", "-10", "--csv", table,
        "--plot", picture,
    )  # fmt: skip
    assert status == 0
    assert "Least" in page and "% from the present value): " in page
    assert [row["value"] for row in rows_of(table)] == ["4230", "4700", "5170"]
    assert picture.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("curve", "--level", "5:1:1"), "--level: '5:1:1' is not FROM:TO:STEP"),
        (("curve", "--switches", "S1"), "Teaching loop has no switches"),
        (("timing", "--before", "quiet"), "--before: 'quiet' is neither a level in dBu nor silence"),
        (("timing", "--vary", "R3"), "--vary: 'R3' is not 'NAME=VALUE, VALUE"),
        (("timing", "--vary", "R3=1k", "--vary", "R3=2k"), "--vary: R3 is given twice"),
        (("timing", "--vary", "R33=1k, 2k", "--before", "-20", "--level", "0"), "R33: no part"),
        (("timing", "--capture", "a.wav", "b.wav"), "a.wav: no such file"),
        (("distortion", "--level", "0", "--reduction", "3"), "--level, --reduction: give one of the two"),
        (("distortion", "--quality", "best", "--level", "0"), "quality: there is no 'best'"),
    ],
)
def test_mistakes_are_one_line(measure, tmp_path, monkeypatch, arguments, message):
    monkeypatch.chdir(tmp_path)
    status, page, error = measure(*arguments, "--csv", tmp_path / "x.csv")
    assert (status, page) == (2, "")
    assert len(error.splitlines()) == 1 and message in error
    assert list(tmp_path.iterdir()) == []


def test_stereo_recordings_are_refused(measure, tmp_path):
    path = tmp_path / "two.wav"
    soundfile.write(path, np.zeros((1000, 2)), 48000)
    status, _, error = measure("timing", "--capture", path, path, unit=None)
    assert status == 2 and "has 2 channels" in error


def test_a_temperature_that_no_part_stands_is_named_and_the_others_are_there(measure):
    options = ("--temperature", "25,120", "-c", "U2.thermal_resistance=900", "-q", "draft")
    status, page, error = measure("drift", *options, unit="greenshank")
    assert status == 1 and "\n    25  settled" in page
    assert "fetsim: left out: 120 C, settled: U2: gets hotter than 200 C" in error
