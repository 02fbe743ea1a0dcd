"""``fetsim fit``: values of a real unit out of readings and recordings of it."""

from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from fetsim.cli.measure.shared import destination, progress_bar, write_results
from fetsim.cli.numbers import words
from fetsim.cli.observed_options import ObservedOptions
from fetsim.cli.options import FigureFiles, QualityOption, SoundUnitOptions, WorkersOption
from fetsim.cli.study_page import PageOption, page_files, page_fill
from fetsim.errors import InputError, PartlyDone
from fetsim.rig.quality import DEFAULT_QUALITY
from fetsim.schematic.save import check_unit_path
from fetsim.studies.fit.free import frees_of
from fetsim.studies.fit.record import Fit
from fetsim.studies.fit.study import fit as fitted


def fit(
    chosen: SoundUnitOptions,
    observed: ObservedOptions,
    files: FigureFiles,
    free: Annotated[
        str | None,
        typer.Option("--free", metavar="NAMES", help="what may differ from the file: parts, figures of devices and "
                     "controls, as 'J1.i_dss, C16, R12=any, R65=220k..1M, release'; within their tolerance where "
                     "nothing is said, a decade either way for any"),
    ] = None,
    others: Annotated[
        bool, typer.Option("--others", help="let all other parts vary along within their tolerances: wider intervals, "
                           "and honest ones; takes two renders more for each")
    ] = False,
    to: Annotated[
        Path | None, typer.Option("--to", metavar="FILE.toml", help="write the unit with what was fitted")
    ] = None,
    based: Annotated[
        bool, typer.Option("--based", help="write only what differs, as a file that starts from the unit")
    ] = False,
    page: PageOption = None,
    quality: QualityOption = DEFAULT_QUALITY,
    workers: WorkersOption = None,
) -> None:  # fmt: skip
    """Find the values of a real unit, with how well they are known, out of readings and recordings of it.

    \b
    fetsim fit --readings bench.csv --free 'R12=any, J1.i_dss, J1.pinch_off_voltage'
    fetsim fit --capture 'in.wav, out.wav' --free 'C16, R65, release' --to this-box.toml --plot left-over.png
    fetsim fit --capture 'in.wav, slow.wav, release=1' --capture 'in.wav, fast.wav, release=0' --free C16 --others

    Level, delay, polarity and clock of a recording are nobody's question: they are fitted along. Where the search does
    not settle, that is told and the exit status is 1.
    """
    if based and to is None:
        raise InputError("--based: says how --to writes; add --to FILE.toml")
    if to is not None:
        check_unit_path(to)
    unit = chosen.chosen()
    names = words(free, "--free") or ()
    frees_of(names, unit)  # says what is wrong before anything slow is begun
    inputs = [*unit.files, *observed.files]
    others_to = [*page_files(page), *([] if to is None else [to])]
    with destination(files, inputs, others=others_to) as write:
        known = observed.observed(unit)
        with progress_bar(unit, plays=bool(known.recordings)) as progress:
            found = fitted(known, names, others=others, quality=quality, workers=workers, progress=progress)
        fill = page_fill(page, found)
        if to is not None:
            fill[to] = partial(_fill_box, to=to, found=found, based=based)
        text = write_results(write, {"": found}, {}, fill=fill)
    typer.echo(text if to is None else f"{text}\n\nWrote {to}")
    if not found.settled:
        raise PartlyDone("the search did not settle; see what is told above the tables")


def _fill_box(target: Path, to: Path, found: Fit, *, based: bool) -> None:
    target.write_bytes(found.box.file_text(to, based=based).encode())
