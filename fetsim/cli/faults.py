"""``fetsim faults``: every single fault of a unit, and which fits what was read."""

from pathlib import Path
from typing import Annotated

import typer

from fetsim.cli.measure.shared import destination, progress_bar, write_results
from fetsim.cli.numbers import words
from fetsim.cli.options import FigureFiles, QualityOption, SchedulerOption, UnitOptions, WorkersOption
from fetsim.cli.study_page import PageOption, page_files, page_fill
from fetsim.studies.faults.study import DEFAULT_BUILDS
from fetsim.studies.faults.study import faults as faults_of_unit


def faults(
    chosen: UnitOptions,
    files: FigureFiles,
    parts: Annotated[
        str | None, typer.Option("--parts", metavar="PARTS", help="faults of these parts alone, as C16, Q3")
    ] = None,
    mistakes: Annotated[
        bool, typer.Option("--mistakes", help="also what a hand gets wrong: values ten times off, neighbours swapped, "
                           "electrolytics and diodes the wrong way round"),
    ] = False,
    reported: Annotated[
        list[str] | None,
        typer.Option("--reported", metavar="NAME=VALUE", help="what was read of the unit on the bench, with its "
                     "accuracy: threshold=-4+-1, 'volts@ctl=-2V+-1%', release=0.1s; repeat for more"),
    ] = None,
    readings: Annotated[
        list[Path] | None,
        typer.Option("--readings", metavar="FILE", help="a file of readings, CSV or TOML; repeat for more"),
    ] = None,
    told_by: Annotated[
        str | None, typer.Option("--told-by", metavar="NAMES", help="figures that the groups go by, as volts@ctl, "
                                 "threshold (default: what is read, or all)"),
    ] = None,
    figures: Annotated[
        str | None, typer.Option("--figures", metavar="NAMES", help="what is simulated of each besides volts at rest")
    ] = None,
    aged: Annotated[
        float | None, typer.Option("--aged", metavar="SHARE", help="also the unit grown old, from 0 to this: 1 is dry "
                                   "electrolytics, dirty wipers, warm semiconductors"),
    ] = None,
    rates: Annotated[
        Path | None, typer.Option("--rates", metavar="FILE", help="how often parts fail, in place of the library's")
    ] = None,
    builds: Annotated[
        int, typer.Option("--builds", "-n", metavar="NUMBER", help="drawn within tolerances, trims set: good ones")
    ] = DEFAULT_BUILDS,
    page: PageOption = None,
    quality: QualityOption = "draft",
    workers: WorkersOption = None,
    scheduler: SchedulerOption = None,
) -> None:  # fmt: skip
    """Simulate every single fault of a unit, and tell what each does and which cannot be told apart.

    \b
    fetsim faults --csv dunlin.csv --plot dunlin.svg
    fetsim faults --reported threshold=-4+-1 --reported 'volts@ctl=-4.9V' --mistakes
    fetsim faults --parts 'C16, P4, R65' --told-by 'release, volts@ctl'
    fetsim faults --unit mine.toml --readings bench.csv --aged 0.3

    A fault is a value of a change: every command takes it, as fetsim render IN OUT --change C16=leaky:10M. With
    something reported the faults are sorted by how well they fit, and never more is claimed than the readings hold.
    What is done is kept: the same command after Ctrl-C goes on from there.
    """
    unit = chosen.chosen()
    read = [*(readings or ()), *([] if rates is None else [rates])]
    with destination(files, [*unit.files, *read], others=page_files(page)) as write:
        with progress_bar(unit, plays=True) as progress:
            found = faults_of_unit(
                unit, parts=words(parts, "--parts") or (), mistakes=mistakes, reported=reported or (),
                readings=readings or (), told_by=words(told_by, "--told-by"), figures=words(figures, "--figures"),
                aged=aged, rates=rates, builds=builds, quality=quality, workers=workers,
                scheduler=scheduler, progress=progress,
            )  # fmt: skip
        text = write_results(write, {"": found}, {}, fill=page_fill(page, found))
    typer.echo(text)
