"""``fetsim measure noise``: noise of the parts at the output, and the dynamic range."""

from typing import Annotated

import typer

from fetsim.cli.measure.shared import measure_and_tell
from fetsim.cli.numbers import numbers
from fetsim.cli.options import FigureFiles, MeasuredOptions
from fetsim.measurements.noise.procedure import measure_noise


def noise(
    chosen: MeasuredOptions,
    files: FigureFiles,
    at: Annotated[str, typer.Option("--at", metavar="POINT", help="node or probe, input or output")] = "output",
    reduction: Annotated[
        str,
        typer.Option("--reduction", "-r", metavar="DB", help="amounts of gain reduction, such as '0, 10, 20' (0: at "
                     "rest); each is held by a fixed control voltage, with the loop open"),
    ] = "0",
) -> None:  # fmt: skip
    """Unweighted, A- and 468-weighted noise, dynamic range, and the parts that make the most of it.

    \b
    fetsim measure noise --reduction '0, 10, 20' --plot noise.svg
    fetsim measure noise -v 'as it is:' -v 'lower divider: R2=2k2' --json noise.json
    """
    reductions_db = numbers(reduction, "--reduction")
    measure_and_tell(
        chosen, files,
        lambda unit, told: measure_noise(unit, point=at, reductions_db=reductions_db, quality=chosen.quality),
    )  # fmt: skip
