"""``fetsim measure needle``: what a gain-reduction meter shows, for a burst or for the log of a render."""

from pathlib import Path
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
)
from fetsim.cli.options import ChangeOption, ForceOption, LoadOption, QualityOption, UnitOption
from fetsim.errors import InputError
from fetsim.measurements.needle.procedure import NeedleTrace, measure_needle, needle_of_log
from fetsim.report.needle.text import needle_page, needle_rows


def needle(
    unit: UnitOption = "dunlin",
    change: ChangeOption = None,
    version: VersionOption = None,
    load: LoadOption = None,
    quality: QualityOption = "standard",
    log: Annotated[
        Path | None,
        typer.Option("--from-log", metavar="FILE",
            help="a log that fetsim render --log has written (.csv), instead of a "
                     "burst through a unit"),
    ] = None,
    channel: Annotated[int, typer.Option("--channel", metavar="N", help="of the log, from 1")] = 1,
    level: Annotated[float, typer.Option("--level", "-l", metavar="DBU", help="of the burst, at the source")] = 10.0,
    frequency: Annotated[float, typer.Option("--frequency", metavar="HZ", help="of the burst")] = 1000.0,
    burst: Annotated[float, typer.Option("--burst", metavar="S", help="how long it lasts")] = 1.0,
    tail: Annotated[float, typer.Option("--tail", metavar="S",
        help="length of the record after the burst, in silence")] = 2.0,
    picture: Annotated[
        Path | None, typer.Option("--meter", metavar="FILE", help="draw the meter as it stands (.svg, .png or .pdf)")
    ] = None,
    when: Annotated[
        float | None,
        typer.Option("--when", metavar="S", help="instant of the picture (default: the deepest reading)"),
    ] = None,
    json_to: JsonOption = None,
    csv_to: CsvOption = None,
    plot_to: PlotOption = None,
    force: ForceOption = False,
) -> None:  # fmt: skip
    """What the needle of a gain-reduction meter shows over time, and a still picture of the meter.

    \b
    fetsim measure needle --level 10 --burst 0.3 --plot needle.svg --meter meter.svg
    fetsim measure needle --from-log gain.csv --meter meter.png --when 12.5
    fetsim measure needle -v 'as it is:' -v 'slow release: release=1' --plot release.png
    """
    if log is not None and (version or change or load):
        raise InputError("--from-log: a log has its unit behind it; leave out --version, --change and --load")
    versions = chosen_versions(unit, change, load, version)
    inputs = unit_files(versions) if log is None else [log]
    pictures = [picture] if picture is not None else []
    with destination(json_to, csv_to, plot_to, force, inputs, pictures) as write:
        problems: dict[str, str] = {}
        if log is not None:
            traces = {"": needle_of_log(log, channel=channel)}
        else:
            traces, problems = measured_versions(
                versions,
                lambda one, told: measure_needle(
                    one, level_dbu=level, frequency_hz=frequency, burst_s=burst, tail_s=tail, quality=quality
                ),
            )
        page = needle_page(traces, when)

        def draw():  # type: ignore[no-untyped-def]
            from fetsim.report.needle.picture import draw_needle

            return draw_needle(traces, f"Gain-reduction needle: {_about(traces)}")

        def draw_still():  # type: ignore[no-untyped-def]
            from fetsim.report.needle.picture import draw_meters

            return draw_meters(traces, when, f"Gain-reduction meter: {_about(traces)}")

        results = {label: one.to_dict() for label, one in traces.items()}
        if log is None:
            whole = document("needle", quality, versions, results, problems)
        else:
            whole = {"measurement": "needle", "log": str(log), **results[""]}
        write(whole, needle_rows(traces), draw, *([draw_still] if pictures else []))
    typer.echo(page)
    tell_unmeasured(problems)


def _about(traces: dict[str, NeedleTrace]) -> str:
    return next(iter(traces.values())).about
