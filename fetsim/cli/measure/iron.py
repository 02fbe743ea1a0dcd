"""``fetsim measure iron``: inductance and loss of transformers and chokes."""

from typing import Annotated

import typer

from fetsim.cli.measure.shared import measure_and_tell
from fetsim.cli.numbers import numbers
from fetsim.cli.options import FigureFiles, MeasuredOptions
from fetsim.measurements.iron.procedure import measure_iron


def iron(
    chosen: MeasuredOptions,
    files: FigureFiles,
    level: Annotated[
        str, typer.Option("--level", "-l", metavar="DBU", help="levels at the source, FROM:TO:STEP or with commas")
    ] = "-20,0,10,20",
    frequency: Annotated[
        str, typer.Option("--frequency", metavar="HZ", help="of the tones, with commas between")
    ] = "20,60,300,1000",
) -> None:  # fmt: skip
    """Inductance and loss of each transformer and choke, against level and frequency.

    \b
    fetsim measure iron --plot iron.svg
    fetsim measure iron --level -40:20:10 --frequency 20,60
    """
    levels_dbu, frequencies_hz = numbers(level, "--level"), numbers(frequency, "--frequency")
    measure_and_tell(
        chosen, files,
        lambda unit, told: measure_iron(
            unit, levels_dbu=levels_dbu, frequencies_hz=frequencies_hz, quality=chosen.quality, progress=told
        ),
    )  # fmt: skip
