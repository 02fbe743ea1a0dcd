"""``fetsim measure needle``: what a gain-reduction meter shows, for a burst or for the log of a render."""

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fetsim.cli.measure.shared import destination, measure_and_tell, write_measured
from fetsim.cli.options import AgainstOption, FigureFiles, MeasuredOptions
from fetsim.errors import InputError
from fetsim.measurements.needle.procedure import NeedleTrace, measure_needle, needle_of_log
from fetsim.rig.gain_cell import reference_named

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def needle(
    chosen: MeasuredOptions,
    files: FigureFiles,
    from_log: Annotated[
        Path | None,
        typer.Option("--from-log", metavar="FILE", help="a log that fetsim render --log has written (.csv), instead of "
                     "a burst through a unit"),
    ] = None,
    channel: Annotated[int, typer.Option("--channel", metavar="N", help="of the log, from 1")] = 1,
    level: Annotated[
        float, typer.Option("--level", "-l", metavar="DBU", help="of the burst, at the source")
    ] = 10.0,
    frequency: Annotated[float, typer.Option("--frequency", metavar="HZ", help="of the tone")] = 1000.0,
    burst: Annotated[float, typer.Option("--burst", metavar="S", help="length of the burst")] = 1.0,
    tail: Annotated[
        float, typer.Option("--tail", metavar="S", help="length of the record after the burst, in silence")
    ] = 2.0,
    against: AgainstOption = "idle",
    meter: Annotated[
        Path | None, typer.Option("--meter", metavar="FILE", help="draw the meter as it stands (.svg, .png or .pdf)")
    ] = None,
    when: Annotated[
        float | None,
        typer.Option("--when", metavar="S", help="with --meter: at this instant (default: at the deepest reading)"),
    ] = None,
) -> None:  # fmt: skip
    """What the needle of a gain-reduction meter shows over time, and a still picture of the meter.

    \b
    fetsim measure needle --level 10 --burst 0.3 --plot needle.svg --meter meter.svg
    fetsim measure needle --from-log gain.csv --meter meter.png --when 12.5
    fetsim measure needle -v 'as it is:' -v 'slow release: release=1' --plot release.png
    """

    reference = reference_named(against)
    stills = {} if meter is None else {meter: _still}
    if from_log is None:
        measure_and_tell(
            chosen, files,
            lambda unit, told: measure_needle(
                unit, level_dbu=level, frequency_hz=frequency, burst_s=burst, tail_s=tail, when_s=when,
                against=reference, quality=chosen.quality,
            ),
            more=stills,
        )  # fmt: skip
        return
    if reference != "idle":
        raise InputError("--from-log, --against: a log is counted as its render was told to; give --against there")
    if any((chosen.version, chosen.versions, chosen.vary, chosen.change, chosen.load)):
        raise InputError("--from-log: a log has its unit behind it; leave out --version, --vary, --change and --load")
    with destination(files, [from_log], list(stills)) as write:
        trace = needle_of_log(from_log, channel=channel, when_s=when)
        page = write_measured(write, trace, "", {"log": str(from_log)}, stills)
    typer.echo(page)


def _still(measured: Mapping[str, NeedleTrace]) -> "Figure":
    from fetsim.report.needle.picture import draw_meters

    return draw_meters(measured, f"Gain-reduction meter: {next(iter(measured.values())).about}")
