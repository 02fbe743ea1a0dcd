"""``fetsim measure timing``: attack and release."""

from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from fetsim.audio.files import AudioReader
from fetsim.cli.measure.shared import (
    CsvOption,
    JsonOption,
    PlotOption,
    VersionOption,
    chosen_versions,
    destination,
    document,
    measured_versions,
    numbers,
    tell_unmeasured,
    unit_files,
)
from fetsim.cli.options import ChangeOption, ForceOption, LoadOption, QualityOption, UnitOption
from fetsim.errors import InputError
from fetsim.measurements.timing.capture import measure_capture
from fetsim.measurements.timing.procedure import DEFAULT_FREQUENCY_HZ, FET, PHASES, SILENCE_DBU, measure_timing
from fetsim.report.timing.picture import draw_capture, draw_timing
from fetsim.report.timing.text import capture_page, capture_rows, named_settings, timing_page, timing_rows

SILENCE = "silence"


def timing(
    unit: UnitOption = "dunlin",
    change: ChangeOption = None,
    version: VersionOption = None,
    load: LoadOption = None,
    quality: QualityOption = "standard",
    before: Annotated[
        str | None,
        typer.Option("--before", metavar="DBU",
            help="level at the source before the attack and after the release, or silence (default: 10 dB under "
                     "the 0.5 dB threshold)"),
    ] = None,
    level: Annotated[
        float | None,
        typer.Option("--level", "-l", metavar="DBU",
            help="level at the source after the attack (default: 10 dB over the threshold)"),
    ] = None,
    frequency: Annotated[
        float, typer.Option("--frequency", metavar="HZ", help="of the tone")
    ] = DEFAULT_FREQUENCY_HZ,
    vary: Annotated[
        list[str] | None,
        typer.Option("--vary", metavar="'NAME=VALUE, ...'", help="measure at each of these values of a control, part "
                     "or bank; FROM:TO:STEP too; repeat for a grid"),
    ] = None,
    phases: Annotated[
        int, typer.Option("--phases", metavar="N", help="of the cycle, at which the attack's step falls")
    ] = PHASES,
    release_phases: Annotated[
        int, typer.Option("--release-phases", metavar="N", help="the same for the release")
    ] = 1,
    read_off: Annotated[
        str, typer.Option("--read-off", metavar="WHERE", help="take the gain reduction off the FET (fet) or the output")
    ] = FET,
    capture: Annotated[
        tuple[Path, Path] | None,
        typer.Option("--capture", metavar="DRY WET", help="instead of a unit: recordings of the tone burst that went "
                     "in and of what came out"),
    ] = None,
    max_lag: Annotated[
        float | None,
        typer.Option("--max-lag", metavar="S", help="with --capture: largest delay looked for"),
    ] = None,
    json_to: JsonOption = None,
    csv_to: CsvOption = None,
    plot_to: PlotOption = None,
    force: ForceOption = False,
) -> None:  # fmt: skip
    """Attack and release on tone bursts, in every definition, over a grid of settings, or from a recorded pair.

    \b
    fetsim measure timing --plot timing.svg
    fetsim measure timing --vary 'attack=0:1:0.25' --vary 'release=0:1:0.25' --csv grid.csv
    fetsim measure timing -v 'as it is:' -v 'larger C16: C16=330n' --before silence --level 0
    fetsim measure timing --capture burst_in.wav burst_out.wav
    """
    if capture is not None:
        _capture(*capture, max_lag, json_to, csv_to, plot_to, force)
        return
    versions = chosen_versions(unit, change, load, version)
    before_dbu, grid = _before(before), _grid(vary or [])
    with destination(json_to, csv_to, plot_to, force, unit_files(versions)) as write:
        measured, problems = measured_versions(
            versions,
            lambda one, told: measure_timing(
                one, before_dbu=before_dbu, level_dbu=level, frequency_hz=frequency, vary=grid, phases=phases,
                release_phases=release_phases, read_off=read_off, quality=quality, progress=told,
            ),
        )  # fmt: skip
        first = next(iter(measured.values()))
        title = f"{first.unit}: attack and release, {first.frequency_hz:.6g} Hz"
        results = {label: one.to_dict() for label, one in measured.items()}
        write(
            document("timing", quality, versions, results, problems), timing_rows(measured),
            lambda: draw_timing(named_settings(measured), title),
        )  # fmt: skip
    typer.echo(timing_page(measured))
    tell_unmeasured(problems)


def _capture(
    dry: Path, wet: Path, max_lag_s: float | None, json_to: Path | None, csv_to: Path | None, plot_to: Path | None,
    force: bool,
) -> None:  # fmt: skip
    with destination(json_to, csv_to, plot_to, force, inputs=(dry, wet)) as write:
        (dry_samples, dry_rate_hz), (wet_samples, wet_rate_hz) = _one_channel(dry), _one_channel(wet)
        found = measure_capture(
            dry_samples, wet_samples, dry_rate_hz=dry_rate_hz, wet_rate_hz=wet_rate_hz, max_lag_s=max_lag_s
        )
        whole = {"measurement": "timing", "dry": str(dry), "wet": str(wet), **found.to_dict()}
        write(whole, capture_rows(found), lambda: draw_capture(found, f"{wet.name} against {dry.name}"))
    typer.echo(capture_page(dry.name, wet.name, found))


def _one_channel(path: Path) -> tuple[np.ndarray, float]:
    with AudioReader(path) as reader:
        if reader.channels != 1:
            raise InputError(f"{path}: has {reader.channels} channels; give a file of the one channel to be measured")
        return np.concatenate([block[:, 0] for block in reader.blocks(1 << 16)]), float(reader.rate_hz)


def _before(text: str | None) -> float | None:
    if text is None:
        return None
    if text.strip() == SILENCE:
        return SILENCE_DBU
    try:
        return float(text)
    except ValueError:
        raise InputError(f"--before: {text[:40]!r} is neither a level in dBu nor {SILENCE}") from None


def _grid(vary: list[str]) -> dict[str, list[str]]:
    """Name -> values as texts, so that ``4k7`` and ``S1+S2`` can be varied as well as positions."""
    found: dict[str, list[str]] = {}
    for text in vary:
        name, sign, values = (word.strip() for word in text.partition("="))
        if not sign or not name or not values:
            raise InputError(f"--vary: {text[:60]!r} is not 'NAME=VALUE, VALUE, ...', such as 'attack=0, 0.5, 1'")
        if name in found:
            raise InputError(f"--vary: {name} is given twice")
        listed = [value.strip() for value in values.split(",") if value.strip()]
        found[name] = [f"{value:.12g}" for value in numbers(values, "--vary")] if ":" in values else listed
    return found
