"""Pages of what was found out about one unit: cautions first, every table with its pictures, names are text."""

import re

import pytest

import fetsim
from fetsim.report.pages.study import study_html
from tests.report.conftest import findings

EVIL = "<script>alert(1)</script>"


def read(unit, **figures):
    rows = [{"figure": f"volts@{node}", "value": f"{volt}V", "meter": "none"} for node, volt in figures.items()]
    return fetsim.Observations(unit=unit, readings=tuple(fetsim.reading_of(row, unit) for row in rows))


@pytest.fixture(scope="module")
def found():
    unit = fetsim.load_unit("teaching")
    observed = read(unit, ctl=-4.7, vb=-4.7)
    return {
        "suspects": fetsim.suspects(observed, faults=False, quality="draft", workers=1),
        "fit": fetsim.fit(observed, ["V2=-6V..-4V", "J1.i_dss"], quality="draft", workers=1),
        "faults": fetsim.faults("teaching", parts=["R4"], figures=["gain"], builds=4, workers=1),
    }


@pytest.mark.parametrize("name", ["suspects", "fit", "faults"])
def test_cautions_come_before_anything_that_is_read(found, name):
    page = study_html(found[name])
    for caution in found[name].account().cautions:
        assert caution.split(".")[0] in page
    assert page.index("A probe in a powered unit") < page.index("<h2>")
    assert "Local codes and licensed practice" in page
    assert "Stored charge." in page and "Mains." in page and "Hearing." in page
    for table in found[name].tables():
        section = page[page.index(f'<section id="{table.key}">') :]
        assert f"<bdi>{table.columns[0].heading}</bdi>" in section[: section.index("</section>")]
    assert page.count("<svg") == len(re.findall("<figure>", page)) >= 1
    assert not re.search(r"<script|https?://(?!www\.w3\.org)", page)


def test_a_unit_may_be_called_anything(found, tmp_path):
    unit = fetsim.load_unit("teaching")
    path = tmp_path / "evil.toml"
    unit.save(path)
    path.write_text(re.sub(r"^name = .*", f'name = "{EVIL}"', path.read_text("utf-8"), flags=re.M), "utf-8")
    fit = fetsim.fit(read(fetsim.load_unit(path), ctl=-4.7), ["V2=-6V..-4V"], quality="draft", workers=1)
    assert EVIL not in study_html(fit)


def test_a_page_is_written_whole_and_over_nothing(found, tmp_path):
    page = fetsim.write_study(tmp_path / "found.html", found["fit"])
    assert page.read_text("utf-8") == study_html(found["fit"])
    with pytest.raises(fetsim.InputError, match="exists"):
        fetsim.write_study(page, found["fit"])
    with pytest.raises(fetsim.InputError, match=r"a page is an \.html file"):
        fetsim.write_study(tmp_path / "found.txt", found["fit"])


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(found, tmp_path, visit, scheme):
    for name, one in found.items():
        path = fetsim.write_study(tmp_path / f"{name}.html", one)
        with visit(path, bypass_csp=True, color_scheme=scheme) as seen:
            assert not findings(seen.page)
