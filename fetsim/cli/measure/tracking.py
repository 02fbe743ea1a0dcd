"""``fetsim measure tracking``: how the channels of a pair go together."""

from typing import Annotated

import typer

from fetsim.cli.measure.shared import measure_and_tell
from fetsim.cli.numbers import numbers
from fetsim.cli.options import AgainstOption, FigureFiles, VersionOptions
from fetsim.measurements.tracking.procedure import DEFAULT_FREQUENCY_HZ, DEFAULT_LOUDER_DB, measure_tracking
from fetsim.rig.gain_cell import reference_named


def tracking(
    chosen: VersionOptions,
    files: FigureFiles,
    level: Annotated[
        str,
        typer.Option("--level", "-l", metavar="DBU", help="of the louder side, at the source: FROM:TO:STEP or with "
                     "commas"),
    ] = "-30:20:5",
    louder: Annotated[
        float, typer.Option("--louder", metavar="DB", help="by how much one side is louder than the other")
    ] = DEFAULT_LOUDER_DB,
    frequency: Annotated[float, typer.Option("--frequency", metavar="HZ", help="of the tone")] = DEFAULT_FREQUENCY_HZ,
    against: AgainstOption = "idle",
) -> None:  # fmt: skip
    """Gain reduction of both channels of a pair over level, and the image shift when one side is louder; joined, and
    apart.

    \b
    fetsim measure tracking --unit dunlin-pair --plot tracking.svg
    fetsim measure tracking --unit dunlin-pair --change right_J1.i_dss=13.5mA --louder 10
    fetsim measure tracking --unit dunlin-pair -v 'alike:' -v 'weaker right: right_J1.i_dss=13.5mA'
    """
    levels_dbu, reference = numbers(level, "--level"), reference_named(against)
    measure_and_tell(
        chosen, files,
        lambda unit, told: measure_tracking(
            unit, levels_dbu=levels_dbu, louder_db=louder, frequency_hz=frequency, against=reference,
            quality=chosen.quality, progress=told,
        ),
    )  # fmt: skip
