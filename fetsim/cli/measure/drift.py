"""``fetsim measure drift``: bias, gain and threshold against temperature, cold and warm."""

from typing import Annotated

import typer

from fetsim.cli.measure.shared import measure_and_tell
from fetsim.cli.numbers import numbers
from fetsim.cli.options import FigureFiles, MeasuredOptions
from fetsim.measurements.drift.procedure import measure_drift
from fetsim.measurements.drift.tables import left_out


def drift(
    chosen: MeasuredOptions,
    files: FigureFiles,
    temperature: Annotated[
        str, typer.Option("--temperature", metavar="C", help="of the unit, FROM:TO:STEP or with commas between")
    ] = "5,25,55",
    after: Annotated[
        str, typer.Option("--after", metavar="S", help="seconds since switching on, beside just now and settled")
    ] = "",
) -> None:  # fmt: skip
    """Bias, gain and threshold against temperature, and from cold to warm where parts have a thermal resistance.

    \b
    fetsim measure drift --plot drift.svg
    fetsim measure drift --change Q6.thermal_resistance=80K/W --temperature -10:60:10
    """
    temperatures_c = numbers(temperature, "--temperature")
    after_s = numbers(after, "--after") if after.strip() else []
    measure_and_tell(
        chosen, files,
        lambda unit, told: measure_drift(
            unit, temperatures_c=temperatures_c, after_s=after_s, quality=chosen.quality, progress=told
        ),
        left_out=lambda measured: [f"left out: {text}" for text in left_out(measured)],
    )  # fmt: skip
