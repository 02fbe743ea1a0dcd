"""What came of a study of one real unit as one HTML page: cautions first, then what it comes to, then each table with
the pictures that belong to it.

The page goes to the bench, where probes are put into a powered unit: it prints, and nothing runs on it.
"""

from collections.abc import Sequence
from pathlib import Path

from fetsim.errors import InputError
from fetsim.files.whole_files import Outputs, writing
from fetsim.report.faults.picture import panels as of_faults
from fetsim.report.fit.picture import panels as of_fit
from fetsim.report.look.panels import Panel, alone
from fetsim.report.pages.content import Picture, Section, page_table
from fetsim.report.pages.filled import filled
from fetsim.report.pages.page_path import check_page_path
from fetsim.report.pages.svg import inline_svg
from fetsim.report.suspects.picture import panels as of_suspects
from fetsim.studies.faults.record import FaultsFound
from fetsim.studies.fit.record import Fit
from fetsim.studies.suspects.record import Suspicion

KINDS = {
    "suspects": "What may be wrong with a real unit", "fit": "Values of a real unit",
    "faults": "Single faults of a simulated unit",
}  # fmt: skip
Found = Suspicion | Fit | FaultsFound


def study_html(found: Found) -> str:
    """The page."""
    account = found.account()
    panels = _panels(found)
    return filled(
        "study/page.html",
        kind=KINDS[found.ROOM],
        name=found.provenance.unit,
        title=account.title,
        cautions=account.cautions,
        lead=account.lead,
        sections=[
            Section(table.key, table.title, pictures=_pictures(table.key, panels), tables=[page_table(table)])
            for table in account.tables
        ],
        definitions=account.definitions,
        made=found.provenance.made_utc,
    )


def write_study(path: str | Path, found: Found, *, overwrite: bool = False) -> Path:
    """Write the page of what ``fit``, ``suspects`` or ``faults`` found, whole or not at all. Raises InputError where it
    cannot be.

    >>> import fetsim
    >>> found = fetsim.faults("teaching", parts=["R4"], figures=["gain"], builds=4, workers=1)
    >>> fetsim.write_study("faults.html", found).name
    'faults.html'
    """
    path = Path(path)
    check_page_path(path)
    if not isinstance(found, Suspicion | Fit | FaultsFound):
        raise InputError(f"found: is {type(found).__name__}; a page is made of what fit, suspects or faults found")
    with Outputs(overwrite=overwrite) as outputs:
        staged = outputs.stage(path)
        with writing(path):
            fill_study(staged, found)
    return path


def fill_study(target: Path, found: Found) -> None:
    """Put the page into a file."""
    target.write_text(study_html(found), encoding="utf-8")


def _panels(found: Found) -> Sequence[Panel]:
    if isinstance(found, Suspicion):
        return of_suspects(found)
    return of_fit(found) if isinstance(found, Fit) else of_faults(found)


def _pictures(key: str, panels: Sequence[Panel]) -> list[Picture]:
    own = [one for one in panels if one.beside == key]
    return [Picture(inline_svg(alone(one), f"{key}-{number}"), one.caption) for number, one in enumerate(own)]
