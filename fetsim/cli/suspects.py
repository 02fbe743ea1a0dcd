"""``fetsim suspects``: what is wrong with the real unit, by readings and recordings of it."""

from pathlib import Path
from typing import Annotated

import typer

from fetsim.cli.measure.shared import destination, progress_bar, write_results
from fetsim.cli.numbers import words
from fetsim.cli.observed_options import ObservedOptions
from fetsim.cli.options import FigureFiles, QualityOption, SoundUnitOptions, WorkersOption
from fetsim.cli.study_page import PageOption, page_files, page_fill
from fetsim.rig.quality import DEFAULT_QUALITY
from fetsim.schematic.fault_rates import read_rates
from fetsim.studies.suspects.study import suspects as suspected


def suspects(
    chosen: SoundUnitOptions,
    observed: ObservedOptions,
    files: FigureFiles,
    ask: Annotated[
        str | None, typer.Option("--ask", metavar="NAMES", help="figures that could be read next besides volts, as "
                                 "'threshold, attack'")
    ] = None,
    rates: Annotated[
        Path | None, typer.Option("--rates", metavar="FILE", help="how often parts fail, in place of the library's")
    ] = None,
    faults: Annotated[
        bool, typer.Option("--faults/--values-only", help="play what is open, shorted or leaky too, or look for values "
                           "that are off alone")
    ] = True,
    trims_set: Annotated[
        bool, typer.Option("--trims-set/--trims-as-drawn", help="whether its trims had been set by its alignment")
    ] = True,
    page: PageOption = None,
    quality: QualityOption = DEFAULT_QUALITY,
    workers: WorkersOption = None,
) -> None:  # fmt: skip
    """Rank what may be wrong with the unit on the bench, and tell which reading to take next.

    \b
    fetsim suspects --readings volts.csv
    fetsim suspects --capture 'jingle.wav, from-the-unit.wav' --readings volts.csv --plot suspects.svg
    fetsim suspects --unit mine.toml --capture 'in.wav, slow.wav, release=1' --capture 'in.wav, fast.wav, release=0'

    The unit is what it should be; every part keeps its tolerance. The first time a unit and a piece of music are looked
    at takes minutes, later ones a fraction of that.
    """
    unit = chosen.chosen()
    table = read_rates(rates)
    inputs = [*unit.files, *observed.files, *([] if rates is None else [rates])]
    with destination(files, inputs, others=page_files(page)) as write:
        known = observed.observed(unit)
        with progress_bar(unit, plays=bool(known.recordings)) as progress:
            found = suspected(
                known, ask=words(ask, "--ask") or (), faults=faults, trims_set=trims_set, rates=table, quality=quality,
                workers=workers, progress=progress, notice=progress.say,
            )  # fmt: skip
        text = write_results(write, {"": found}, {}, fill=page_fill(page, found))
    typer.echo(text)
