"""``fetsim measure hum``: hum of a unit with mains, and the parts that it comes in by."""

from typing import Annotated

import typer

from fetsim.cli.measure.shared import measure_and_tell
from fetsim.cli.numbers import numbers
from fetsim.cli.options import FigureFiles, MeasuredOptions
from fetsim.measurements.hum.procedure import measure_hum


def hum(
    chosen: MeasuredOptions,
    files: FigureFiles,
    reduction: Annotated[
        str, typer.Option("--reduction", metavar="DB", help="gain reductions at which the unit is held; 0 is at rest")
    ] = "0,10",
    level: Annotated[
        float | None, typer.Option("--level", "-l", metavar="DBU", help="of the burst under which rails sag; full "
                                   "scale if left out")
    ] = None,
    burst: Annotated[float, typer.Option("--burst", metavar="S", help="how long that is")] = 0.3,
) -> None:  # fmt: skip
    """Hum lines at rest and in gain reduction, through which rail and part each comes in, ripple and sag.

    \b
    fetsim measure hum --unit dunlin-mains --plot hum.svg
    fetsim measure hum --unit dunlin-mains -v 'dried out: C94=330u, C94.esr=4' -v 'new: C94=2200u'
    """
    reductions_db = numbers(reduction, "--reduction")
    measure_and_tell(
        chosen, files,
        lambda unit, told: measure_hum(
            unit, reductions_db=reductions_db, level_dbu=level, burst_s=burst, quality=chosen.quality
        ),
    )  # fmt: skip
