"""``fetsim measure iron``: distortion against frequency, inductance of transformers and chokes against level."""

from typing import Annotated

import typer

from fetsim.cli.measure.shared import measure_and_tell
from fetsim.cli.numbers import numbers
from fetsim.cli.options import FigureFiles, VersionOptions
from fetsim.measurements.iron.procedure import measure_iron


def iron(
    chosen: VersionOptions,
    files: FigureFiles,
    level: Annotated[
        str, typer.Option("--level", "-l", metavar="DBU", help="levels at the source, FROM:TO:STEP or with commas")
    ] = "-20,0,10,20",
    frequency: Annotated[
        str, typer.Option("--frequency", metavar="HZ", help="of the tones, with commas between")
    ] = "20,30,60,100,300,1000,5000",
    at: Annotated[
        str, typer.Option("--at", metavar="POINT", help="node or probe where distortion is read")
    ] = "output",
) -> None:  # fmt: skip
    """THD and harmonics against frequency at given levels; inductance and loss of each core against level.

    \b
    fetsim measure iron --plot iron.svg
    fetsim measure iron --at t1s --level -20,0,20 --frequency 20,60,300
    """
    levels_dbu, frequencies_hz = numbers(level, "--level"), numbers(frequency, "--frequency")
    measure_and_tell(
        chosen, files,
        lambda unit, told: measure_iron(
            unit, levels_dbu=levels_dbu, frequencies_hz=frequencies_hz, at=at, quality=chosen.quality, progress=told
        ),
    )  # fmt: skip
