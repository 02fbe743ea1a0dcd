"""``fetsim trims``: set a unit's trims as its alignment says."""

from pathlib import Path
from typing import Annotated

import typer

from fetsim.cli.measure.shared import destination, measured_versions, tell_unmeasured, write_results
from fetsim.cli.options import FigureFiles, VersionOptions, check_side
from fetsim.errors import InputError
from fetsim.files.whole_files import Outputs, writing
from fetsim.rig.runner import Progress
from fetsim.schematic.model import channel_of
from fetsim.schematic.save import check_unit_path
from fetsim.schematic.unit import Unit
from fetsim.studies.trims.aligned import chosen_steps
from fetsim.studies.trims.record import Alignment
from fetsim.studies.trims.study import set_trims


def trims(
    chosen: VersionOptions,
    files: FigureFiles,
    step: Annotated[
        list[str] | None,
        typer.Option("--step", metavar="NAME", help="take this step of the alignment alone; repeat for more"),
    ] = None,
    side: Annotated[
        str | None,
        typer.Option("--side", metavar="SIDE", help="of a pair: take the steps of its left channel, of the right one, "
                     "or of both (the default)"),
    ] = None,
    to: Annotated[
        Path | None, typer.Option("--to", metavar="FILE.toml", help="write the unit with its trims set")
    ] = None,
    based: Annotated[
        bool, typer.Option("--based", help="write only what differs, as a file that starts from the unit")
    ] = False,
) -> None:
    """Set the trims as the bench does: where each goes, how sharply that is defined, whether it is in reach.

    \b
    fetsim trims
    fetsim trims --change J1.i_dss=12mA --change J1.pinch_off_voltage=-4.0 --to mine.toml
    fetsim trims --step idle_bias --vary J1.pinch_off_voltage=-3.8,-4.2,-4.6 --plot trims.svg
    fetsim trims --unit mine.toml --change idle_bias.must_be=0.5dB

    The steps stand in the unit's file under [alignment] and are taken in their order; fetsim show lists them. Where a
    reading is not as it must be, the exit status is 1, and the resistor that brings the trim into reach is told.
    """
    versions = chosen.units()
    for unit in versions.values():
        check_side(unit, side)
    if to is not None and len(versions) > 1:
        raise InputError("--to: writes one unit; leave out --version, --versions and --vary")
    if based and to is None:
        raise InputError("--based: says how --to writes; add --to FILE.toml")
    found: dict[str, Unit] = {}
    if to is not None:
        check_unit_path(to)

    def measure(unit: Unit, progress: Progress) -> Alignment:
        other, alignment = set_trims(unit, steps=_steps_of(unit, step, side), quality=chosen.quality, progress=progress)
        found[unit.digest] = other
        return alignment

    read = chosen.read(versions.values())
    with Outputs(overwrite=files.force, inputs=read) as outputs, destination(files, read) as write:
        staged = None if to is None else outputs.stage(to)
        measured, problems = measured_versions(versions, measure)
        page = write_results(write, measured, problems)
        if to is not None and staged is not None:
            with writing(to):
                staged.write_bytes(next(iter(found.values())).file_text(to, based=based).encode())
    typer.echo(page if to is None else f"{page}\n\nWrote {to}")
    missed = [
        f"{f'version {label!r}: ' if label else ''}{one.step.name}: is not as it must be (see Cautions)"
        for label, alignment in measured.items()
        for one in alignment.steps
        if not one.accepted
    ]
    tell_unmeasured(problems, missed)


def _steps_of(unit: Unit, names: list[str] | None, side: str | None) -> list[str] | None:
    """Those of one side of a pair; for both as they are named."""
    if side in (None, "both"):
        return names
    return [one.name for one in chosen_steps(unit, names) if channel_of(one.name) in (side, "")]
