"""``fetsim drawer``: measured FETs in a unit, the likest one, and the best pairs."""

from math import isfinite
from pathlib import Path
from typing import Annotated

import typer

from fetsim.cli.measure.shared import destination, progress_bar, tell_unmeasured, write_results
from fetsim.cli.numbers import numbers
from fetsim.cli.options import FigureFiles, MeasuredUnitOptions, QualityOption, SchedulerOption, WorkersOption
from fetsim.errors import InputError
from fetsim.rig.quality import DEFAULT_QUALITY
from fetsim.schematic.values import parse_value
from fetsim.schematic.versions import parse_changes


def drawer(
    chosen: MeasuredUnitOptions,
    files: FigureFiles,
    fets: Annotated[
        Path | None, typer.Argument(metavar="FETS.csv", help="the list: name, i_dss, v_gs_off, v_gs_off_current")
    ] = None,
    like: Annotated[
        str | None,
        typer.Option("--like", metavar="NAME|'NAME=VALUE, ...'", help="what they are compared with: a FET of the list, "
                     "or changes that make the target (default: the unit's present FET)"),
    ] = None,
    level: Annotated[
        str | None,
        typer.Option("--level", "-l", metavar="DBU", help="levels of the curves at the source, FROM:TO:STEP or with "
                     "commas (default: -18:15:3)"),
    ] = None,
    off_current: Annotated[
        str | None,
        typer.Option("--off-current", metavar="AMPERE", help="drain current at which all V_GS(off) were read, as 1uA, "
                     "where the list has no column of it"),
    ] = None,
    how: Annotated[bool, typer.Option("--how", help="tell how the two figures are measured, and end")] = False,
    workers: WorkersOption = None,
    scheduler: SchedulerOption = None,
    quality: QualityOption = DEFAULT_QUALITY,
) -> None:  # fmt: skip
    """Put every FET of a drawer into the unit, set its trims, and tell which is likest and which two make a pair.

    \b
    fetsim drawer fets.csv
    fetsim drawer fets.csv --like A3 --csv curves.csv --plot drawer.svg
    fetsim drawer fets.csv --unit mine.toml --like 'J1.i_dss=14mA, J1.pinch_off_voltage=-4.2'
    fetsim drawer --how

    The list has a row for each FET, with columns name, i_dss, v_gs_off, v_gs_off_current, and r_ds_on and v_ds where
    they are known; units stand behind the numbers or in the heading, as i_dss [mA].
    """
    if how:
        from fetsim.report.drawer.how import how_text

        typer.echo(how_text())
        return
    if fets is None:
        raise InputError("FETS.csv: give the list of FETs; fetsim drawer --how tells how they are measured")
    from fetsim.studies.drawer.jig import gain_fet
    from fetsim.studies.drawer.study import DEFAULT_LEVELS_DBU, measure_drawer

    unit = chosen.chosen()
    gain_fet(unit)  # says so where there is none, before anything slow is begun
    levels = DEFAULT_LEVELS_DBU if level is None else numbers(level, "--level")
    target = parse_changes(like.split(","), "--like") if like is not None and "=" in like else like
    with destination(files, [fets, *unit.files]) as write, progress_bar(unit) as progress:
        found = measure_drawer(
            fets, unit, like=target, levels_dbu=levels, quality=quality, workers=workers, scheduler=scheduler,
            off_current_a=None if off_current is None else _ampere(off_current), progress=progress,
        )  # fmt: skip
        page = write_results(write, {"": found}, {})
    typer.echo(page)
    lacking = [one for one in found.fets if one.told and not isfinite(one.unlikeness)]
    tell_unmeasured({}, [f"{one.fet.name}: {one.told[0]}" for one in lacking])


def _ampere(text: str) -> float:
    try:
        return parse_value(text, "ampere")
    except InputError as error:
        raise InputError(f"--off-current: {error}") from None
