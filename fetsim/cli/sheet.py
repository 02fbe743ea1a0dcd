"""``fetsim sheet``: a page to lie beside the unit on the bench."""

from pathlib import Path
from typing import Annotated

import typer

from fetsim.cli.build_options import TrimsOptions
from fetsim.cli.measure.shared import progress_bar
from fetsim.cli.options import (
    CsvOption,
    ForceOption,
    JsonOption,
    MeasuredUnitOptions,
    QualityOption,
    SchedulerOption,
    WorkersOption,
)
from fetsim.errors import PartlyDone
from fetsim.files.tables import write_csv
from fetsim.files.whole_files import Outputs, writing
from fetsim.measurements.to_plain import json_text
from fetsim.report.look.terminal import account_text
from fetsim.report.pages.page_path import check_page_path
from fetsim.report.pages.sheet import WHAT, sheet_html
from fetsim.rig.quality import DEFAULT_QUALITY
from fetsim.studies.sheet.blank import blank_readings
from fetsim.studies.sheet.study import DEFAULT_BUILDS, DEFAULT_FREQUENCY_HZ, bench_sheet
from fetsim.studies.spread.study import DEFAULT_SEED


def sheet(
    chosen: MeasuredUnitOptions,
    alignment: TrimsOptions,
    builds: Annotated[
        int, typer.Option("--builds", "-n", metavar="NUMBER", help="from which the band of the volts comes")
    ] = DEFAULT_BUILDS,
    seed: Annotated[
        int, typer.Option("--seed", metavar="NUMBER", help="of the draws: the same one gives the same builds")
    ] = DEFAULT_SEED,
    frequency: Annotated[
        float, typer.Option("--frequency", metavar="HZ", help="of the tones")
    ] = DEFAULT_FREQUENCY_HZ,
    to: Annotated[
        Path | None, typer.Option("--to", metavar="FILE.html", help="write the sheet as a page to be printed")
    ] = None,
    blank: Annotated[
        Path | None, typer.Option("--blank", metavar="FILE.csv", help="write a list of readings to fill in, for fetsim "
                                  "fit and fetsim suspects")
    ] = None,
    json_to: JsonOption = None,
    csv_to: CsvOption = None,
    force: ForceOption = False,
    quality: QualityOption = DEFAULT_QUALITY,
    workers: WorkersOption = None,
    scheduler: SchedulerOption = None,
) -> None:  # fmt: skip
    """What to expect on the bench, with room to write: volts with their band, alignment, tones, work and ratings.

    \b
    fetsim sheet --trims --to dunlin-sheet.html
    fetsim sheet --unit mine.toml --change C16=330n --to sheet.html --force
    fetsim sheet --builds 300 --csv sheet.csv --blank readings.csv

    The band comes from tolerances and device sheets, as in fetsim spread. For a unit with changes, or a file that
    starts from another unit, the work is listed, and what is then used of the ratings. Where a build does not come to
    rest, or a tone or a trim's setting cannot be had, that is told and the exit status is 1.
    """
    unit = chosen.chosen()
    if to is not None:
        check_page_path(to, WHAT)
    with Outputs(overwrite=force, inputs=unit.files) as outputs:
        staged = {path: outputs.stage(path) for path in (to, json_to, csv_to, blank) if path is not None}
        with progress_bar(unit) as progress:
            found = bench_sheet(
                unit, builds=builds, seed=seed, frequency_hz=frequency, quality=quality, workers=workers,
                scheduler=scheduler, progress=progress, **alignment.set_first(),
            )  # fmt: skip
        account = found.account()
        if to is not None:
            with writing(to):
                staged[to].write_text(sheet_html(found), encoding="utf-8")
        if json_to is not None:
            with writing(json_to):
                document = {"study": "sheet", **found.to_dict(), **account.to_dict()}
                staged[json_to].write_text(json_text(document), encoding="utf-8")
        if csv_to is not None:
            with writing(csv_to):
                write_csv(account.records(), staged[csv_to])
        if blank is not None:
            with writing(blank):
                write_csv(blank_readings(found), staged[blank])
    page = account_text(account, cautions_first=True)
    wrote = [str(path) for path in (to, blank) if path is not None]
    typer.echo(f"{page}\n\nWrote {', '.join(wrote)}" if wrote else page)
    lacking = [f"tone {name}: {why}" for name, why in found.reasons.items()]
    lacking += [f"{step}: {why}" for step, why in found.missed.items()]
    if found.failures:
        lacking.append(f"{found.failures} of {found.builds} builds do not come to rest")
    if lacking:
        raise PartlyDone("\n".join(lacking))
