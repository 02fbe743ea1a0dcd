"""Options of the commands that ask what a real unit is, by what was read and recorded of it."""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

from fetsim.cli.options import BeforeStepOption, Options, StepLevelOption, StepTonesOption, TonesOption
from fetsim.errors import InputError
from fetsim.measurements.curve.procedure import DEFAULT_FREQUENCY_HZ as CURVE_HZ
from fetsim.measurements.recordings.loopback import load_loopback
from fetsim.measurements.timing.procedure import DEFAULT_FREQUENCY_HZ as STEP_HZ
from fetsim.schematic.unit import Unit
from fetsim.schematic.versions import parse_changes
from fetsim.studies.observed.captures import recording_of
from fetsim.studies.observed.observations import Observations
from fetsim.studies.observed.readings import read_readings


@dataclass(frozen=True, kw_only=True)
class ObservedOptions(Options):
    """What was read and recorded of one unit, and under which tones."""

    readings: Annotated[
        list[Path] | None,
        typer.Option("--readings", metavar="FILE", help="what was read of the unit, CSV or TOML: figure, value, "
                     "accuracy, meter, settings; fetsim sheet --blank writes one to fill in; repeat for more"),
    ] = None
    capture: Annotated[
        list[str] | None,
        typer.Option("--capture", metavar="'DRY, WET, NAME=VALUE, ...'", help="what was played into the unit and what "
                     "came out of it, and the settings at which, as 'in.wav, out.wav, release=1'; repeat for more"),
    ] = None
    channel: Annotated[
        int | None, typer.Option("--channel", metavar="N", min=1, help="of the recordings, counted from 1")
    ] = None
    loopback: Annotated[
        str | None,
        typer.Option("--loopback", metavar="'DRY, RECORDED'", help="the same interface with its output wired to its "
                     "input: then levels count too, and its response is taken out"),
    ] = None
    frequency: TonesOption = CURVE_HZ
    step_frequency: StepTonesOption = STEP_HZ
    before: BeforeStepOption = None
    level: StepLevelOption = None

    @property
    def files(self) -> list[Path]:
        """All that are read."""
        named = [path for text in self.capture or () for path in _files(text, "--capture")[0]]
        named += _two(self.loopback, "--loopback") if self.loopback else []
        return [*named, *(self.readings or ())]

    def observed(self, unit: Unit) -> Observations:
        """All of it. Raises InputError."""
        if not self.readings and not self.capture:
            raise InputError("--readings, --capture: give at least one of them")
        pieces = [_files(text, "--capture") for text in self.capture or ()]
        loopback = None if self.loopback is None else load_loopback(*_two(self.loopback, "--loopback"))
        recordings = tuple(
            recording_of(dry, wet, unit, settings=settings, channel=self.channel, loopback=loopback)
            for (dry, wet), settings in pieces
        )
        readings = read_readings(self.readings, unit) if self.readings else ()
        return Observations(
            unit=unit, readings=readings, recordings=recordings, curve_hz=self.frequency, step_hz=self.step_frequency,
            before_dbu=self.before, level_dbu=self.level,
        )  # fmt: skip


def _two(text: str, option: str) -> tuple[Path, Path]:
    """Two files and nothing else. Raises InputError."""
    both, changes = _files(text, option)
    if changes:
        raise InputError(f"{option}: no unit is in it, so nothing can be set; leave out {next(iter(changes))[:40]!r}")
    return both


def _files(text: str, option: str) -> tuple[tuple[Path, Path], dict[str, str]]:
    """Two files and the changes behind them. Raises InputError."""
    pieces = [piece.strip() for piece in text.split(",")]
    if len(pieces) < 2 or not all(pieces[:2]):
        raise InputError(f"{option}: {text[:60]!r} is not two files with a comma between, such as 'in.wav, out.wav'")
    changes: Iterable[str] = pieces[2:]
    return (Path(pieces[0]), Path(pieces[1])), parse_changes(changes, option)
