"""Tables in a terminal of any width: no figure, unit or word of a heading is ever cut."""

import re

import pytest
from rich.cells import cell_len

from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import OWN, Definition
from fetsim.measurements.results.formats import FINE_LEVEL, fixed, seconds
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.results.table import Column, Table
from fetsim.report.look.columns import columns
from fetsim.report.look.terminal import account_text

VERSIONS = [f"version {k} of the unit" for k in range(1, 10)] + ["größer: 330 nF", "大きいコンデンサ"]
QUANTITIES = 8
WIDTHS = (40, 60, 80, 200)


def wide_table(versions=VERSIONS):
    """Each cell is a figure that occurs once."""
    return Table(
        key="wide",
        title="Everything",
        columns=(
            Column(key="version", heading="version"),
            *(Column(key=f"q{k}", heading=f"quantity number {k}", unit="dBu", show=FINE_LEVEL)
              for k in range(QUANTITIES)),
        ),
        rows=[(name, *(100.0 * row + k + 0.25 for k in range(QUANTITIES))) for row, name in enumerate(versions)],
    )  # fmt: skip


def account(*tables):
    return Account(
        title="Invented: 1000 Hz.", tables=tables,
        definitions=(Definition(term="figure", meaning="any number", status=OWN),),
    )  # fmt: skip


@pytest.mark.parametrize("width", WIDTHS)
def test_eleven_versions_at_every_width(monkeypatch, width):
    monkeypatch.setenv("COLUMNS", str(width))
    page = account_text(account(wide_table()))
    assert max(map(cell_len, page.splitlines())) <= width
    assert "…" not in page and "..." not in page
    figures = re.findall(r"\+\d+\.\d\d\b", page)
    expected = [f"+{100 * row + k}.25" for row in range(len(VERSIONS)) for k in range(QUANTITIES)]
    assert sorted(figures) == sorted(expected)
    rows = len(VERSIONS)
    for name in ("größer", "大きい"):
        assert page.count(name) == page.count("The same rows, continued") + 1
    continued = re.findall(r"quantity\s+number\s+(\d)\s+dBu", page.partition("continued")[2])
    assert rows == 11 and (width == 200) == (not continued)


def test_a_broken_table_says_which_columns_follow(monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    page = " ".join(account_text(account(wide_table())).split())
    later = re.findall(r"The same rows, continued: (.*?dBu) quantity", page)
    named = [int(k) for text in later for k in re.findall(r"number (\d) dBu", text)]
    assert named and named == list(range(named[0], QUANTITIES))


def test_a_file_has_every_row_on_one_line(monkeypatch, capsys):
    monkeypatch.delenv("COLUMNS", raising=False)
    page = account_text(account(wide_table()))
    lines = [line for line in page.splitlines() if "+0.25" in line]
    assert len(lines) == 1 and "+7.25" in lines[0] and VERSIONS[0] in lines[0]
    assert "continued" not in page


@pytest.mark.parametrize("columns_variable", ["", "wide", "-5", "0", "7"])
def test_a_width_that_is_none(monkeypatch, columns_variable):
    monkeypatch.setenv("COLUMNS", columns_variable)
    assert "+1007.25" in account_text(account(wide_table()))


def test_a_figure_wider_than_the_terminal_is_whole(monkeypatch):
    monkeypatch.setenv("COLUMNS", "40")
    figure = "1.1 ms to " + "2" * 60 + " ms"
    assert figure in columns(["part", "range"], [["R1", figure]], right=(1,))


def test_what_is_missing_is_told_once_beneath(monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    short = Missing(cause="too short", text="the trace ends first")
    other = Missing(cause="not defined", text="for a release only")
    shown = (Column(key="t", heading="time", show=seconds), Column(key="u", heading="other time", show=seconds))
    table = Table(
        key="times", title="Times", columns=(Column(key="step", heading="step"), *shown),
        rows=[("attack", 52.6e-6, other), ("release", short, short), ("third", short, 0.25)],
    )  # fmt: skip
    lines = account_text(account(table)).splitlines()
    assert ["attack", "52.6", "us", "-"] in [line.split() for line in lines]
    assert ["release", "-", "-"] in [line.split() for line in lines]
    assert sum("the trace ends first" in line for line in lines) == 1
    assert not any("for a release only" in line for line in lines)  # nothing is wrong with that one


def test_readings_are_told_group_by_group_and_briefly(monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    table = Table(
        key="points", title="Curve", heads=2, detail=True, brief=frozenset({0, 2, 3}),
        columns=(
            Column(key="version", heading="version"), Column(key="switches", heading="switches"),
            Column(key="x_db", heading="x", unit="dB", show=fixed(1)),
        ),
        rows=[("a", "S1", 1.0), ("a", "S1", 2.0), ("a", "S2", 3.0), ("b", "S1", 4.0)],
    )  # fmt: skip
    made = account(table)
    words = account_text(made).split("\n")
    assert [line for line in words if line.startswith("CURVE")] == ["CURVE A, S1", "CURVE A, S2", "CURVE B, S1"]
    assert [line.strip() for line in words if re.fullmatch(r" +\d\.\d", line)] == ["1.0", "3.0", "4.0"]
    assert [row["x_db"] for row in made.records()] == [1.0, 2.0, 3.0, 4.0]
    assert "points" not in made.to_dict()["tables"]
