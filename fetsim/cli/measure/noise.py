"""``fetsim measure noise``: noise of the parts at the output, and the dynamic range."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated

import typer

from fetsim.cli.measure.shared import measure_and_print
from fetsim.cli.numbers import numbers
from fetsim.cli.options import FigureFiles, VersionOptions
from fetsim.measurements.noise.procedure import NoiseMeasurement, measure_noise
from fetsim.report.noise.text import named_states, noise_page, noise_rows

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def noise(
    chosen: VersionOptions,
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

    def draw(measured: Mapping[str, NoiseMeasurement]) -> "Figure":
        from fetsim.report.noise.picture import draw_noise

        return draw_noise(named_states(measured), f"{next(iter(measured.values())).unit}: noise at {at}")

    measure_and_print(
        "noise", chosen, files,
        lambda unit, told: measure_noise(unit, point=at, reductions_db=reductions_db, quality=chosen.quality),
        page=noise_page, rows=noise_rows, draw=draw,
    )  # fmt: skip
