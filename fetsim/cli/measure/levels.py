"""``fetsim measure levels``: the level plan, stage by stage."""

from typing import Annotated

import typer

from fetsim.cli.measure.shared import measure_and_tell
from fetsim.cli.numbers import words
from fetsim.cli.options import FigureFiles, MeasuredOptions
from fetsim.measurements.bench.clipping import COMPRESSION_LIMIT_DB, THD_LIMIT, ClipLimits
from fetsim.measurements.levels.procedure import ALIGNMENT_DBU, measure_levels


def levels(
    chosen: MeasuredOptions,
    files: FigureFiles,
    level: Annotated[
        float, typer.Option("--level", "-l", metavar="DBU", help="nominal level at the source")
    ] = ALIGNMENT_DBU,
    at: Annotated[
        str | None,
        typer.Option("--at", metavar="POINTS", help="nodes or probes in signal order, instead of the stages' outputs"),
    ] = None,
    clip_distortion: Annotated[
        float, typer.Option("--clip-distortion", metavar="%", help="a stage clips where it adds so much distortion")
    ] = 100.0 * THD_LIMIT,
    clip_loss: Annotated[
        float, typer.Option("--clip-loss", metavar="DB", help="or where it loses so much gain")
    ] = COMPRESSION_LIMIT_DB,
) -> None:  # fmt: skip
    """Nominal level, clip level, headroom and noise of each stage, and which one clips first.

    \b
    fetsim measure levels --plot levels.svg
    fetsim measure levels --level 10 --change drive=0.8
    fetsim measure levels -v 'as it is:' -v 'more makeup: makeup=0.9' --plot makeup.png
    """
    limits, points = ClipLimits(thd=0.01 * clip_distortion, compression_db=clip_loss), words(at, "--at") or ()
    measure_and_tell(
        chosen, files,
        lambda unit, told: measure_levels(
            unit, level_dbu=level, points=points, limits=limits, quality=chosen.quality
        ),
    )  # fmt: skip
