"""Changes and versions of a unit as they are written: one grammar for the command line, for files and for Python.

A change is ``NAME=VALUE``. A version is ``LABEL: NAME=VALUE, ...`` (the label goes up to the first colon, and nothing
behind it changes nothing), or a table of a TOML file::

    title = "Jingle too lively"

    [versions."bigger timing cap"]
    C16 = "220n"

    [versions."weaker FET"]
    J1.i_dss = "9mA"

The name ``unit`` stands for another unit to start from, a shipped one or a file, as in ``rebuilt: unit=mine.toml,
C16=330n``; in a TOML file its path is taken from there.
"""

import tomllib
import unicodedata
from collections.abc import Collection, Iterable, Mapping, Sequence
from itertools import product
from math import prod
from pathlib import Path

from fetsim.errors import InputError
from fetsim.files.reading import read_text
from fetsim.schematic.change import flat_changes
from fetsim.schematic.load import load_unit
from fetsim.schematic.unit import Unit

LARGEST_FILE = 1_000_000  # bytes
MOST_VERSIONS = 24  # to listen to
MOST_MEASURED = 500  # to measure: 500 static curves take some minutes
UNIT = "unit"
EXAMPLE = "such as 'bigger timing cap: C16=220n, attack=0.8'"

Changes = Mapping[str, str | float]
"""Name -> value; ``unit`` names another unit to start from."""


def parse_changes(texts: Iterable[str], where: str) -> dict[str, str]:
    """Name -> value out of texts ``NAME=VALUE``. Raises InputError that begins with ``where``."""
    changes: dict[str, str] = {}
    for text in texts:
        name, sign, value = (piece.strip() for piece in text.partition("="))
        if not (name and sign and value):
            what = f"{text.strip()[:60]!r} is not NAME=VALUE, such as C16=220n" if text.strip() else "a comma too many"
            raise InputError(f"{where}: {what}")
        if name in changes:
            raise InputError(f"{where}: {name[:40]} is given twice")
        changes[name] = value
    return changes


def parse_version(text: str) -> tuple[str, dict[str, str]]:
    """Label and changes out of one line. Raises InputError."""
    label, colon, rest = text.partition(":")
    if not colon:
        raise InputError(f"{_named(text)}: is not 'LABEL: NAME=VALUE, ...', {EXAMPLE}")
    return label.strip(), parse_changes(rest.split(",") if rest.strip() else [], _named(label))


def parse_versions(texts: Iterable[str]) -> list[tuple[str, Changes]]:
    """All of them; raises InputError with every mistake."""
    found: list[tuple[str, Changes]] = []
    mistakes = []
    for text in texts:
        try:
            found.append(parse_version(text))
        except InputError as error:
            mistakes.append(str(error))
    if mistakes:
        raise InputError("\n".join(mistakes))
    return found


def read_versions(path: Path) -> tuple[str, list[tuple[str, Changes]]]:
    """Title (may be empty) and versions of a TOML file, in its order. Raises InputError.

    >>> import fetsim
    >>> from pathlib import Path
    >>> _ = Path("v.toml").write_text("versions.larger = {C2 = '330n'}")
    >>> fetsim.read_versions(Path("v.toml"))
    ('', [('larger', {'C2': '330n'})])
    """
    try:
        table = tomllib.loads(read_text(path, largest_bytes=LARGEST_FILE, what="list of versions"))
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path}: is not valid TOML ({str(error)[:200]})") from None
    unknown = table.keys() - {"title", "versions"}
    if unknown:
        raise InputError(f"{path}: unknown key {min(unknown)[:40]!r}; there are only title and [versions.LABEL] tables")
    title, versions = table.get("title", ""), table.get("versions", {})
    if not isinstance(title, str):
        raise InputError(f"{path}: title: must be a text in quotes")
    if not isinstance(versions, dict) or not versions:
        raise InputError(f'{path}: has no versions; write each as [versions."its label"] with the changes below')
    return title, [(label, _flat(path, label, changes)) for label, changes in versions.items()]


def vary_versions(
    versions: Sequence[tuple[str, Changes]], grid: Mapping[str, Sequence[str]]
) -> list[tuple[str, Changes]]:
    """Each version with every combination of the values in ``grid`` [name -> values], named after it.

    Raises InputError where a name is varied and changed, and for more combinations than can be measured.

    >>> import fetsim
    >>> fetsim.vary_versions([("", {})], {"R1": ["1k", "2k"]})
    [('R1=1k', {'R1': '1k'}), ('R1=2k', {'R1': '2k'})]
    """
    if not grid:
        return list(versions)
    count = prod(len(values) for values in grid.values()) * max(1, len(versions))
    if count > MOST_MEASURED:
        raise InputError(f"vary: these are {count} versions; {MOST_MEASURED} at the most, so give fewer values")
    for label, changes in versions:
        for name in grid.keys() & changes.keys():
            raise InputError(f"{_named(label)}: {name} is varied too; give one of the two")
    return [
        (", ".join([*([label] if label else []), *(f"{name}={value}" for name, value in setting)]),
         {**changes, **dict(setting)})
        for label, changes in versions or [("", {})]
        for setting in (tuple(zip(grid, values, strict=True)) for values in product(*grid.values()))
    ]  # fmt: skip


def check_labels(labels: Iterable[str], *, taken: Collection[str] = (), most: int = MOST_VERSIONS) -> None:
    """Refuse labels that are empty, doubled, ``taken`` or not text. Raises InputError with a line for each mistake."""
    seen: set[str] = set()
    mistakes = []
    for label in labels:
        key = unicodedata.normalize("NFC", label).strip().casefold()
        if not key:
            mistakes.append("version: needs a label before the colon")
        elif any(unicodedata.category(letter) in ("Cc", "Cs", "Zl", "Zp") for letter in label):
            mistakes.append(f"{_named(label)}: the label holds a control character; leave it out")
        elif key in taken:
            mistakes.append(f"{_named(label)}: this label is the untouched unit's; choose another")
        elif key in seen:
            mistakes.append(f"{_named(label)}: two versions have this label; give each its own")
        seen.add(key)
    if len(seen) > most:
        mistakes.append(f"versions: {len(seen)} are too many to tell apart; {most} at the most")
    if mistakes:
        raise InputError("\n".join(mistakes))


def version_unit(unit: Unit, changes: Changes, common: Changes) -> Unit:
    """``unit`` with ``changes``, or another one that they name, with ``common`` and the rest of them.

    ``common``: what is changed in all versions, and in ``unit`` already. Raises UnitError.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> fetsim.version_unit(unit, {"C2": "220n"}, {}).changes
    (('C2', '150 nF', '220 nF'),)
    """
    rest = {name: value for name, value in changes.items() if name != UNIT}
    if UNIT in changes:
        unit = load_unit(str(changes[UNIT]))
        unit = unit.changed(common) if common else unit
    return unit.changed(rest) if rest else unit


def _named(label: str) -> str:
    return f"version {label.strip()[:60]!r}"


def _flat(path: Path, label: str, changes: object) -> Changes:
    if not isinstance(changes, dict):
        raise InputError(f"{path}: versions.{label[:60]}: must be a table of changes, as C16 = \"220n\"")
    flat: dict[str, str | float] = {}
    for name, value in flat_changes(changes):
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            raise InputError(f"{path}: versions.{label[:60]}: {name}: must be a number or a text in quotes")
        flat[name] = value
    other = flat.get(UNIT)
    if isinstance(other, str) and (other.endswith(".toml") or "/" in other):
        flat[UNIT] = str(path.parent / other)
    return flat
