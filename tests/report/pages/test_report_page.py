"""The report: one file that holds everything, fetches nothing, runs nothing, and loses no section to another."""

import json
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from functools import partial
from html.parser import HTMLParser

import pytest

from fetsim.errors import InputError
from fetsim.measurements.distortion.procedure import measure_distortion
from fetsim.measurements.results.definitions import STATUSES
from fetsim.measurements.results.formats import LEVEL, fixed, percent, quantity, short_time
from fetsim.report.pages.report import measure_sections, page_html, sections, write_report
from fetsim.report.pages.report.sections import NAMES, chosen_sections
from fetsim.schematic.load import load_unit
from tests.measurements.units import changed_text, without_gain_cell

HOSTILE = '<script>alert(1)</script> & "x" </style> $\\\\frac{$ {{ 7 * 7 }}'
EMPTY = {"meta", "link", "path", "use", "img", "br", "rect", "image"}


@pytest.fixture(scope="module")
def unit():
    return load_unit("teaching").changed(C2="220n")


@pytest.fixture(scope="module")
def made(unit):
    """Everything, once; distortion at two levels instead of twelve."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sections, "measure_distortion", partial(measure_distortion, levels_dbu=(-25.0, -10.0)))
        return measure_sections(unit, quality="draft")


@pytest.fixture(scope="module")
def page(unit, made):
    return page_html(unit, load_unit("teaching"), made, "draft")


class Reader(HTMLParser):
    """Tags and attributes of a page, its text, and whether its tags are closed in order."""

    def __init__(self, page):
        super().__init__()
        self.tags, self.attributes, self.text, self.ids, self._open = [], [], [], [], []
        self.feed(page)
        assert not self._open, self._open

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.attributes += attributes
        self.ids += [value for name, value in attributes if name == "id"]
        if tag not in EMPTY:
            self._open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.handle_starttag(tag, attributes)
        if tag not in EMPTY:
            self._open.pop()

    def handle_endtag(self, tag):
        if tag not in EMPTY:
            assert self._open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)

    @property
    def words(self):
        return " ".join(" ".join(self.text).split())


def test_every_section_is_there(made, page):
    not_there = ("iron", "rejection", "hum")  # it has neither iron, nor a balanced input, nor mains
    assert [one.name for one in made] == [name for name in NAMES if name not in not_there]
    assert not any(one.problem for one in made), [one.problem for one in made]
    read = Reader(page)
    for one in made:
        assert one.name in read.ids and one.title in read.words
        assert one.pictures or one.tables
    assert read.tags.count("svg") == sum(len(one.pictures) for one in made)


def test_nothing_runs_and_nothing_is_fetched(page):
    read = Reader(page)
    assert not {"script", "iframe", "object", "embed", "form", "img", "audio"} & set(read.tags)
    policy = next(value for _, value in read.attributes if value and "default-src" in value)
    assert "default-src 'none'" in policy and "script" not in policy
    for name, value in read.attributes:
        assert not name.startswith("on")
        if name in ("href", "src"):
            assert value.startswith("#") or value == "data:,"
    assert "http" not in page.replace("http-equiv", "") and "@import" not in page


def test_drawings_are_well_formed_and_do_not_clash(page):
    read = Reader(page)
    assert len(read.ids) == len(set(read.ids))
    for target in re.findall(r'url\(#([^)]+)\)|href="#([^"]+)"', page):
        assert (target[0] or target[1]) in read.ids
    for drawing in re.findall(r"<svg.*?</svg>", page, flags=re.DOTALL):
        ElementTree.fromstring(drawing)
        assert "viewBox" in drawing and "<style" not in drawing
        # every colour is the page's own, so that it follows light and dark
        assert not re.search(r"#[0-9a-f]{6}", re.sub(r'(url\(|href="|id=")[^)"]*', "", drawing))


def test_settings_changes_cautions_and_sources_are_told(page):
    words = Reader(page).words
    assert "C2 150 nF 220 nF" in words
    for wanted in ("people licensed for it", "local codes", "discharge them", "Turn the monitors down", "own design"):
        assert wanted in words
    for status in STATUSES.values():
        assert status in words
    assert "no compliance with any is claimed" in words


def test_every_definition_has_a_source_or_none_and_a_known_status(made):
    for section in made:
        assert section.definitions
        for one in section.definitions:
            assert one.status in STATUSES
            # common practice and own definitions cite nothing; what is from memory or second-hand says after what
            assert (one.source == "-") == (one.status in ("common practice", "own")) or one.status == "physics"


def test_figures_on_the_page_are_those_measured(made, page):
    words = Reader(page).words
    by_name = {one.name: one for one in made}
    threshold = by_name["curve"].figures["curves"][0]["curve"]["threshold_half_db_dbu"]
    assert f"Threshold {LEVEL(threshold)} dBu (0.5 dB)" in words
    noise = by_name["noise"].figures["states"][0]["unweighted_dbu"]
    assert f"At rest {noise:+.1f} dBu unweighted" in words
    tau_ms = 1e3 * by_name["explain"].figures["figures"]["control"]["release_tau_s"]
    assert tau_ms == pytest.approx(220.0, rel=0.005)  # R4 and the changed C2
    assert f"time constant of {tau_ms:.3g} ms" in words
    json.dumps({one.name: one.figures for one in made}, allow_nan=False)


def test_what_an_author_wrote_is_text(tmp_path):
    unit = load_unit(changed_text(tmp_path, '"Teaching loop"', f'"{HOSTILE.replace(chr(34), chr(92) + chr(34))}"'))
    made = measure_sections(unit, only=["explain", "curve", "needle"], quality="draft")
    assert not any(one.problem for one in made), [one.problem for one in made]
    page = page_html(unit, unit, made, "draft")
    read = Reader(page)
    assert "script" not in read.tags and "<script" not in page
    assert "&lt;script&gt;" in page and "alert(1)" in read.words and "7 * 7" in read.words
    assert "frac" not in "".join(picture.svg for one in made for picture in one.pictures)


def test_a_section_that_fails_is_named_and_costs_no_other(tmp_path, monkeypatch):
    unit = without_gain_cell(tmp_path)

    def broken(unit, quality, progress):
        raise ZeroDivisionError("by zero")

    makers = [m if m.name != "levels" else sections.Maker("levels", "Level plan", broken) for m in sections.MAKERS]
    monkeypatch.setattr(sections, "MAKERS", tuple(makers))
    made = {one.name: one for one in measure_sections(unit, only=["idle", "explain", "levels"], quality="draft")}
    assert "has no [gain_cell], so there is no loop to follow" in made["explain"].problem
    assert made["levels"].problem == "a mistake in the program, ZeroDivisionError: by zero"
    assert not made["idle"].problem and made["idle"].tables
    words = Reader(page_html(unit, unit, list(made.values()), "draft")).words
    assert words.count("Not measured.") == 2 and "no [gain_cell]" in words and "All supplies deliver" in words


def test_no_page_without_a_section(tmp_path, monkeypatch):
    unit = without_gain_cell(tmp_path)
    page = tmp_path / "report.html"
    with pytest.raises(InputError, match=r"explain: .*no \[gain_cell\]"):
        write_report(page, unit, unit, only=["explain"], quality="draft")
    assert not page.exists() and not [one for one in tmp_path.iterdir() if one.suffix == ".part"]


def test_sections_are_chosen_by_name():
    assert [one.name for one in chosen_sections(["timing", "curve"])] == ["curve", "timing"]
    with pytest.raises(InputError, match="did you mean curve"):
        chosen_sections(["curves"])
    with pytest.raises(InputError, match="at least one"):
        chosen_sections([])


def test_progress_names_the_sections(unit):
    seen = []
    measure_sections(unit, only=["idle", "noise"], quality="draft", watch=lambda *told: seen.append(told))
    assert list(dict.fromkeys(title for title, _ in seen)) == ["At rest", "Noise", ""]
    assert [share for _, share in seen] == sorted(share for _, share in seen) and seen[-1] == ("", 1.0)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        (fixed(2)(-1e-4), "0.00"), (fixed(1)(float("nan")), "-"), (LEVEL(3.14), "+3.1"), (LEVEL(-0.01), "+0.0"),
        (percent(0.017312), "1.73 %"), (percent(3.2e-8), "3.2e-06 %"), (quantity("ohm")(4700.0), "4.7 kohm"),
        (short_time(-5.72e-7), "-0.572 us"), (short_time(5.312e-3), "5.312 ms"),
    ],
)  # fmt: skip
def test_numbers_as_text(text, wanted):
    assert text == wanted


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_browser_shows_it_on_a_phone(visit, tmp_path, unit, made, scheme):
    """Nothing is fetched or complained about, nothing runs off the side, and the drawings follow light and dark."""
    there = tmp_path / "report.html"
    there.write_text(page_html(replace(unit, name=HOSTILE), unit, made, "draft"), encoding="utf-8")
    with visit(there, viewport={"width": 390, "height": 800}, color_scheme=scheme) as one:
        page = one.page
        assert page.inner_text("h1") == HOSTILE
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        ink, panel = (
            page.evaluate(f"getComputedStyle(document.querySelector('{where}')).{what}")
            for where, what in (("svg text", "fill"), ("figure .wide", "backgroundColor"))
        )
        bright = [sum(map(int, re.findall(r"\d+", colour)[:3])) / 3.0 for colour in (ink, panel)]
        assert abs(bright[0] - bright[1]) > 150.0 and (bright[1] < 60.0) == (scheme == "dark")
        page.click("nav a[href='#noise']")
        assert page.url.endswith("#noise")
