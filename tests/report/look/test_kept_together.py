"""A figure and its unit stay on one line."""

import pytest

from fetsim.measurements.results.account import told_once
from fetsim.report.look.columns import facts, paragraph
from fetsim.report.look.kept_together import bound, bound_on_page

WORDS = "levels of 0 dBFS, 9 % of 1000 Hz, 4.7 kohm and 10 ms"


@pytest.mark.parametrize("width", range(40, 60))
def test_no_line_ends_between_them(monkeypatch, width):
    monkeypatch.setenv("COLUMNS", str(width))
    text = paragraph(f"{'word ' * 7}{WORDS} {WORDS}") + "\n" + facts([("name", WORDS), ("another", f"{WORDS} {WORDS}")])
    starts = {line.split()[0].rstrip(",") for line in text.splitlines()[1:]}
    assert not starts & {"dBFS", "%", "Hz", "kohm", "ms"} and "\N{NO-BREAK SPACE}" not in text
    assert max(map(len, text.splitlines())) <= width


def test_only_units_are_bound():
    assert bound("5 stages, 3 dBs, 4 in S1 2") == "5 stages, 3 dBs, 4 in S1 2"
    assert bound_on_page("1 dB") == "1\N{NO-BREAK SPACE}dB" and bound_on_page(3) == 3


def test_what_some_versions_share_is_told_once():
    found = told_once({"a": ("One.", "Two."), "b": ("Two.",), "c": ("One.", "Two.")})
    assert found == ["All versions: Two.", "a, c: One."]
