"""``fetsim measure report``: all measurements of one unit as one HTML page."""

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from fetsim.cli.numbers import words
from fetsim.cli.options import ForceOption, JsonOption, MeasuredUnitOptions, QualityOption
from fetsim.report.pages.page_path import check_page_path
from fetsim.report.pages.report import write_report
from fetsim.report.pages.report.sections import NAMES
from fetsim.rig.quality import DEFAULT_QUALITY
from fetsim.rig.rig import compile_notice
from fetsim.schematic.unit import Unit


def report(
    chosen: MeasuredUnitOptions,
    target: Annotated[
        Path | None,
        typer.Argument(metavar="[PAGE]", help="where to (default: the unit's name with -report.html, in this folder)"),
    ] = None,
    quality: QualityOption = DEFAULT_QUALITY,
    only: Annotated[
        str | None,
        typer.Option("--only", metavar="SECTIONS", help=f"some of {', '.join(NAMES)} (default: all)"),
    ] = None,
    json_to: JsonOption = None,
    force: ForceOption = False,
) -> None:  # fmt: skip
    """All measurements of one unit as one HTML page that needs no network, with settings, definitions and cautions.

    \b
    fetsim measure report
    fetsim measure report bigger.html --change C16=330n
    fetsim measure report --only curve,timing --unit mine.toml

    A section that cannot be measured says why in its place; the others are there all the same.
    """
    unit = chosen.chosen()
    page = target or Path(f"{unit.path.stem}-report.html")
    check_page_path(page, "a report")
    with _progress(unit) as watch:
        sections = write_report(
            page, unit, unit.origin, only=words(only, "--only"), quality=quality, json_to=json_to, overwrite=force,
            watch=watch,
        )  # fmt: skip
    for one in sections:
        if one.problem:
            print(f"fetsim: {one.name}: not measured: {one.problem}", file=sys.stderr)
    typer.echo(page)
    crashed = [one for one in sections if one.trace]
    if crashed:
        names = ", ".join(one.name for one in crashed)
        print(f"fetsim: a mistake in the program kept {names} off the page; please send us this:", file=sys.stderr)
        for one in crashed:
            print(one.trace, end="", file=sys.stderr)
        raise typer.Exit(1)


@contextmanager
def _progress(unit: Unit) -> Iterator[Callable[[str, float], None]]:
    """A bar with the section at work on a terminal; elsewhere a line for each section."""
    if told := compile_notice(unit):
        print(f"fetsim: {told}", file=sys.stderr, flush=True)
    if not sys.stderr.isatty():
        yield _Lines()
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

    columns = (BarColumn(), TaskProgressColumn(), TimeElapsedColumn(), TextColumn("{task.fields[section]}"))
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("report", total=1.0, section="")
        yield lambda title, share: bar.update(task, completed=share, section=title)


class _Lines:
    """Says which section is at work, once for each."""

    def __init__(self) -> None:
        self._last, self._began = "", time.perf_counter()

    def __call__(self, title: str, share: float) -> None:
        if title and title != self._last:
            taken = time.perf_counter() - self._began
            print(f"fetsim: {title} ({100.0 * share:.0f} % done, {taken:.0f} s)", file=sys.stderr, flush=True)
            self._last = title
