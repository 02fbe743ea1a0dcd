"""Results of measurements: provenance, JSON, tables, pictures, and that all writers tell the same."""

import hashlib
import json
import subprocess
import sys
from datetime import datetime

import numpy as np
import pytest
from matplotlib.figure import Figure

import fetsim
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.results.result import account_of, picture_of
from fetsim.measurements.results.table import Column, Table
from fetsim.measurements.to_plain import json_text, plain
from fetsim.report.look.terminal import account_text
from fetsim.report.pages.report.sections import result_section

LEVELS_DBU = (-24.0, -16.0, -8.0, 0.0)


@pytest.fixture(scope="module")
def unit():
    return fetsim.load_unit("teaching").changed(C2="220n")


@pytest.fixture(scope="module")
def curve(unit):
    return fetsim.measure_curve(unit, levels_dbu=LEVELS_DBU, wait_s=0.05, quality="draft")


def test_a_result_says_what_made_it(unit, curve):
    made = curve.provenance
    assert made.fetsim == fetsim.__version__ and made.libraries["numpy"] == np.__version__
    assert made.unit_sha256 == hashlib.sha256(unit.path.read_bytes()).hexdigest()
    assert [vars(one) for one in made.changes] == [{"name": "C2", "before": "150 nF", "after": "220 nF"}]
    assert (made.quality, made.method, made.rate_hz) == ("draft", "bdf4_fitted", 144000.0)
    assert made.temperature_c == unit.temperature_c and made.load_ohm == unit.output.values.get("load")
    assert datetime.fromisoformat(made.made_utc).tzinfo is not None


def test_json_is_the_dictionary(curve):
    assert json.loads(curve.to_json()) == curve.to_dict()
    assert curve.to_dict()["provenance"]["unit"] == "Teaching loop"
    assert curve.to_dict()["curves"][0]["curve"]["level_dbu"] == list(LEVELS_DBU)


def test_what_json_cannot_hold():
    there = {"a": np.array([1.0, np.nan, np.inf]), 2: np.float64(-np.inf), "c": (True, None), "d": np.eye(2)[:, ::-1]}
    assert plain(there) == {"a": [1.0, None, None], "2": None, "c": [True, None], "d": [[0.0, 1.0], [1.0, 0.0]]}
    assert json_text({"x": np.nan}) == '{\n  "x": null\n}\n'
    with pytest.raises(TypeError, match="not JSON serializable"):
        plain(object())


def test_terminal_page_and_csv_tell_the_same_figures(monkeypatch, curve):
    monkeypatch.setenv("COLUMNS", "200")
    account = curve.account()
    text, section = " ".join(account_text(account).split()), result_section(curve)
    for table in section.tables:
        if not table.folded:
            for row in table.rows:
                assert " ".join(row) in text
            for note in table.notes:
                assert note in text
    for one in account.definitions:
        assert " ".join(one.meaning.split()) in text
    assert section.definitions == account.definitions
    (points,) = (table for table in section.tables if table.folded)
    assert [f"{row['output_dbu']:+.2f}" for row in account.records()] == [row[1] for row in points.rows]


def test_nothing_is_told_of_a_comparison_that_was_not_made(curve):
    assert curve.compared == 0  # the unit has no switches
    assert [table.key for table in curve.tables()] == ["curves", "points"]
    assert "alike" not in [one.term for one in curve.account().definitions]


def test_a_missing_figure_keeps_its_cause(curve):
    account = curve.account()
    (missing,) = [one for one in account.to_dict()["tables"]["curves"]["missing"] if one["column"] == "bottoms_out_dbu"]
    assert missing["cause"] == "not reached" and "give higher levels" in missing["text"]
    assert json.loads(curve.to_json())["curves"][0]["curve"]["reasons"]["bottoms_out_dbu"]["cause"] == "not reached"


def test_versions_stand_side_by_side(curve):
    account = account_of({"as it is": curve, "again": curve})
    summary = next(table for table in account.tables if table.key == "curves")
    assert [row[0] for row in summary.rows] == ["as it is", "again"]
    assert summary.rows[0][1:] == summary.rows[1][1:] == curve.tables()[0].rows[0][1:]
    assert {row["version"] for row in account.records()} == {"as it is", "again"}


def test_pictures(curve):
    whole = curve.plot()
    assert isinstance(whole, Figure) and len(whole.axes) == 3
    ax = Figure().subplots()
    assert curve.plot(ax) is ax
    (line, *_) = ax.get_lines()
    assert np.array_equal(line.get_ydata(), curve.curves[0].curve.output_dbu)
    both = picture_of({"one": curve, "two": curve})
    assert [text.get_text() for text in both.legends[0].get_texts()] == ["one", "two"]


def test_matplotlib_waits_until_a_picture_is_asked_for():
    code = (
        "import sys, fetsim\n"
        "found = fetsim.measure_curve(fetsim.load_unit('teaching'), levels_dbu=[-24, -16, -8], wait_s=0.01, "
        "quality='draft')\n"
        "found.tables(), found.to_json()\n"
        "assert 'matplotlib' not in sys.modules\n"
        "found.plot()\n"
        "assert 'matplotlib' in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_a_table_refuses_rows_of_another_length():
    columns = (Column(key="a", heading="a"), Column(key="b", heading="b"))
    with pytest.raises(ValueError, match="table t: 1 cells under 2 columns"):
        Table(key="t", title="T", columns=columns, rows=[("x",)])


def test_several_tables_in_one_file():
    one = Table(key="one", title="", columns=(Column(key="a", heading="a"),), rows=[("x",)])
    two = Table(key="two", title="", columns=(Column(key="b", heading="b"),),
                rows=[(Missing(cause="too short", text="t"),)])  # fmt: skip
    records = Account(title="", tables=(one, two), definitions=()).records()
    assert records == [{"table": "one", "a": "x"}, {"table": "two", "b": None}]
