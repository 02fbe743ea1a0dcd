"""A bench sheet as one HTML page to be printed: cautions first, then tables with lines to write on."""

from pathlib import Path

from fetsim.files.whole_files import Outputs, writing
from fetsim.report.pages.content import page_table
from fetsim.report.pages.filled import filled
from fetsim.report.pages.page_path import check_page_path
from fetsim.studies.sheet.record import BenchSheet

WHAT = "a sheet"


def sheet_html(sheet: BenchSheet) -> str:
    """The page."""
    account = sheet.account()
    return filled(
        "sheet/page.html",
        name=sheet.provenance.unit,
        about=sheet.unit.about,
        title=account.title,
        cautions=account.cautions,
        lead=account.lead,
        tables=[(table.key, page_table(table)) for table in account.tables],
        definitions=account.definitions,
        made=sheet.provenance.made_utc,
    )


def write_sheet(path: str | Path, sheet: BenchSheet, *, overwrite: bool = False) -> Path:
    """Write the page, whole or not at all. Raises InputError where it cannot be.

    >>> import fetsim
    >>> sheet = fetsim.bench_sheet("teaching", builds=4, quality="draft", workers=1)
    >>> fetsim.write_sheet("sheet.html", sheet).name
    'sheet.html'
    """
    path = Path(path)
    check_page_path(path, WHAT)
    with Outputs(overwrite=overwrite, inputs=sheet.unit.files) as outputs:
        staged = outputs.stage(path)
        with writing(path):
            staged.write_text(sheet_html(sheet), encoding="utf-8")
    return path
