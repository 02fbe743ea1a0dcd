"""Versions of a unit to compare: a name, and the changes that make it.

Written on one line as ``bigger timing cap: C16=220n, attack=0.8`` (the name goes up to the first colon), or as a TOML
file::

    title = "Jingle too lively"

    [versions."bigger timing cap"]
    C16 = "220n"

    [versions."weaker FET"]
    J1.i_dss = "9mA"
"""

import tomllib
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from fetsim.errors import FetsimError, InputError
from fetsim.files.reading import read_text
from fetsim.schematic.unit import Unit
from fetsim.studies.compare.comparison import AS_BUILT

LARGEST_FILE = 1_000_000  # bytes
MOST_VERSIONS = 24
EXAMPLE = "such as --version 'bigger timing cap: C16=220n, attack=0.8'"

Changes = Mapping[str, str | float]


@dataclass(frozen=True)
class Version:
    """One version, made or not."""

    name: str
    unit: Unit | None
    """None where the changes are wrong."""
    error: str = ""
    """What is wrong with them, a line for each mistake."""


def parse_version(text: str) -> tuple[str, dict[str, str]]:
    """Name and changes out of one line; ``NAME:`` alone changes nothing. Raises InputError."""
    name, colon, rest = text.partition(":")
    if not colon:
        raise InputError(f"version {_short(text)}: is not 'NAME: PART=VALUE, ...', {EXAMPLE}")
    changes: dict[str, str] = {}
    for part in rest.split(",") if rest.strip() else []:
        key, sign, value = (piece.strip() for piece in part.partition("="))
        if not (key and sign and value):
            what = f"{part.strip()[:60]!r} is not PART=VALUE" if part.strip() else "a comma too many"
            raise InputError(f"version {_short(name)}: {what}; write it {EXAMPLE}")
        if key in changes:
            raise InputError(f"version {_short(name)}: {key[:40]} is given twice")
        changes[key] = value
    return name.strip(), changes


def read_versions(path: Path) -> tuple[str, list[tuple[str, Changes]]]:
    """Title (may be empty) and versions of a TOML file, in its order. Raises InputError."""
    try:
        table = tomllib.loads(read_text(path, largest_bytes=LARGEST_FILE, what="list of versions"))
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path}: is not valid TOML ({str(error)[:200]})") from None
    unknown = table.keys() - {"title", "versions"}
    if unknown:
        raise InputError(f"{path}: unknown key {min(unknown)[:40]!r}; there are only title and [versions.NAME] tables")
    title, versions = table.get("title", ""), table.get("versions", {})
    if not isinstance(title, str):
        raise InputError(f"{path}: title: must be a text in quotes")
    if not isinstance(versions, dict) or not versions:
        raise InputError(f'{path}: has no versions; write each as [versions."its name"] with the changes below')
    return title, [(name, _flat(path, name, changes)) for name, changes in versions.items()]


def check_names(names: Iterable[str]) -> None:
    """Refuse names that are empty, reserved, doubled or not text. Raises InputError with a line for each mistake."""
    seen: set[str] = set()
    mistakes = []
    for name in names:
        key = unicodedata.normalize("NFC", name).strip().casefold()
        if not key:
            mistakes.append("version: needs a name before the colon")
        elif any(unicodedata.category(letter) in ("Cc", "Cs", "Zl", "Zp") for letter in name):
            mistakes.append(f"version {_short(name)}: the name holds a control character; leave it out")
        elif key == AS_BUILT:
            mistakes.append(f"version {_short(name)}: this name is the untouched unit's; choose another")
        elif key in seen:
            mistakes.append(f"version {_short(name)}: two versions have this name; give each its own")
        seen.add(key)
    if not seen:
        mistakes.append(f"versions: none is given; add one {EXAMPLE}")
    if len(seen) > MOST_VERSIONS:
        mistakes.append(f"versions: {len(seen)} are too many to listen to; {MOST_VERSIONS} at the most")
    if mistakes:
        raise InputError("\n".join(mistakes))


def make_versions(unit: Unit, wanted: Iterable[tuple[str, Changes]], *, keep_going: bool = False) -> list[Version]:
    """The changed units, the untouched one first.

    Wrong changes raise InputError with every mistake of every version, or with ``keep_going`` become versions
    without a unit.
    """
    versions = [Version(AS_BUILT, unit), *(_make(unit, name.strip(), changes) for name, changes in wanted)]
    mistakes = [_named(version.name, line) for version in versions for line in version.error.splitlines()]
    if mistakes and not keep_going:
        raise InputError("\n".join(mistakes))
    return versions


def _make(unit: Unit, name: str, changes: Changes) -> Version:
    try:
        return Version(name, unit.changed(changes))
    except FetsimError as error:
        return Version(name, None, str(error))


def _named(name: str, line: str) -> str:
    return f"version {_short(name)}: {line}"


def _short(name: str) -> str:
    return repr(name.strip()[:60])


def _flat(path: Path, name: str, changes: object) -> Changes:
    """``J1.i_dss = "9mA"`` is a table in a table; as a change it is one name again."""
    if not isinstance(changes, dict):
        raise InputError(f"{path}: versions.{name[:60]}: must be a table of changes, as C16 = \"220n\"")
    flat: dict[str, str | float] = {}
    for key, value in changes.items():
        for inner, one in value.items() if isinstance(value, dict) else [("", value)]:
            whole = f"{key}.{inner}" if inner else key
            if isinstance(one, bool) or not isinstance(one, str | int | float):
                raise InputError(f"{path}: versions.{name[:60]}: {whole}: must be a number or a text in quotes")
            flat[whole] = one
    return flat
