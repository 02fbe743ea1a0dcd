"""The units that a comparison plays: the untouched one and each version of it, made or not."""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from fetsim.errors import FetsimError, InputError
from fetsim.schematic.unit import Unit
from fetsim.schematic.versions import EXAMPLE, Changes, check_labels, version_unit
from fetsim.studies.compare.comparison import AS_BUILT


@dataclass(frozen=True)
class Version:
    """One version, made or not."""

    label: str
    unit: Unit | None
    """None where the changes are wrong."""
    error: str = ""
    """What is wrong with them, a line for each mistake."""
    recording: Path | None = None
    """Of the real unit, instead of anything that is played."""


def check_names(labels: Iterable[str]) -> None:
    """Refuse labels that cannot be told apart, and to compare nothing. Raises InputError."""
    listed = list(labels)
    check_labels(listed, taken=(AS_BUILT,))
    if not listed:
        raise InputError(f"versions: none is given; add one, {EXAMPLE}")


def make_versions(
    unit: Unit, wanted: Iterable[tuple[str, Changes]], common: Changes, *, keep_going: bool = False
) -> list[Version]:
    """The changed units, the untouched one first; ``common`` changes are in all of them, and in ``unit`` already.

    Wrong changes raise InputError with every mistake of every version, or with ``keep_going`` become versions
    without a unit.
    """
    versions = [Version(AS_BUILT, unit), *(_make(unit, name.strip(), changes, common) for name, changes in wanted)]
    mistakes = [f"version {one.label[:60]!r}: {line}" for one in versions for line in one.error.splitlines()]
    if mistakes and not keep_going:
        raise InputError("\n".join(mistakes))
    return versions


def _make(unit: Unit, name: str, changes: Changes, common: Changes) -> Version:
    try:
        return Version(name, version_unit(unit, changes, common))
    except FetsimError as error:
        return Version(name, None, str(error))
