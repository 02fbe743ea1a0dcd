"""The page of a study of one unit, as the commands that write one share it."""

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fetsim.cli.measure.shared import Fill
from fetsim.report.pages.page_path import check_page_path

if TYPE_CHECKING:
    from fetsim.report.pages.study import Found

PageOption = Annotated[
    Path | None, typer.Option("--page-to", metavar="FILE.html", help="write a page of it, its pictures beside it")
]


def page_files(page: Path | None) -> list[Path]:
    """What is to be written of it. Raises InputError for a name that no browser takes for a page."""
    if page is None:
        return []
    check_page_path(page)
    return [page]


def page_fill(page: Path | None, found: "Found") -> dict[Path, Fill]:
    """What writes it."""
    if page is None:
        return {}
    from fetsim.report.pages.study import fill_study

    return {page: partial(fill_study, found=found)}
