"""What all measurements of ``fetsim measure`` share: versions measured side by side, their files, the progress bar."""

import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import typer

from fetsim.cli.options import FigureFiles, VersionOptions
from fetsim.errors import PartlyDone
from fetsim.files.tables import Row, write_csv
from fetsim.files.whole_files import Outputs, writing
from fetsim.measurements.results.result import Measured, Result, account_of, picture_of
from fetsim.measurements.to_plain import json_text
from fetsim.report.look.terminal import account_text
from fetsim.rig.rig import compile_notice
from fetsim.rig.runner import Progress, run_each
from fetsim.schematic.unit import Unit

if TYPE_CHECKING:
    from matplotlib.figure import Figure

AnyFound = TypeVar("AnyFound", bound=Measured)
AnyMeasured = TypeVar("AnyMeasured", bound=Result)
Draw = Callable[[], "Figure"]
Write = Callable[..., None]
"""Takes a document, rows and functions that draw; and for files of other kinds, what puts their content into them."""
Fill = Callable[[Path], None]
SPOKEN_S = 30.0
"""Where there is no terminal, progress is told so seldom."""


def measure_and_tell(
    chosen: VersionOptions,
    files: FigureFiles,
    measure: Callable[[Unit, Progress], AnyMeasured],
    left_out: Callable[[Mapping[str, AnyMeasured]], Sequence[str]] = lambda measured: (),
    more: Mapping[Path, Callable[[Mapping[str, AnyMeasured]], "Figure"]] | None = None,
    plays: bool = True,
) -> None:
    """Measure every version, write the files, print the page.

    ``left_out`` tells what is missing inside a measurement; ``more`` are further pictures; ``plays`` says whether a
    solver is needed, which may have to be compiled. Raises PartlyDone at the end where something is missing.
    """
    versions, pictures = chosen.units(), dict(more or {})
    with destination(files, chosen.read(versions.values()), list(pictures)) as write:
        measured, problems = measured_versions(versions, measure, plays=plays)
        page = write_results(write, measured, problems, pictures)
    typer.echo(page)
    tell_unmeasured(problems, left_out(measured))


def measured_versions(
    versions: Mapping[str, Unit], measure: Callable[[Unit, Progress], AnyMeasured], *, plays: bool = True
) -> tuple[dict[str, AnyMeasured], dict[str, str]]:
    """Label -> measurement, over all cores, with a bar on a terminal; and label -> why there is none.

    Raises an error when no version can be measured.
    """
    with progress_bar(next(iter(versions.values())), plays=plays) as progress:
        results, errors = run_each(versions, measure, progress)
    problems = {label: str(error) for label, error in errors.items()}
    if not results:
        alike = len(set(problems.values())) == 1
        first = next(iter(errors.values()))
        raise type(first)(str(first) if alike else "\n".join(_unmeasured(problems)))
    return results, problems


def tell_unmeasured(problems: Mapping[str, str], left_out: Sequence[str] = ()) -> None:
    """When all is printed and written: raises PartlyDone for versions, and what else, that are missing there."""
    if problems or left_out:
        raise PartlyDone("\n".join([*left_out, *_unmeasured(problems)]))


def _unmeasured(problems: Mapping[str, str]) -> list[str]:
    return [f"version {label!r}: not measured: {why}" for label, why in problems.items()]


@contextmanager
def destination(
    files: FigureFiles, inputs: Iterable[Path], pictures: Sequence[Path] = (), others: Sequence[Path] = ()
) -> Iterator[Write]:
    """The files of one measurement, refused before it begins where they cannot be, and whole or not there at all.

    ``inputs`` are all files that it reads, those of the units among them. Gives ``write(document, rows, draw,
    *draw_more, fill=...)`` to be called once at the end, with a function for each of ``pictures`` besides the plot, and
    for each of ``others`` one that fills the file it is given.
    """
    from fetsim.report.look.plots import picture_kind, save_figure

    drawn = [files.plot_to, *pictures]
    kinds = {path: picture_kind(path) for path in drawn if path is not None}
    with Outputs(overwrite=files.force, inputs=inputs) as outputs:
        wanted = (files.json_to, files.csv_to, *drawn, *others)
        staged = {path: outputs.stage(path) for path in wanted if path is not None}

        def write(
            document: Mapping[str, Any], rows: Sequence[Row], *draws: Draw, fill: Mapping[Path, Fill] | None = None
        ) -> None:
            if files.json_to is not None:
                with writing(files.json_to):
                    staged[files.json_to].write_text(json_text(document), encoding="utf-8")
            if files.csv_to is not None:
                with writing(files.csv_to):
                    write_csv(rows, staged[files.csv_to])
            for path, draw in zip(drawn, draws, strict=True):
                if path is not None:
                    with writing(path):
                        save_figure(draw(), staged[path], kinds[path])
            for path, put in (fill or {}).items():
                with writing(path):
                    put(staged[path])

        yield write


def write_results(
    write: Write,
    measured: Mapping[str, AnyMeasured],
    problems: Mapping[str, str],
    more: Mapping[Path, Callable[[Mapping[str, AnyMeasured]], "Figure"]] | None = None,
    fill: Mapping[Path, Fill] | None = None,
) -> str:
    """Write the files of a measurement of one or more versions by what ``destination`` gave; the page to print.

    ``problems``: label -> why a version has no result; ``fill``: see ``destination``.
    """
    account = account_of(measured)
    first = next(iter(measured.values()))
    made = first.provenance
    whole = {
        "measurement": first.ROOM,
        "fetsim": made.fetsim,
        "unit": made.unit,
        "quality": made.quality,
        "versions": [
            *({"label": label, "changes": one.provenance.changes, **one.to_dict()} for label, one in measured.items()),
            *({"label": label, "problem": why} for label, why in problems.items()),
        ],
        **account.to_dict(),
    }
    write(whole, account.records(), lambda: picture_of(measured), *_drawing(measured, more), fill=fill)
    return account_text(account)


def write_measured(
    write: Write,
    found: AnyFound,
    label: str,
    origin: Mapping[str, str],
    more: Mapping[Path, Callable[[Mapping[str, AnyFound]], "Figure"]] | None = None,
) -> str:
    """The same for one result that comes of recordings or a log; ``origin``: what it is made of -> file."""
    measured = {label: found}
    account = account_of(measured)
    whole = {"measurement": found.ROOM, **origin, **found.to_dict(), **account.to_dict()}
    write(whole, account.records(), lambda: picture_of(measured), *_drawing(measured, more))
    return account_text(account)


def _drawing(
    measured: Mapping[str, AnyFound], more: Mapping[Path, Callable[[Mapping[str, AnyFound]], "Figure"]] | None
) -> list[Draw]:
    return [partial(draw, measured) for draw in (more or {}).values()]


@dataclass(frozen=True, kw_only=True)
class Bar:
    """Progress as a terminal shows it, where there is one."""

    move: Progress
    say: Callable[[str], None]
    """What is being done: beside the bar, or on a line of its own where there is none."""

    def __call__(self, share: float) -> None:
        self.move(share)


@contextmanager
def progress_bar(unit: Unit, *, plays: bool = True) -> Iterator[Bar]:
    """A bar with the percentage and the time left, on a terminal only; tells of a compile that comes first, where the
    unit ``plays``, as one with mains does to find its rest."""
    if (plays or unit.mains) and (told := compile_notice(unit)):
        _say(told)
    if not sys.stderr.isatty():
        yield Bar(move=_Spoken(), say=_say)
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (BarColumn(), TaskProgressColumn(), TimeRemainingColumn(), TextColumn("{task.description}"))
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=1.0)
        yield Bar(
            move=lambda share: bar.update(task, completed=share), say=lambda text: bar.update(task, description=text)
        )


class _Spoken:
    """Progress where there is no terminal: the percentage, now and then."""

    def __init__(self) -> None:
        self._told, self._at_s = 0, time.perf_counter()

    def __call__(self, share: float) -> None:
        percent = int(100.0 * share)
        if percent > self._told and time.perf_counter() - self._at_s > SPOKEN_S:
            self._told, self._at_s = percent, time.perf_counter()
            _say(f"{percent} %")


def _say(text: str) -> None:
    print(f"fetsim: {text}", file=sys.stderr, flush=True)
