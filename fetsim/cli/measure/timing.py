"""``fetsim measure timing``: attack and release."""

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from fetsim.audio.files import AudioReader
from fetsim.cli.measure.shared import destination, measure_and_tell, write_measured
from fetsim.cli.numbers import number, varied
from fetsim.cli.options import AgainstOption, FigureFiles, MeasuredOptions
from fetsim.errors import InputError
from fetsim.measurements.capture.procedure import measure_capture
from fetsim.measurements.timing.procedure import DEFAULT_FREQUENCY_HZ, FET, PHASES, SILENCE_DBU, measure_timing
from fetsim.measurements.timing.tables import left_out
from fetsim.rig.gain_cell import reference_named

SILENCE = "silence"


def timing(
    chosen: MeasuredOptions,
    files: FigureFiles,
    before: Annotated[
        str | None,
        typer.Option("--before", metavar="DBU", help="level at the source before the attack and after the release, or "
                     "silence (default: 10 dB under the 0.5 dB threshold)"),
    ] = None,
    level: Annotated[
        float | None,
        typer.Option("--level", "-l", metavar="DBU", help="level at the source between the two (default: 10 dB over "
                     "the threshold)"),
    ] = None,
    frequency: Annotated[
        float, typer.Option("--frequency", metavar="HZ", help="of the tone")
    ] = DEFAULT_FREQUENCY_HZ,
    phases: Annotated[
        int, typer.Option("--phases", metavar="N", help="take the attack at so many instants within the tone's cycle, "
                          "and tell the range")
    ] = PHASES,
    release_phases: Annotated[
        int, typer.Option("--release-phases", metavar="N", help="the same for the release")
    ] = 1,
    read_off: Annotated[
        str, typer.Option("--read-off", metavar="WHERE", help="take the gain reduction off the FET's channel (fet), "
                          "or off the output, as on a bench (output)")
    ] = FET,
    against: AgainstOption = "idle",
    capture: Annotated[
        tuple[Path, Path] | None,
        typer.Option("--capture", metavar="DRY WET", help="instead of a unit: recordings of the tone burst that went "
                     "in and of what came out"),
    ] = None,
    max_lag: Annotated[
        float | None,
        typer.Option("--max-lag", metavar="S", help="with --capture: largest delay looked for"),
    ] = None,
) -> None:  # fmt: skip
    """Attack and release on tone bursts, in every definition, over a grid of settings, or from a recorded pair.

    \b
    fetsim measure timing --plot timing.svg
    fetsim measure timing --vary 'attack=0:1:0.25' --vary 'release=0:1:0.25' --csv grid.csv
    fetsim measure timing -v 'as it is:' -v 'larger C16: C16=330n' --before silence --level 0
    fetsim measure timing --capture burst_in.wav burst_out.wav

    All settings of a grid hear the same levels, so that their times can be set side by side. A setting
    without a steady state is named and left out; the exit status is 1 then.
    """
    if capture is not None:
        _capture(*capture, max_lag, files)
        return
    before_dbu = None if before is None else SILENCE_DBU if before.strip() == SILENCE else _level(before)
    grid = varied(chosen.vary)
    measure_and_tell(
        replace(chosen, vary=None), files,
        lambda unit, told: measure_timing(
            unit, before_dbu=before_dbu, level_dbu=level, frequency_hz=frequency, vary=grid, phases=phases,
            release_phases=release_phases, read_off=read_off, against=reference_named(against),
            quality=chosen.quality, progress=told,
        ),
        left_out=lambda measured: [f"left out: {text}" for text in left_out(measured)],
    )  # fmt: skip


def _capture(dry: Path, wet: Path, max_lag_s: float | None, files: FigureFiles) -> None:
    with destination(files, [dry, wet]) as write:
        (dry_samples, dry_rate_hz), (wet_samples, wet_rate_hz) = _one_channel(dry), _one_channel(wet)
        found = measure_capture(
            dry_samples, wet_samples, dry_rate_hz=dry_rate_hz, wet_rate_hz=wet_rate_hz, max_lag_s=max_lag_s
        )
        page = write_measured(write, found, f"{wet.name} against {dry.name}", {"dry": str(dry), "wet": str(wet)})
    typer.echo(page)


def _one_channel(path: Path) -> tuple[np.ndarray, float]:
    with AudioReader(path) as reader:
        if reader.channels != 1:
            raise InputError(f"{path}: has {reader.channels} channels; give a file of the one channel to be measured")
        return np.concatenate([block[:, 0] for block in reader.blocks(1 << 16)]), float(reader.rate_hz)


def _level(text: str) -> float:
    try:
        return number(text, "--before")
    except InputError:
        raise InputError(f"--before: {text[:40]!r} is neither a level in dBu nor {SILENCE}") from None
