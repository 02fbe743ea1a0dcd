"""The bench sheet of the teaching loop: its figures are those of other rooms, and its page holds what it must."""

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import fetsim
import tests.measurements
from fetsim.cli.main import main
from fetsim.report.pages.sheet import sheet_html
from fetsim.studies.sheet.tones import DEEP, QUIET, THRESHOLD, tones_of
from tests.report.pages.test_report_page import HOSTILE, Reader

BUILDS = 12


@pytest.fixture(scope="module")
def unit():
    return fetsim.load_unit("teaching").changed({"C2": "220n", "C1.voltage_rating": "1V", "V2.tolerance": "5%"})


@pytest.fixture(scope="module")
def sheet(unit):
    return fetsim.bench_sheet(unit, builds=BUILDS, seed=3, quality="draft", workers=1)


def test_volts_are_those_of_idle_and_the_band_holds_the_tolerance(sheet, unit):
    point = fetsim.idle_point(unit)
    assert {one.node: one.volts_v for one in sheet.nodes} == dict(point.node_voltages_v)
    stages = [one.stage for one in sheet.nodes]
    assert list(dict.fromkeys(stages)) == [stage.name for stage in unit.stages if stage.name in stages]
    fed = {one.node: one for one in sheet.nodes}["vb"]  # a source of 5 V within 5 %, with nothing that loads it
    assert fed.volts_v == pytest.approx(-5.0, abs=1e-3)
    assert fed.low_v is not None and fed.high_v is not None
    assert -5.25 <= fed.low_v < -5.05 and -4.95 < fed.high_v <= -4.75
    ctl = {one.node: one for one in sheet.nodes}["ctl"]  # 1 Mohm from those 5 V, a meter of 10 Mohm at it: by hand
    assert ctl.metered_v == pytest.approx(ctl.volts_v * 10.0 / 11.0, rel=1e-3)
    assert fed.metered_v == pytest.approx(fed.volts_v, rel=1e-4)


def test_tones_show_what_the_curve_says(sheet, unit):
    tones = sheet.tones
    levels = [tones[name].level_dbu for name in (QUIET, THRESHOLD, DEEP)]
    curve = fetsim.measure_curve(unit, levels_dbu=levels, quality="draft", compare=False).curves[0].curve
    output = np.interp(levels, curve.level_dbu, curve.output_dbu)  # of the fundamental alone
    np.testing.assert_allclose([tones[name].output_dbu for name in (QUIET, THRESHOLD, DEEP)], output, atol=0.05)
    assert tones[DEEP].gain_reduction_db == pytest.approx(10.0, abs=0.02) and tones[QUIET].gain_reduction_db < 0.01
    assert tones[QUIET].control_v < tones[THRESHOLD].control_v < tones[DEEP].control_v
    assert tones[QUIET].needle_db is None and not sheet.reasons


def test_instruments_have_the_band_of_the_builds_and_a_scope_shows_the_sine(sheet, unit):
    """Below the threshold the output is the sine itself: peak to peak 2 sqrt 2 times its rms. The control voltage moves
    with its source of 5 V within 5 %."""
    quiet = sheet.tones[QUIET]
    low_v, high_v = quiet.scope_v["output"]
    rms_v = np.sqrt(0.6) * 10.0 ** (quiet.output_dbu / 20.0)
    assert high_v - low_v == pytest.approx(2.0 * np.sqrt(2.0) * rms_v, rel=1e-3)
    assert set(quiet.scope_v) == {"output", *unit.probes}
    low, high = quiet.band["control"]
    assert -5.25 <= low < quiet.control_v < high <= -4.75 and high - low > 0.1
    assert quiet.band["output"][1] == pytest.approx(quiet.output_dbu, abs=0.1)  # less where an untrimmed FET conducts
    deep = sheet.tones[DEEP].band["output"]
    assert deep[0] < sheet.tones[DEEP].output_dbu < deep[1] and deep[1] - deep[0] > 0.1


def test_ratings_are_set_against_what_a_tone_asks_for():
    """R1 has no power at rest; under a tone it has that of the sine across it, the source's less the divider's."""
    rated = fetsim.load_unit("teaching").changed({"R1.power_rating": "1mW"})
    tones, _ = tones_of(rated, 1000.0, "draft")
    deep = tones[DEEP]
    (found,) = (one for one in deep.loadings if one.designator == "R1")
    low_v, high_v = deep.scope_v["divider"]
    peak_v = np.sqrt(1.2) * 10.0 ** (deep.level_dbu / 20.0)
    across_v = (peak_v - 0.5 * (high_v - low_v)) * 4700.0 / 4750.0  # in phase, but for what the FET bends
    assert found.actual == pytest.approx(0.5 * across_v**2 / 4700.0, rel=0.03)
    assert found.share == pytest.approx(found.actual / 1e-3)
    sheet = fetsim.bench_sheet(rated, builds=1, quality="draft", workers=1)
    (rest,) = sheet.point.part("R1").loadings
    assert sheet.hardest(rest) == (DEEP, found) and rest.share < 1e-9
    tables = {table.key: table.rows for table in sheet.tables()}
    assert DEEP in tables["ratings"][0] and DEEP in {row[0] for row in tables["tones"]}  # one name for it on the page


def test_a_meter_of_the_unit_is_read():
    """It is engraved for the gain reduction; the ripple of the control voltage moves it."""
    metered = fetsim.load_unit(Path(tests.measurements.__file__).parent / "metered.toml")
    found = fetsim.bench_sheet(metered, builds=4, quality="draft", workers=1)
    assert found.tones[QUIET].needle_db == 0.0 and found.tones[QUIET].deflection == pytest.approx(1.0, abs=0.01)
    assert found.tones[DEEP].needle_db == pytest.approx(10.0, abs=0.3)
    (table,) = (one for one in found.tables() if one.key == "tones")
    assert "needle" in [row[2] for row in table.rows] and "Needle: M1." in table.notes


def test_a_unit_without_gain_cell_has_no_tones():
    found = fetsim.bench_sheet("jig", builds=4, quality="draft", workers=1)
    assert [one.term for one in found.account().definitions] == ["5 % and 95 %", "volts"]  # no tones, no work
    assert not found.tones and not found.reasons and [table.key for table in found.tables()] == ["volts"]


def test_changes_are_work_and_a_rating_that_they_break_is_told(sheet):
    tables = {table.key: table for table in sheet.tables()}
    assert ("exchange", "C2") in [row[:2] for row in tables["work"].rows]
    verdicts = {row[0]: row[-1] for row in tables["ratings"].rows}
    assert verdicts["C1"] == "BEYOND"  # 7 V across a capacitor for 1 V
    assert any("BEYOND A RATING: C1" in text for text in sheet.account().lead)


def test_a_unit_where_nothing_varies_has_volts_without_a_band(tmp_path):
    text = re.sub(r', tolerance = "[^"]*"', "", fetsim.load_unit("teaching").text)
    text = re.sub(r"\[devices\.[^]]*\.limits\]\n(\w.*\n)*", "", text)
    (tmp_path / "exact.toml").write_text(text)
    found = fetsim.bench_sheet(tmp_path / "exact.toml", quality="draft", workers=1)
    assert found.builds == 0 and {one.low_v for one in found.nodes} == {None}
    assert any("no band" in note for table in found.tables() for note in table.notes)


def test_the_page_has_cautions_first_and_holds_hostile_names_as_text(sheet):
    page = Reader(sheet_html(sheet))
    text = " ".join(page.text)
    assert text.index("Stored charge") < text.index("Volts at rest") and text.count("_________") > len(sheet.nodes)
    made = replace(sheet.provenance, unit=HOSTILE)
    hostile = Reader(sheet_html(replace(sheet, provenance=made, work_on=HOSTILE)))
    assert "script" not in hostile.tags and HOSTILE in " ".join(hostile.text)


def run(capsys, *arguments):
    with pytest.raises(SystemExit) as ended:
        main(["sheet", "-u", "teaching", "-q", "draft", "-n", "4", "--workers", "1", *map(str, arguments)])
    said = capsys.readouterr()
    return ended.value.code, said.out, said.err


def test_from_the_command_line(capsys, tmp_path):
    to, figures, rows = tmp_path / "sheet.html", tmp_path / "sheet.json", tmp_path / "sheet.csv"
    blank = tmp_path / "readings.csv"
    code, out, _ = run(capsys, "--to", to, "--json", figures, "--csv", rows, "--trims", "--blank", blank)
    assert code == 0 and out.index("CAUTIONS") < out.index("VOLTS AT REST")
    assert out.rstrip().endswith(f"Wrote {to}, {blank}")
    found = json.loads(figures.read_text())
    assert found["study"] == "sheet" and found["trims"] is True and len(found["nodes"]) == 8
    assert to.read_text().startswith("<!doctype html>") and rows.read_text().startswith("table,")
    heading, *lines = blank.read_text().splitlines()
    assert heading == "figure,value,accuracy,meter,settings,expected" and "volts@po,,,,,0" in lines
    expected = {line.split(",")[0]: line.split(",")[-1] for line in lines}
    assert float(expected["volts@ctl"]) == pytest.approx(next(one["metered_v"] for one in found["nodes"]
                                                              if one["node"] == "ctl"), abs=5e-4)  # fmt: skip
    blank.write_text(blank.read_text().replace("volts@ctl,", "volts@ctl,-5.1V"))
    (read,) = fetsim.read_readings(blank, fetsim.load_unit("teaching"))  # what is filled in, and nothing else
    assert read.value == -5.1
    before = to.read_bytes()
    code, out, err = run(capsys, "--to", to)
    assert code == 2 and "exists already" in err and to.read_bytes() == before and not out


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (["--to", "sheet.txt"], "sheet.txt: a sheet is an .html file"),
        (["--builds", "0"], "builds: 0 cannot be drawn"),
        (["--seed", "-1"], "seed: -1 is none"),
        (["--frequency", "0"], "frequency"),
        (["--frequency", "1e9"], "frequency: 1e+09 Hz cannot be played"),
        (["--side", "left"], "--side: Teaching loop has one channel"),
        (["--to", "a.html", "--json", "a.html"], "two outputs have this name"),
        (["-q", "best"], "quality"),
    ],
)
def test_what_is_refused(arguments, line, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    code, out, err = run(capsys, *arguments)
    assert code == 2 and line in err and err.count("\n") == 1 and not out and not list(tmp_path.iterdir())


@pytest.mark.slow
def test_a_node_on_the_mains_is_never_told_to_be_at_zero():
    found = fetsim.bench_sheet("greenshank-mains", builds=1, quality="draft", workers=1)
    assert found.point.alternating_v["li"] == pytest.approx(230.0, rel=0.01)
    assert "li" not in {one.node for one in found.nodes} and "vp" in {one.node for one in found.nodes}
    (volts,) = (one for one in found.tables() if one.key == "volts")
    assert "li (230 V rms)" in volts.notes[0]
