"""``fetsim signals``: a test file for a real unit, and all figures out of its recording."""

from collections.abc import Mapping
from contextlib import nullcontext
from pathlib import Path
from typing import Annotated

import typer

from fetsim.cli.measure.shared import destination, progress_bar, write_measured
from fetsim.cli.options import ChangeOption, FigureFiles, QualityOption
from fetsim.errors import InputError
from fetsim.files.tables import write_csv
from fetsim.files.whole_files import Outputs, writing
from fetsim.rig.quality import DEFAULT_QUALITY
from fetsim.rig.runner import unwatched
from fetsim.schematic.load import load_unit
from fetsim.schematic.unit import Unit
from fetsim.schematic.versions import parse_changes
from fetsim.studies.signals.cautions import CAUTIONS, LOUD
from fetsim.studies.signals.study import DEFAULT_FULL_SCALE_DBU, DEFAULT_RATE, read_signals, write_signals


def signals(
    files: FigureFiles,
    to: Annotated[Path | None, typer.Option("--to", metavar="FILE.wav", help="write the test file")] = None,
    played: Annotated[
        Path | None, typer.Option("--played", metavar="FILE.wav", help="the test file that was played")
    ] = None,
    capture: Annotated[
        Path | None, typer.Option("--capture", metavar="FILE.wav", help="what the unit's output gave meanwhile")
    ] = None,
    loopback: Annotated[
        Path | None,
        typer.Option("--loopback", metavar="FILE.wav", help="the same with the interface wired to itself: its level, "
                     "response and noise are taken out"),
    ] = None,
    channel: Annotated[
        int | None, typer.Option("--channel", metavar="N", min=1, help="of the recording, counted from 1")
    ] = None,
    unit: Annotated[
        str | None,
        typer.Option("--unit", "-u", metavar="NAME|FILE", help="a unit whose threshold the levels lie about; read "
                     "beside the recording, it is simulated with the same file"),
    ] = None,
    change: ChangeOption = None,
    full_scale: Annotated[
        float, typer.Option("--full-scale", metavar="DBU", help="what the interface gives for 0 dBFS")
    ] = DEFAULT_FULL_SCALE_DBU,
    recorded_full_scale: Annotated[
        float | None,
        typer.Option("--recorded-full-scale", metavar="DBU", help="what 0 dBFS recorded is, without --loopback"),
    ] = None,
    rate: Annotated[int, typer.Option("--rate", metavar="HZ", help="of the test file")] = DEFAULT_RATE,
    channels: Annotated[
        int | None, typer.Option("--channels", metavar="NUMBER", help="of the test file: 2 for a pair")
    ] = None,
    lowest: Annotated[float | None, typer.Option("--lowest", metavar="DBU", help="level of the first tone")] = None,
    highest: Annotated[float | None, typer.Option("--highest", metavar="DBU", help="level of the last tone")] = None,
    before: Annotated[float | None, typer.Option("--before", metavar="DBU", help="level before the step")] = None,
    level: Annotated[float | None, typer.Option("--level", metavar="DBU", help="level of the step")] = None,
    readings_to: Annotated[
        Path | None,
        typer.Option("--readings-to", metavar="FILE.csv", help="write the figures as a list of readings"),
    ] = None,
    quality: QualityOption = DEFAULT_QUALITY,
) -> None:  # fmt: skip
    """Write a test file to be played through a real unit, and read all figures out of its recording.

    \b
    fetsim signals --to test.wav --unit dunlin --full-scale 20
    fetsim signals --played test.wav --capture recorded.wav --loopback wire.wav
    fetsim signals --played test.wav --capture recorded.wav --unit dunlin --plot both.svg --readings-to box.csv

    Play it into the unit and record the output with the same interface at the same rate; any delay, level, polarity,
    and another clock of the recorder are found and taken out. Each figure has one standard deviation beside it, from
    the recording's own noise.
    """
    reading = {
        "--loopback": loopback, "--channel": channel, "--recorded-full-scale": recorded_full_scale,
        "--readings-to": readings_to, "--json": files.json_to, "--csv": files.csv_to, "--plot": files.plot_to,
    }  # fmt: skip
    writing_it = {
        "--full-scale": full_scale if full_scale != DEFAULT_FULL_SCALE_DBU else None,
        "--rate": rate if rate != DEFAULT_RATE else None, "--channels": channels, "--lowest": lowest,
        "--highest": highest, "--before": before, "--level": level,
    }  # fmt: skip
    if to is not None:
        if played is not None or capture is not None:
            raise InputError("--to: writes the test file, --capture reads its recording; do one at a time")
        _without(reading, "is for reading a recording; leave it out with --to")
    elif played is not None and capture is not None:
        _without(writing_it, "is for writing the test file, which tells it itself; leave it out")
    loaded = _unit(unit, change)
    if to is not None:
        sequence = write_signals(
            to, unit=loaded, full_scale_dbu=full_scale, rate=rate, channels=channels, lowest=lowest, highest=highest,
            before=before, level=level, overwrite=files.force,
        )  # fmt: skip
        told = (LOUD.format(highest=sequence.highest), *CAUTIONS)
        length = f"{sequence.length_s:.0f} s, 0 dBFS = {sequence.full_scale:+g} dBu"
        typer.echo("\n".join([*told, f"Wrote {to}: {length}, tones up to {sequence.highest:+g} dBu."]))
        return
    if played is None or capture is None:
        raise InputError("signals: give --to to write a test file, or --played and --capture to read its recording")
    inputs = [played, capture, *([] if loopback is None else [loopback]), *(loaded.files if loaded else [])]
    with Outputs(overwrite=files.force, inputs=inputs) as outputs:
        staged = None if readings_to is None else outputs.stage(readings_to)
        with destination(files, inputs) as write:
            with nullcontext(unwatched) if loaded is None else progress_bar(loaded) as progress:
                found = read_signals(
                    played, capture, loopback=loopback, channel=channel, recorded_full_scale_dbu=recorded_full_scale,
                    unit=loaded, quality=quality, progress=progress,
                )  # fmt: skip
            page = write_measured(write, found, capture.name, {"played": str(played), "capture": str(capture)})
        if readings_to is not None and staged is not None:
            with writing(readings_to):
                write_csv(found.readings(), staged)
    typer.echo(page)


def _without(options: Mapping[str, object], why: str) -> None:
    """Refuse the first of these options that is given. Raises InputError."""
    for name, value in options.items():
        if value is not None:
            raise InputError(f"{name}: {why}")


def _unit(name: str | None, change: list[str] | None) -> Unit | None:
    if name is None:
        if change:
            raise InputError("--change: changes a unit; name it with --unit")
        return None
    changes, loaded = parse_changes(change or [], "--change"), load_unit(name)
    return loaded.changed(changes) if changes else loaded
