"""``fetsim measure curve``: output against input level."""

from typing import Annotated

import typer

from fetsim.cli.measure.shared import (
    CsvOption,
    JsonOption,
    PlotOption,
    VersionOption,
    chosen_versions,
    destination,
    measured_versions,
    numbers,
    tell_unmeasured,
    unit_files,
    words,
    write_results,
)
from fetsim.cli.options import ChangeOption, ForceOption, LoadOption, QualityOption, UnitOption
from fetsim.measurements.bench.subsets import EVERY
from fetsim.measurements.curve.procedure import DEFAULT_FREQUENCY_HZ, EQUAL_DB, measure_curve
from fetsim.measurements.curve.tables import left_out


def curve(
    unit: UnitOption = "dunlin",
    change: ChangeOption = None,
    version: VersionOption = None,
    load: LoadOption = None,
    quality: QualityOption = "standard",
    switches: Annotated[
        str | None,
        typer.Option("--switches", "-s", metavar="SUBSETS", help="switch subsets such as 'S1, S2+S3, none', or every "
                     "(default: each switch on its own)"),
    ] = None,
    level: Annotated[
        str, typer.Option("--level", "-l", metavar="DBU", help="levels at the source, rising, FROM:TO:STEP")
    ] = "-30:24:1",
    frequency: Annotated[
        float, typer.Option("--frequency", metavar="HZ", help="of the tone")
    ] = DEFAULT_FREQUENCY_HZ,
    wait: Annotated[
        float | None,
        typer.Option("--wait", metavar="S", help="read every level after so many seconds, as a bench would, instead of "
                     "solving for the steady state"),
    ] = None,
    equal: Annotated[
        bool, typer.Option("--equal/--no-equal", help="look through all subsets of the bank for equal ones")
    ] = True,
    within: Annotated[
        float, typer.Option("--within", metavar="DB", help="curves as near as this count as equal")
    ] = EQUAL_DB,
    json_to: JsonOption = None,
    csv_to: CsvOption = None,
    plot_to: PlotOption = None,
    force: ForceOption = False,
) -> None:  # fmt: skip
    """Output against input level: thresholds, local ratio, most gain reduction, equal switch settings.

    \b
    fetsim measure curve --plot curve.svg
    fetsim measure curve --switches 'S1, S1+S2, all' --level -20:24:2
    fetsim measure curve -s S2 -v 'as it is:' -v 'later, harder: R42=12k, R32=9k1' --plot both.png

    A switch setting that has no steady state is named and left out; the exit status is 1 then.
    """
    versions = chosen_versions(unit, change, load, version)
    levels_dbu = numbers(level, "--level")
    subsets = EVERY if switches == EVERY else words(switches)
    with destination(json_to, csv_to, plot_to, force, unit_files(versions)) as write:
        measured, problems = measured_versions(
            versions,
            lambda one, told: measure_curve(
                one, switches=subsets, levels_dbu=levels_dbu, frequency_hz=frequency, wait_s=wait, compare=equal,
                equal_db=within, quality=quality, progress=told,
            ),
        )  # fmt: skip
        page = write_results(write, measured, problems)
    typer.echo(page)
    tell_unmeasured(problems, [f"left out: {text}" for text in left_out(measured)])
