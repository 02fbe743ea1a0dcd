"""``fetsim measure report``: one page, whole or not there."""

import json

import pytest

from fetsim.cli.main import main
from fetsim.report.pages.report import sections
from tests.measurements.units import without_gain_cell

SHORT = ("--quality", "draft", "--unit", "teaching", "--only", "idle,noise")


@pytest.fixture
def report(capsys, tmp_path, monkeypatch):
    """Runs the command in an empty folder; (status, standard output, standard error)."""
    monkeypatch.chdir(tmp_path)

    def run(*arguments):
        with pytest.raises(SystemExit) as ending:
            main(["measure", "report", *map(str, arguments)])
        printed = capsys.readouterr()
        return ending.value.code or 0, printed.out, printed.err

    return run


def test_page_and_figures(report, tmp_path):
    status, out, err = report(*SHORT, "--change", "R1=5k6", "--load", "600", "--json", "all.json")
    assert (status, out) == (0, "teaching-report.html\n")
    assert [line.split(" (")[0] for line in err.splitlines()] == ["fetsim: At rest", "fetsim: Noise"]
    page = (tmp_path / "teaching-report.html").read_text(encoding="utf-8").replace("\xa0", " ")
    assert page.startswith("<!doctype html>") and page.rstrip().endswith("</html>")
    assert "<bdi>4.7 kohm</bdi>" in page and "<bdi>5.6 kohm</bdi>" in page and "<bdi>600 ohm</bdi>" in page
    whole = json.loads((tmp_path / "all.json").read_text())
    assert list(whole["sections"]) == ["idle", "noise"] and whole["changes"][0]["name"] == "R1"
    assert whole["sections"]["noise"]["states"][0]["reduction_db"] == 0.0
    assert sorted(one.name for one in tmp_path.iterdir()) == ["all.json", "teaching-report.html"]


def test_a_section_that_fails_is_told(report, tmp_path):
    unit = str(without_gain_cell(tmp_path).path)
    status, out, err = report("own.html", "--quality", "draft", "--only", "idle,explain", "--unit", unit)
    assert status == 0 and out == "own.html\n"
    assert "fetsim: explain: not measured: Teaching loop: has no [gain_cell]" in err


def test_a_crash_keeps_the_page_and_is_no_success(report, monkeypatch, tmp_path):
    """The other sections are there, the traceback can be sent on, and a script sees that something is wrong."""

    def broken(unit, quality, progress):
        raise ZeroDivisionError("by zero")

    makers = [sections.Maker(m.name, m.title, broken) if m.name == "noise" else m for m in sections.MAKERS]
    monkeypatch.setattr(sections, "MAKERS", tuple(makers))
    status, out, err = report(*SHORT)
    assert status == 1 and out == "teaching-report.html\n"
    assert "fetsim: a mistake in the program kept noise off the page" in err
    assert "Traceback" in err and err.rstrip().endswith("ZeroDivisionError: by zero")
    assert "Kirchhoff" in (tmp_path / "teaching-report.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--only", "curves"), "did you mean curve?"),
        (("--only", ","), "at least one"),
        (("page.pdf",), "an .html file"),
        (("nowhere/page.html",), "no folder"),
        (("--change", "R99=1k"), "R99"),
    ],
)
def test_bad_input_is_one_line_and_status_two(report, tmp_path, arguments, said):
    status, out, err = report(*SHORT, *arguments)
    assert status == 2 and out == ""
    assert err.count("\n") == 1 and err.startswith("fetsim: ") and said in err
    assert not list(tmp_path.iterdir())


def test_nothing_is_overwritten_unasked(report, tmp_path):
    there = tmp_path / "page.html"
    there.write_text("mine")
    status, _, err = report(there, *SHORT)
    assert status == 2 and "--force" in err and there.read_text() == "mine"
    assert report(there, *SHORT, "--force")[0] == 0
    assert there.read_text(encoding="utf-8").startswith("<!doctype")
