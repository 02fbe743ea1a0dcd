"""``fetsim suspects``: what is wrong with the real unit, by readings and recordings of it."""

from pathlib import Path
from typing import Annotated

import typer

from fetsim.cli.measure.shared import destination, progress_bar, write_results
from fetsim.cli.numbers import words
from fetsim.cli.options import FigureFiles, QualityOption, UnitOptions, WorkersOption
from fetsim.errors import InputError
from fetsim.measurements.recordings.capture import load_capture
from fetsim.measurements.recordings.sound import read_sound
from fetsim.rig.quality import DEFAULT_QUALITY
from fetsim.schematic.fault_rates import read_rates
from fetsim.studies.observed.observations import Recording
from fetsim.studies.observed.readings import read_readings
from fetsim.studies.suspects.study import suspects as suspected


def suspects(
    chosen: UnitOptions,
    files: FigureFiles,
    dry: Annotated[
        Path | None, typer.Option("--dry", metavar="FILE", help="what was played into the real unit")
    ] = None,
    wet: Annotated[
        Path | None, typer.Option("--wet", metavar="FILE", help="what came out of it, at the unit's settings as "
                                  "--change gives them; any delay, level and polarity")
    ] = None,
    channel: Annotated[
        int, typer.Option("--channel", metavar="N", min=1, help="of both files, counted from 1")
    ] = 1,
    readings: Annotated[
        Path | None, typer.Option("--readings", metavar="FILE", help="what was read: CSV (figure, value, accuracy, "
                                  "meter, settings) or TOML")
    ] = None,
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
    quality: QualityOption = DEFAULT_QUALITY,
    workers: WorkersOption = None,
) -> None:  # fmt: skip
    """Rank what may be wrong with the unit on the bench, and tell which reading to take next.

    \b
    fetsim suspects --readings volts.csv
    fetsim suspects --dry jingle.wav --wet from-the-unit.wav --readings volts.csv --plot suspects.svg
    fetsim suspects --unit mine.toml -c release=1 --dry music.wav --wet out.wav --values-only

    The unit is what it should be; every part keeps its tolerance. The first time a unit and a piece of music are looked
    at takes minutes, later ones a fraction of that.
    """
    unit = chosen.chosen()
    if (dry is None) != (wet is None):
        raise InputError("--dry and --wet: give both, what was played and what came out")
    if dry is None and readings is None:
        raise InputError("give --readings, or --dry and --wet, or all of them: there is nothing to go by")
    recordings = [] if dry is None or wet is None else [_recording(dry, wet, channel)]
    read = () if readings is None else read_readings(readings, unit)
    table = read_rates(rates)
    inputs = [*unit.files, *(one for one in (dry, wet, readings, rates) if one is not None)]
    with destination(files, inputs) as write:
        with progress_bar(unit, plays=bool(recordings)) as progress:
            found = suspected(
                unit, recordings=recordings, readings=read, ask=words(ask, "--ask") or (), faults=faults,
                trims_set=trims_set, rates=table, quality=quality, workers=workers, progress=progress,
            )  # fmt: skip
        page = write_results(write, {"": found}, {})
    typer.echo(page)


def _recording(dry: Path, wet: Path, channel: int) -> Recording:
    """Both files as they are, once it is sure that they belong together. Raises InputError."""
    load_capture(dry, wet, channel=channel)
    played, came = read_sound(dry), read_sound(wet)
    return Recording(
        dry=played.samples[:, min(channel, played.samples.shape[1]) - 1],
        wet=came.samples[:, min(channel, came.samples.shape[1]) - 1],
        rate_hz=float(played.rate_hz), name=wet.name,
    )  # fmt: skip
