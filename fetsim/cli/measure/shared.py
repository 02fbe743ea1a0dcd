"""What all measurements of ``fetsim measure`` share: versions of a unit, numbers in a row, files, the progress bar."""

import csv
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from math import isfinite
from pathlib import Path
from typing import Annotated, Any, TypeVar

import typer
from matplotlib.figure import Figure

import fetsim
from fetsim.audio.render_file import COMPILING
from fetsim.cli.options import chosen_unit
from fetsim.errors import InputError, PartlyDone
from fetsim.files.whole_files import Outputs, writing
from fetsim.measurements.results.result import Result as MeasuredResult
from fetsim.measurements.results.result import account_of, picture_of
from fetsim.measurements.to_plain import json_text
from fetsim.report.look.plots import picture_kind, save_figure
from fetsim.report.look.terminal import account_text
from fetsim.rig.rig import unit_needs_compile
from fetsim.rig.runner import Progress, run_each, unwatched
from fetsim.safe_text import table_cell
from fetsim.schematic.unit import Unit

Result = TypeVar("Result")
Row = Mapping[str, str | float | int | None]
"""Heading -> cell of one line of a CSV file."""

VersionOption = Annotated[
    list[str] | None,
    typer.Option(
        "--version", "-v", metavar="'LABEL: NAME=VALUE, ...'",
        help="measure this version of the unit too, on top of --change, and draw it into the same plot; 'as it is:' "
        "changes nothing; repeat for more",
    ),
]  # fmt: skip
JsonOption = Annotated[
    Path | None, typer.Option("--json", metavar="FILE", help="write all figures and settings as JSON")
]
CsvOption = Annotated[
    Path | None, typer.Option("--csv", metavar="FILE", help="write the figures as a table")
]
PlotOption = Annotated[
    Path | None, typer.Option("--plot", metavar="FILE", help="draw the figures (.svg, .png or .pdf)")
]

Write = Callable[..., None]
"""Takes a document, rows and a function that draws."""

LONGEST_RANGE = 2000  # numbers


def chosen_versions(
    unit: str, change: list[str] | None, load: str | None, version: list[str] | None
) -> dict[str, Unit]:
    """Label -> unit: each ``--version``, or the unit with its changes under an empty label."""
    base = chosen_unit(unit, change, load=load)
    if not version:
        return {"": base}
    found: dict[str, Unit] = {}
    for text in version:
        label, sign, changes = text.partition(":")
        label = label.strip()
        if not sign or not label:
            raise InputError(
                f"--version: {text[:60]!r} is not 'LABEL: NAME=VALUE, ...', such as 'slow: C16=220n, attack=0.8'"
            )
        if label in found:
            raise InputError(f"--version: the label {label!r} is given twice")
        found[label] = base.changed(_changes(changes)) if changes.strip() else base
    return found


def unit_files(versions: Mapping[str, Unit]) -> list[Path]:
    """The files that the versions were read from."""
    return [one.path for one in versions.values()]


def measured_versions(
    versions: Mapping[str, Unit], measure: Callable[[Unit, Progress], Result]
) -> tuple[dict[str, Result], dict[str, str]]:
    """Label -> measurement, over all cores, with a bar on a terminal; and label -> why there is none.

    Raises an error when no version can be measured.
    """
    with progress_bar(next(iter(versions.values()))) as progress:
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


def numbers(text: str, option: str) -> list[float]:
    """``-30:24:2`` (from, to, step) or ``1, 2, 5``. Raises InputError that names the option."""
    parts = text.split(":")
    try:
        values = [float(part) for part in (parts if len(parts) > 1 else text.split(","))]
    except ValueError:
        raise InputError(f"{option}: {text[:40]!r} is neither FROM:TO:STEP nor numbers with commas between") from None
    if len(parts) == 1:
        return values
    if len(values) != 3 or not all(isfinite(value) for value in values) or values[2] <= 0.0 or values[1] < values[0]:
        raise InputError(f"{option}: {text[:40]!r} is not FROM:TO:STEP with a step above zero")
    start, stop, step = values
    count = int((stop - start) / step + 1e-9) + 1
    if count > LONGEST_RANGE:
        raise InputError(f"{option}: {text[:40]!r} means {count} numbers; more than {LONGEST_RANGE} are too many")
    return [start + step * k for k in range(count)]


def words(text: str | None) -> list[str] | None:
    """Words with commas between as a list; None for None."""
    return None if text is None else [word.strip() for word in text.split(",") if word.strip()]


@contextmanager
def destination(
    json_to: Path | None, csv_to: Path | None, plot_to: Path | None, force: bool, inputs: Iterable[Path],
    pictures: Sequence[Path] = (),
) -> Iterator[Write]:
    """The files of one measurement, refused before it begins where they cannot be, and whole or not there at all.

    ``inputs`` are all files that it reads, the unit's among them. Gives ``write(document, rows, draw, *draw_more)`` to
    be called once at the end, with a function for each of ``pictures`` besides the plot.
    """
    kinds = {path: picture_kind(path) for path in (plot_to, *pictures) if path is not None}
    with Outputs(overwrite=force, inputs=inputs) as outputs:
        wanted = (json_to, csv_to, plot_to, *pictures)
        staged = {path: outputs.stage(path) for path in wanted if path is not None}

        def write(
            document: Mapping[str, Any], rows: Sequence[Row], draw: Callable[[], Figure],
            *draw_more: Callable[[], Figure],
        ) -> None:
            if json_to is not None:
                with writing(json_to):
                    staged[json_to].write_text(json_text(document), encoding="utf-8")
            if csv_to is not None:
                with writing(csv_to):
                    _write_csv(rows, staged[csv_to])
            for path, make in zip((plot_to, *pictures), (draw, *draw_more), strict=True):
                if path is not None:
                    with writing(path):
                        save_figure(make(), staged[path], kinds[path])

        yield write


def write_results(write: Write, measured: Mapping[str, MeasuredResult], problems: Mapping[str, str]) -> str:
    """Write the files of a measurement of one or more versions by what ``destination`` gave; the page to print.

    ``problems``: label -> why a version has no result.
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
    write(whole, account.records(), lambda: picture_of(measured))
    return account_text(account)


def document(
    what: str,
    quality: str,
    versions: Mapping[str, Unit],
    results: Mapping[str, Mapping[str, Any]],
    problems: Mapping[str, str],
) -> dict[str, Any]:
    """The JSON of a measurement: what was measured, each version's changes against the unit as loaded, its figures or
    why there are none."""
    return {
        "measurement": what,
        "fetsim": fetsim.__version__,
        "unit": next(iter(versions.values())).origin.name,
        "quality": quality,
        "versions": [
            {
                "label": label,
                "changes": [dict(zip(("name", "before", "after"), one, strict=True)) for one in version.changes],
                **(results[label] if label in results else {"problem": problems[label]}),
            }
            for label, version in versions.items()
        ],
    }


@contextmanager
def progress_bar(unit: Unit) -> Iterator[Progress]:
    """A bar with the percentage and the time left, on a terminal only; tells of a compile that comes first."""
    if unit_needs_compile(unit):
        print(f"fetsim: {COMPILING}", file=sys.stderr, flush=True)
    if not sys.stderr.isatty():
        yield unwatched
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TimeRemainingColumn

    columns = (BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("measure", total=1.0)
        yield lambda share: bar.update(task, completed=share)


def labelled(version: str, rest: str) -> str:
    """A name for a line of a plot out of the version's label and what else tells it apart."""
    return ", ".join(part for part in (version, rest) if part)


def _changes(text: str) -> dict[str, str | float]:
    found: dict[str, str | float] = {}
    for change in text.split(","):
        name, sign, value = (word.strip() for word in change.partition("="))
        if not sign or not name or not value:
            raise InputError(f"--version: {change.strip()[:60]!r} is not NAME=VALUE, such as C16=220n")
        if name in found:
            raise InputError(f"--version: {name} is given twice in one version")
        found[name] = value
    return found


def _write_csv(rows: Sequence[Row], path: Path) -> None:
    headings = list(dict.fromkeys(name for row in rows for name in row))
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.DictWriter(file, headings, restval="")
        table.writeheader()
        table.writerows({name: _cell(value) for name, value in row.items()} for row in rows)


def _cell(value: str | float | int | None) -> str:
    if value is None or (isinstance(value, float) and not isfinite(value)):
        return ""
    return f"{value:.8g}" if isinstance(value, float) else table_cell(value) if isinstance(value, str) else str(value)
