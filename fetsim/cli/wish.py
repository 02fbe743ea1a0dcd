"""``fetsim wish``: which values give the figures that are wished for."""

from pathlib import Path
from typing import Annotated

import typer

from fetsim.cli.build_options import BuildOptions, TrimsOptions
from fetsim.cli.measure.shared import destination, progress_bar, write_results
from fetsim.cli.numbers import words
from fetsim.cli.options import FigureFiles, MeasuredUnitOptions
from fetsim.errors import InputError, PartlyDone
from fetsim.files.whole_files import Outputs, writing
from fetsim.schematic.save import check_unit_path
from fetsim.studies.builds.asked import KINDS
from fetsim.studies.spread.study import DEFAULT_SEED
from fetsim.studies.wish.question import question_of
from fetsim.studies.wish.study import DEFAULT_BEST, DEFAULT_BUILDS, MOST_BEST
from fetsim.studies.wish.study import wish as values_for


def wish(
    chosen: MeasuredUnitOptions,
    measured: BuildOptions,
    alignment: TrimsOptions,
    files: FigureFiles,
    want: Annotated[
        list[str] | None,
        typer.Option("--want", metavar="NAME=WANTED", help="a figure and what it shall be: release=0.5s, 'threshold=by "
                     "-3dB', 'release=by +20%', attack=same, threshold=-12..-9; behind it what is accepted, as "
                     f"'release=0.5s +-10%'; repeat for more. Figures: {', '.join(KINDS)}, with @LEVEL or @NODE where "
                     "they take one"),
    ] = None,
    may: Annotated[
        str | None,
        typer.Option("--may", metavar="PARTS", help="what may change: parts, figures of devices and controls, as 'C16, "
                     "R31=10k..100k, J1.i_dss'; a decade either way where no ends are given"),
    ] = None,
    series: Annotated[
        str | None,
        typer.Option("--series", metavar="SERIES", help="of all that may change, and of single ones, as 'E24, C16=E6, "
                     "R31=any' (default: E24 for resistors, E12 for capacitors and coils)"),
    ] = None,
    best: Annotated[
        int, typer.Option("--best", metavar="NUMBER", min=1, max=MOST_BEST, help="combinations that are told")
    ] = DEFAULT_BEST,
    figures: Annotated[
        str | None,
        typer.Option("--figures", metavar="NAMES", help="what else is told, before and after (default: those of "
                     "fetsim spread)"),
    ] = None,
    builds: Annotated[
        int, typer.Option("--builds", "-n", metavar="NUMBER", help="drawn of each combination, to tell what tolerances "
                          "leave of it; 0: none"),
    ] = DEFAULT_BUILDS,
    seed: Annotated[
        int, typer.Option("--seed", metavar="NUMBER", help="of the draws: the same one gives the same builds")
    ] = DEFAULT_SEED,
    to: Annotated[
        Path | None, typer.Option("--to", metavar="FILE.toml", help="write the unit with the best combination")
    ] = None,
    based: Annotated[
        bool, typer.Option("--based", help="write only what differs, as a file that starts from the unit")
    ] = False,
) -> None:  # fmt: skip
    """Find values of parts with which the unit does what is wished for, and tell what they cost elsewhere.

    \b
    fetsim wish --want release=0.5s --want 'threshold=by -3dB' --want attack=same --may 'C16, R32, R42'
    fetsim wish --want 'release=by +20%' --may 'C16, R65' --series E12 --to slower.toml
    fetsim wish --unit mine.toml --want 'reduction@4=6dB +-0.2dB' --may drive

    First the nearest in exact values, then the preferred values (IEC 60063) around it, the best of them measured, and
    builds of each drawn from its tolerances. Where no combination meets every wish, it is told why, and the exit status
    is 1.
    """
    if based and to is None:
        raise InputError("--based: says how --to writes; add --to FILE.toml")
    if to is not None:
        check_unit_path(to)
    unit = chosen.chosen()
    wants, parts, of = want or (), words(may, "--may") or (), words(series, "--series") or ()
    told = words(figures, "--figures")
    plays = question_of(unit, wants, parts, of, told).plays  # says what is wrong before anything slow is begun
    with Outputs(overwrite=files.force, inputs=unit.files) as outputs, destination(files, unit.files) as write:
        staged = None if to is None else outputs.stage(to)
        with progress_bar(unit, plays=plays) as progress:
            found = values_for(
                unit, wants, parts, series=of, best=best, figures=told, builds=builds, seed=seed, progress=progress,
                **alignment.set_first(), **measured.asked(),
            )  # fmt: skip
        page = write_results(write, {"": found}, {})
        if to is not None and staged is not None:
            with writing(to):
                staged.write_bytes(found.build().file_text(to, based=based).encode())
    typer.echo(page if to is None else f"{page}\n\nWrote {to}")
    if found.why:
        raise PartlyDone("no combination meets every wish; see what is told above the tables")
