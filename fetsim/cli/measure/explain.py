"""``fetsim measure explain``: one burst followed round the loop."""

from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from fetsim.cli.measure.shared import Fill, destination, progress_bar, write_results
from fetsim.cli.numbers import words
from fetsim.cli.options import AgainstOption, FigureFiles, MeasuredUnitOptions, QualityOption
from fetsim.measurements.explain.procedure import (
    DEFAULT_BURST_S,
    DEFAULT_FREQUENCY_HZ,
    DEFAULT_LEVEL_DBU,
    DEFAULT_STEP_DB,
    LONGEST_RELEASE_S,
    Explanation,
    measure_explain,
)
from fetsim.rig.gain_cell import reference_named
from fetsim.rig.quality import DEFAULT_QUALITY
from fetsim.schematic.unit import Unit


def explain(
    chosen: MeasuredUnitOptions,
    files: FigureFiles,
    quality: QualityOption = DEFAULT_QUALITY,
    level: Annotated[
        float, typer.Option("--level", "-l", metavar="DBU", help="of the burst, at the source")
    ] = DEFAULT_LEVEL_DBU,
    before: Annotated[
        float | None,
        typer.Option("--before", metavar="DBU", help=f"level at the source before and after the burst (default: "
                     f"{DEFAULT_STEP_DB:g} dB less)"),
    ] = None,
    frequency: Annotated[float, typer.Option("--frequency", metavar="HZ", help="of the tone")] = DEFAULT_FREQUENCY_HZ,
    burst: Annotated[
        float, typer.Option("--burst", metavar="S", help="length of the burst, made up to whole cycles")
    ] = DEFAULT_BURST_S,
    phase: Annotated[
        float, typer.Option("--phase", metavar="DEG", help="of the tone where the burst begins; 0: rising through zero")
    ] = 0.0,
    tail: Annotated[
        float | None,
        typer.Option("--tail", metavar="S", help="length of the record after the burst (default: until the "
                     f"control has come back, {LONGEST_RELEASE_S:g} s at most)"),
    ] = None,
    against: AgainstOption = "idle",
    tap: Annotated[
        str | None, typer.Option("--tap", metavar="NAME", help="probe or node to watch behind the divider")
    ] = None,
    rectifier: Annotated[
        str | None,
        typer.Option("--rectifier", metavar="NAMES", help="probes or nodes to watch before the rectifier"),
    ] = None,
    motion: Annotated[
        Path | None,
        typer.Option("--motion", metavar="FILE.html", help="write a page on which the burst runs round the loop in "
                     "slow motion"),
    ] = None,
    film: Annotated[
        Path | None,
        typer.Option("--film", metavar="FILE.gif|.mp4", help="write how it begins as an animated picture, or a video "
                     "where ffmpeg is on the path"),
    ] = None,
) -> None:  # fmt: skip
    """One burst followed round the loop, with a sentence for each trace: what it does, and when.

    \b
    fetsim measure explain --plot loop.svg
    fetsim measure explain --motion loop.html --film loop.gif
    fetsim measure explain --unit teaching --level -10
    fetsim measure explain -c attack=0 --frequency 5000 --phase 90 --json loop.json
    """
    from fetsim.report.explain.film import check_film_path
    from fetsim.report.pages.motion import WHAT, check_burst
    from fetsim.report.pages.page_path import check_page_path

    unit, watched = chosen.chosen(), words(rectifier, "--rectifier") or ()
    if motion is not None:
        check_page_path(motion, WHAT)
    if film is not None:
        check_film_path(film)
    shown = [path for path in (motion, film) if path is not None]
    if shown:
        check_burst(burst)
    with destination(files, unit.files, others=shown) as write:
        with progress_bar(unit) as progress:
            one = measure_explain(
                unit, level_dbu=level, before_dbu=before, frequency_hz=frequency, burst_s=burst, phase_deg=phase,
                tail_s=tail, tap=tap, rectifier=watched, against=reference_named(against), moving=bool(shown),
                quality=quality, progress=progress,
            )  # fmt: skip
        page = write_results(write, {"": one}, {}, fill=_filling(unit, one, motion, film))
    typer.echo(page)


def _filling(unit: Unit, one: Explanation, motion: Path | None, film: Path | None) -> dict[Path, Fill]:
    """What writes the page in slow motion and the film."""
    from fetsim.report.explain.film import fill_film
    from fetsim.report.pages.motion import fill_page

    fill: dict[Path, Fill] = {}
    if motion is not None:
        fill[motion] = partial(fill_page, unit=unit, one=one)
    if film is not None:
        fill[film] = partial(fill_film, path=film, unit=unit, one=one)
    return fill
