"""``fetsim measure curve``: output against input level."""

from typing import Annotated

import typer

from fetsim.cli.measure.shared import measure_and_tell
from fetsim.cli.numbers import numbers, varied, words
from fetsim.cli.options import AgainstOption, FigureFiles, MeasuredOptions
from fetsim.measurements.bench.subsets import EVERY
from fetsim.measurements.curve.procedure import (
    DEFAULT_FREQUENCY_HZ,
    EQUAL_DB,
    CurveMeasurement,
    closed_switches,
    measure_curve,
)
from fetsim.measurements.curve.tables import left_out
from fetsim.rig.gain_cell import reference_named
from fetsim.rig.runner import Progress
from fetsim.schematic.unit import Unit


def curve(
    chosen: MeasuredOptions,
    files: FigureFiles,
    switches: Annotated[
        str | None,
        typer.Option("--switches", "-s", metavar="SUBSETS", help="closed switches of the bank, such as 'S1, S2+S3, "
                     "none', or every (default: each switch on its own)"),
    ] = None,
    level: Annotated[
        str,
        typer.Option("--level", "-l", metavar="DBU", help="levels at the source, rising: FROM:TO:STEP or with commas"),
    ] = "-30:24:1",
    frequency: Annotated[
        float, typer.Option("--frequency", metavar="HZ", help="of the tone")
    ] = DEFAULT_FREQUENCY_HZ,
    against: AgainstOption = "idle",
    wait: Annotated[
        float | None,
        typer.Option("--wait", metavar="S", help="read every level after so many seconds, as a bench would, instead of "
                     "solving for the steady state"),
    ] = None,
    equal: Annotated[
        bool, typer.Option("--equal/--no-equal", help="look through all subsets of the bank for equal curves")
    ] = True,
    within: Annotated[
        float, typer.Option("--within", metavar="DB", help="curves that stay as near as this count as equal")
    ] = EQUAL_DB,
) -> None:  # fmt: skip
    """Output against input level: thresholds, local ratio (slope of the curve), most gain reduction, equal switches.

    \b
    fetsim measure curve --plot curve.svg
    fetsim measure curve --switches 'S1, S1+S2, all' --level -20:24:2
    fetsim measure curve -s S2 -v 'as it is:' -v 'later, harder: R42=12k, R32=9k1' --plot both.png
    fetsim measure curve -s S1 --vary idle_trim=0.2:0.4:0.05 --plot trim.svg

    Where the bank itself is varied (--vary SW1=soft,hard) each version has the curve of its own setting.
    A switch setting that has no steady state is named and left out; the exit status is 1 then.
    """
    levels_dbu = numbers(level, "--level")
    subsets = EVERY if switches == EVERY else words(switches, "--switches")
    grid = varied(chosen.vary)

    def measured(unit: Unit, told: Progress) -> CurveMeasurement:
        as_it_is = subsets is None and next(iter(unit.banks), None) in grid
        return measure_curve(
            unit, switches=[closed_switches(unit)] if as_it_is else subsets, levels_dbu=levels_dbu,
            frequency_hz=frequency, wait_s=wait, compare=equal and not as_it_is, equal_db=within,
            against=reference_named(against), quality=chosen.quality, progress=told,
        )  # fmt: skip

    measure_and_tell(
        chosen, files, measured,
        left_out=lambda measured: [f"left out: {text}" for text in left_out(measured)],
    )  # fmt: skip
