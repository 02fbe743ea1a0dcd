"""Every measurement: provenance, tables, pictures, and the same figures in the terminal, on the page and in JSON."""

import json
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure

import fetsim
from fetsim.measurements.results.definitions import STATUSES
from fetsim.measurements.results.result import account_of
from fetsim.measurements.to_plain import json_text
from fetsim.report.look.printed import printed
from fetsim.report.look.terminal import account_text
from fetsim.report.pages.report.sections import result_section

LOOP = str(Path(__file__).parents[2] / "rig" / "mains_loop.toml")
QUICK = {"quality": "draft"}
MEASURES = {
    "timing": lambda unit: fetsim.measure_timing(unit, before_dbu=-20.0, level_dbu=-5.0, phases=2, **QUICK),
    "distortion": lambda unit: fetsim.measure_distortion(unit, levels_dbu=[-20.0, -10.0], **QUICK),
    "sweep": lambda unit: fetsim.measure_sweep(unit, levels_dbu=[-20.0, -10.0], frequencies_hz=[100.0, 1e3], **QUICK),
    "iron": lambda unit: fetsim.measure_iron(unit, levels_dbu=[-20.0, -10.0], frequencies_hz=[100.0, 1e3], **QUICK),
    "trim_null": lambda unit: fetsim.measure_trim_null(unit, "R1", span=0.1, steps=3, level_dbu=-10.0, **QUICK),
    "response": lambda unit: fetsim.measure_response(unit, reductions_db=(0.0, 6.0), levels_dbu=(0.0,), check=True,
                                                     **QUICK),
    "rejection": lambda unit: fetsim.measure_rejection(unit, per_octave=3, **QUICK),
    "hum": lambda unit: fetsim.measure_hum(unit, burst_s=0.02, **QUICK),
    "needle": lambda unit: fetsim.measure_needle(unit, burst_s=0.2, tail_s=0.1, when_s=0.3, **QUICK),
    "noise": lambda unit: fetsim.measure_noise(unit, **QUICK),
    "levels": lambda unit: fetsim.measure_levels(unit, **QUICK),
    "drift": lambda unit: fetsim.measure_drift(unit, temperatures_c=[25.0, 55.0], **QUICK),
    "idle": fetsim.idle_point,
    "explain": lambda unit: fetsim.measure_explain(unit, level_dbu=-5.0, burst_s=0.05, tail_s=0.1, **QUICK),
}  # fmt: skip
NOT_OF_TEACHING = {"iron": "dunlin", "rejection": "greenshank", "hum": LOOP}
"""It has neither iron, nor a balanced input, nor mains."""


@pytest.fixture(scope="module", params=MEASURES)
def found(request):
    unit = NOT_OF_TEACHING.get(request.param, "teaching")
    return MEASURES[request.param](fetsim.load_unit(unit).changed(C2="220n"))


def test_what_made_it(found):
    plain = json.loads(found.to_json())
    assert plain == found.to_dict()
    made = plain["provenance"]
    assert made["unit"] in ("Teaching loop", "Teaching loop with mains", "Dunlin", "Greenshank")
    assert made["fetsim"] == fetsim.__version__
    assert [change["name"] for change in made["changes"]] == ["C2"]


def test_the_method_is_the_one_used(found):
    assert found.provenance.method in ("bdf2", "bdf3", "bdf4", "bdf4_fitted")
    assert found.provenance.rate_hz >= 48000.0


def test_all_writers_tell_the_same(monkeypatch, found):
    """Folded and brief tables are told in part by the terminal."""
    monkeypatch.setenv("COLUMNS", "400")
    account = found.account()
    text, section = " ".join(account_text(account).split()), result_section(found)
    assert account.lead and all(" ".join(line.split()) in text for line in account.lead)
    assert tuple(section.lead) == account.lead and section.definitions == account.definitions
    for table in section.tables:
        if not table.folded:
            for row in table.rows:
                assert " ".join(" ".join(row).split()) in text
    for one in account.definitions:
        assert " ".join(one.meaning.split()) in text and one.status in STATUSES
    assert set(json.loads(json_text(account.to_dict()))["tables"]) == {t.key for t in account.tables if not t.detail}


def test_rows_of_a_table_file(found):
    records = found.account().records()
    assert len(records) > 1
    assert any(isinstance(value, float) and np.isfinite(value) for row in records for value in row.values())


def test_columns_have_names_of_their_own(found):
    for table in found.tables():
        keys = [column.key for column in table.columns]
        assert len(set(keys)) == len(keys)
        assert printed(table).headings


def test_pictures(found):
    assert isinstance(found.plot(), Figure)
    ax = Figure().subplots()
    assert found.plot(ax) is ax and ax.has_data()


def test_versions_side_by_side(found):
    if found.ROOM == "explain":
        pytest.skip("follows one unit")
    both = account_of({"as it is": found, "again": found})
    assert any({row[0] for row in table.rows} >= {"as it is", "again"} for table in both.tables if table.rows) or (
        {"as it is", "again"} <= {table.title.partition(":")[0] for table in both.tables}
    )
