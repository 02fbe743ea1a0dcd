"""``fetsim measure sweep``: distortion against frequency."""

from typing import Annotated

import typer

from fetsim.cli.measure.shared import measure_and_tell
from fetsim.cli.numbers import numbers
from fetsim.cli.options import AgainstOption, FigureFiles, MeasuredOptions
from fetsim.errors import InputError
from fetsim.measurements.sweep.procedure import measure_sweep
from fetsim.rig.gain_cell import reference_named


def sweep(
    chosen: MeasuredOptions,
    files: FigureFiles,
    level: Annotated[
        str | None,
        typer.Option("--level", "-l", metavar="DBU", help="levels at the source, FROM:TO:STEP or with commas "
                     "(default: -20,0,10,20)"),
    ] = None,
    reduction: Annotated[
        str | None,
        typer.Option("--reduction", "-r", metavar="DB", help="instead: amounts of gain reduction; the levels at which "
                     "the unit has them at 1 kHz are looked for"),
    ] = None,
    frequency: Annotated[
        str, typer.Option("--frequency", metavar="HZ", help="of the tones, with commas between")
    ] = "20,30,50,100,200,500,1000,2000,5000,10000",
    at: Annotated[
        str, typer.Option("--at", metavar="POINT", help="node or probe where distortion is read")
    ] = "output",
    against: AgainstOption = "idle",
) -> None:  # fmt: skip
    """Distortion against frequency: THD and every harmonic of steady tones at one or several levels.

    \b
    fetsim measure sweep --plot sweep.svg
    fetsim measure sweep --at t1s --level -20,0,20 --frequency 20,30,60,300
    fetsim measure sweep --reduction 10 -v 'as it is:' -v 'larger C16: C16=330n'
    """
    if level is not None and reduction is not None:
        raise InputError("--level, --reduction: give one of the two")
    levels_dbu = None if level is None else numbers(level, "--level")
    reductions_db = None if reduction is None else numbers(reduction, "--reduction")
    frequencies_hz, reference = numbers(frequency, "--frequency"), reference_named(against)
    measure_and_tell(
        chosen, files,
        lambda unit, told: measure_sweep(
            unit, levels_dbu=levels_dbu, reductions_db=reductions_db, frequencies_hz=frequencies_hz, at=at,
            against=reference, quality=chosen.quality, progress=told,
        ),
        lambda measured: [
            f"{label}: {one.why}".removeprefix(": ") for label, found in measured.items() for one in found.unsteady
        ],
    )  # fmt: skip
