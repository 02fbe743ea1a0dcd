"""``fetsim measure levels``: the level plan, stage by stage."""

from typing import Annotated

import typer

from fetsim.cli.measure.shared import (
    CsvOption,
    JsonOption,
    PlotOption,
    VersionOption,
    chosen_versions,
    destination,
    document,
    measured_versions,
    tell_unmeasured,
    unit_files,
    words,
)
from fetsim.cli.options import ChangeOption, ForceOption, LoadOption, QualityOption, UnitOption
from fetsim.measurements.bench.clipping import COMPRESSION_LIMIT_DB, THD_LIMIT, ClipLimits
from fetsim.measurements.levels.procedure import ALIGNMENT_DBU, measure_levels
from fetsim.report.levels.text import level_rows, levels_page


def levels(
    unit: UnitOption = "dunlin",
    change: ChangeOption = None,
    version: VersionOption = None,
    load: LoadOption = None,
    quality: QualityOption = "standard",
    level: Annotated[
        float, typer.Option("--level", "-l", metavar="DBU", help="nominal level at the source")
    ] = ALIGNMENT_DBU,
    at: Annotated[
        str | None,
        typer.Option("--at", metavar="POINTS", help="nodes or probes in signal order, instead of the stages' outputs"),
    ] = None,
    clip_distortion: Annotated[
        float, typer.Option("--clip-distortion", metavar="PERCENT", help="a stage clips where it adds so much")
    ] = 100.0 * THD_LIMIT,
    clip_loss: Annotated[
        float, typer.Option("--clip-loss", metavar="DB", help="or where it loses so much gain")
    ] = COMPRESSION_LIMIT_DB,
    json_to: JsonOption = None,
    csv_to: CsvOption = None,
    plot_to: PlotOption = None,
    force: ForceOption = False,
) -> None:  # fmt: skip
    """Nominal level, clip level, headroom and noise of each stage, and which one clips first.

    \b
    fetsim measure levels --plot levels.svg
    fetsim measure levels --level 10 --change drive=0.8
    fetsim measure levels -v 'as it is:' -v 'more makeup: makeup=0.9' --plot makeup.png
    """
    versions = chosen_versions(unit, change, load, version)
    limits = ClipLimits(thd=0.01 * clip_distortion, compression_db=clip_loss)
    with destination(json_to, csv_to, plot_to, force, unit_files(versions)) as write:
        measured, problems = measured_versions(
            versions,
            lambda one, told: measure_levels(
                one, level_dbu=level, points=words(at) or (), limits=limits, quality=quality
            ),
        )

        def draw():  # type: ignore[no-untyped-def]
            from fetsim.report.levels.picture import draw_levels

            return draw_levels(measured, f"{next(iter(measured.values())).unit}: level plan at {level:+g} dBu, 1 kHz")

        results = {label: one.to_dict() for label, one in measured.items()}
        write(document("levels", quality, versions, results, problems), level_rows(measured), draw)
    typer.echo(levels_page(measured, versions))
    tell_unmeasured(problems)
