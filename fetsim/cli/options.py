"""Options that several commands share: one word, one meaning, over all commands.

They stand in records. A parameter of a command whose type is such a record stands for all of its options: ``spread``
puts them into the command's signature, which is all that typer reads, and hands the record over.
"""

import inspect
from collections.abc import Callable, Iterable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Annotated, Any, ClassVar

import typer

from fetsim.cli.numbers import varied
from fetsim.errors import FetsimError, InputError
from fetsim.rig.quality import DEFAULT_QUALITY
from fetsim.schematic.load import DEFAULT_UNIT, load_unit
from fetsim.schematic.unit import Unit
from fetsim.schematic.versions import (
    MOST_MEASURED,
    Changes,
    check_labels,
    parse_changes,
    parse_versions,
    read_versions,
    vary_versions,
    version_unit,
)

UnitOption = Annotated[
    str, typer.Option("--unit", "-u", metavar="NAME|FILE", help="a shipped unit or a unit file (.toml)")
]
ChangeOption = Annotated[
    list[str] | None,
    typer.Option(
        "--change", "-c", metavar="NAME=VALUE",
        help="change a part (C16=220n), a figure of it (J1.i_dss=12mA), a control (attack=0.8, 0 to 1 clockwise), the "
        "closed switches of a bank (curve=S1+S3, curve=none), or the whole unit (temperature_c=40, load=10k, "
        "full_scale_dbu=20); repeat for more; fetsim show --part NAME tells what a part has",
    ),
]  # fmt: skip
FullScaleOption = Annotated[
    float | None,
    typer.Option("--full-scale", metavar="DBU", help="level in dBu that 0 dBFS stands for (default: the unit's)"),
]
LoadOption = Annotated[
    str | None, typer.Option("--load", metavar="OHM", help="load at the output, such as 600 or 10k")
]
TonesOption = Annotated[float, typer.Option("--frequency", metavar="HZ", help="of the steady tones")]
StepTonesOption = Annotated[
    float, typer.Option("--step-frequency", metavar="HZ", help="of the steps for attack and release")
]
BeforeStepOption = Annotated[
    float | None,
    typer.Option("--before", metavar="DBU", help="level before and after the steps (default: 10 dB under the threshold "
                 "of the unit as it is)"),
]  # fmt: skip
StepLevelOption = Annotated[
    float | None, typer.Option("--level", "-l", metavar="DBU", help="and between them (default: 10 dB over it)")
]
VersionOption = Annotated[
    list[str] | None,
    typer.Option(
        "--version", "-v", metavar="'LABEL: NAME=VALUE, ...'",
        help="a version of the unit, on top of --change, as 'bigger cap: C16=220n, attack=0.8'; 'as it is:' changes "
        "nothing; unit=FILE among the changes starts from another unit; repeat for more",
    ),
]  # fmt: skip
VersionsOption = Annotated[
    Path | None,
    typer.Option(
        "--versions", metavar="FILE", help="more versions from a TOML file, a table [versions.\"LABEL\"] for each"
    ),
]  # fmt: skip
VaryOption = Annotated[
    list[str] | None,
    typer.Option(
        "--vary", metavar="'NAME=VALUE, ...'",
        help="a version for each of these values of a part, figure, control or bank, NAME=FROM:TO:STEP too; repeat "
        "for all combinations",
    ),
]  # fmt: skip
QualityOption = Annotated[
    str,
    typer.Option("--quality", "-q", metavar="QUALITY", help="how finely time is solved: draft, standard or fine"),
]
NoiseOption = Annotated[
    bool,
    typer.Option("--noise", help="let the unit's parts make noise: thermal, shot, 1/f, as gain reduction moves it"),
]
SeedOption = Annotated[
    int | None,
    typer.Option("--seed", metavar="NUMBER", help="of the noise: another one gives other noise (default: 0)"),
]
AgainstOption = Annotated[
    str,
    typer.Option("--against", metavar="STATE", help="what gain reduction is counted from: idle (the unit at rest) or "
                 "open (the FET taken out)"),
]  # fmt: skip
ForceOption = Annotated[bool, typer.Option("--force", "-f", help="overwrite files that exist")]
WorkersOption = Annotated[
    int | None, typer.Option("--workers", metavar="NUMBER", help="processes (default: one a core)")
]
SchedulerOption = Annotated[
    str | None, typer.Option("--scheduler", metavar="ADDRESS", help="of a Dask scheduler, whose workers do it")
]
QuietOption = Annotated[bool, typer.Option("--quiet", help="say nothing but errors")]
JsonOption = Annotated[
    Path | None, typer.Option("--json", metavar="FILE", help="write all figures and settings as JSON")
]
CsvOption = Annotated[
    Path | None, typer.Option("--csv", metavar="FILE", help="write the figures as a table")
]
PlotOption = Annotated[
    Path | None, typer.Option("--plot", metavar="FILE", help="draw the figures (.svg, .png or .pdf)")
]


SideOption = Annotated[
    str | None,
    typer.Option("--side", metavar="SIDE", help="of a pair: measure its left channel (the default), the right one, or "
                 "both beside each other, with the same signal in both"),
]  # fmt: skip
SIDES = ("left", "right", "both")


class Options:
    """Base of all records of options."""

    at_the_end: ClassVar[bool] = False
    """Whether help lists them behind the command's own options."""


@dataclass(frozen=True, kw_only=True)
class UnitOptions(Options):
    """Which unit, and what is changed in it."""

    unit: UnitOption = DEFAULT_UNIT
    change: ChangeOption = None
    load: LoadOption = None

    @property
    def changes(self) -> Changes:
        """Name -> value of all that is asked for. Raises InputError, also where two options say the same thing."""
        return _together(parse_changes(self.change or [], "--change"), [("load", "--load", self.load)])

    def chosen(self) -> Unit:
        """The unit, changed. Raises UnitError or InputError."""
        changes = self.changes
        loaded = load_unit(self.unit)
        return loaded.changed(changes) if changes else loaded


@dataclass(frozen=True, kw_only=True)
class SoundUnitOptions(UnitOptions):
    """A unit that files are played through: what 0 dBFS stands for matters too."""

    full_scale: FullScaleOption = None

    @property
    def changes(self) -> Changes:
        return _together(super().changes, [("full_scale_dbu", "--full-scale", self.full_scale)])


@dataclass(frozen=True, kw_only=True)
class VersionOptions(UnitOptions):
    """A unit and versions of it."""

    version: VersionOption = None
    versions: VersionsOption = None
    vary: VaryOption = None
    quality: QualityOption = DEFAULT_QUALITY

    def wanted(self) -> tuple[str, list[tuple[str, Changes]]]:
        """Title of the file of versions, and label and changes of each version. Raises InputError."""
        title, listed = read_versions(self.versions) if self.versions is not None else ("", [])
        return title, vary_versions([*listed, *parse_versions(self.version or [])], varied(self.vary))

    def read(self, units: Iterable[Unit]) -> list[Path]:
        """All files that these versions come from, the list of versions among them."""
        return [*(file for one in units for file in one.files), *([] if self.versions is None else [self.versions])]

    def units(self) -> dict[str, Unit]:
        """Label -> unit: each version, or the unit with its changes under an empty label."""
        base, wanted = self.chosen(), self.wanted()[1]
        if not wanted:
            return {"": base}
        check_labels((label for label, _ in wanted), most=MOST_MEASURED)
        found, mistakes = {}, []
        for label, changes in wanted:
            try:
                found[label.strip()] = version_unit(base, changes, self.changes)
            except FetsimError as error:
                mistakes += [f"version {label.strip()[:60]!r}: {line}" for line in str(error).splitlines()]
        if mistakes:
            raise InputError("\n".join(mistakes))
        return found


@dataclass(frozen=True, kw_only=True)
class MeasuredUnitOptions(UnitOptions):
    """A unit that is measured; of a pair one channel."""

    side: SideOption = None

    def chosen(self) -> Unit:
        sides = measured_sides(super().chosen(), self.side)
        if len(sides) > 1:
            raise InputError("--side: one channel at a time here; choose left or right")
        return next(iter(sides.values()))


@dataclass(frozen=True, kw_only=True)
class MeasuredOptions(VersionOptions):
    """A unit that is measured, and versions of it; of a pair one channel, or both beside each other."""

    side: SideOption = None

    def units(self) -> dict[str, Unit]:
        """Label -> unit, a label for each side where there are two."""
        found = {}
        for label, unit in super().units().items():
            sides = measured_sides(unit, self.side)
            for side, one in sides.items():
                found[", ".join(filter(None, (label, side if len(sides) > 1 else "")))] = one
        return found


def measured_sides(unit: Unit, side: str | None) -> dict[str, Unit]:
    """Side -> what is measured there: a joined pair as a whole listened to at that channel, else the channel alone; a
    unit of one channel itself. Raises InputError for a side that is none."""
    check_side(unit, side)
    if not unit.channels:
        return {"": unit}
    each = dict(zip(unit.channels, unit.each_channel, strict=True))
    return each if side == "both" else {side or unit.channel: each[side or unit.channel]}


def check_side(unit: Unit, side: str | None) -> None:
    """Raises InputError for a side that is none, or of a unit of one channel."""
    if side is not None and side not in SIDES:
        raise InputError(f"--side: there is no {side[:20]!r}; choose from {', '.join(SIDES)}")
    if side is not None and not unit.channels:
        raise InputError(f"--side: {unit.name} has one channel; leave it out")


@dataclass(frozen=True, kw_only=True)
class SoundVersionOptions(VersionOptions, SoundUnitOptions):
    """A unit that files are played through, and versions of it."""


@dataclass(frozen=True, kw_only=True)
class FigureFiles(Options):
    """Where the figures of a measurement go."""

    at_the_end: ClassVar[bool] = True

    json_to: JsonOption = None
    csv_to: CsvOption = None
    plot_to: PlotOption = None
    force: ForceOption = False


def noise_seed_of(noise: bool, seed: int | None) -> int | None:
    """The seed of the noise that is asked for; None without noise. Raises InputError for a seed of none."""
    if seed is not None and not noise:
        raise InputError("--seed: is that of the noise; add --noise")
    return (seed or 0) if noise else None


def spread(command: Callable[..., None]) -> Callable[..., None]:
    """The command with every record of options in its signature replaced by the options themselves."""
    records: dict[str, type[Options]] = {}
    shown: list[inspect.Parameter] = []
    last: list[inspect.Parameter] = []
    for one in inspect.signature(command, eval_str=True).parameters.values():
        if isinstance(one.annotation, type) and issubclass(one.annotation, Options):
            records[one.name] = one.annotation
            found = inspect.signature(one.annotation, eval_str=True).parameters.values()
            (last if one.annotation.at_the_end else shown).extend(found)
        else:
            shown.append(one)

    def called(**given: Any) -> None:
        filled = {
            name: record(**{field.name: given.pop(field.name) for field in fields(record)})  # type: ignore[arg-type]
            for name, record in records.items()
        }
        command(**filled, **given)

    shown = [one.replace(kind=inspect.Parameter.KEYWORD_ONLY) for one in (*shown, *last)]
    called.__signature__ = inspect.Signature(shown)  # type: ignore[attr-defined]
    called.__annotations__ = {one.name: one.annotation for one in shown}
    called.__name__, called.__doc__ = command.__name__, command.__doc__
    return called


def _together(changes: Changes, options: list[tuple[str, str, str | float | None]]) -> Changes:
    """Changes and what options say, (name, option, value) each."""
    found = dict(changes)
    for name, option, value in options:
        if value is None:
            continue
        if name in found:
            raise InputError(f"{option}: {name} is given by --change too; give one of the two")
        found[name] = value
    return found
