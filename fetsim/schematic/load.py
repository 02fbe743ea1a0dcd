"""Finding and opening a unit: a name in the library, or the path of a TOML file."""

import re
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

from fetsim.errors import UnitError
from fetsim.files.reading import read_text, same_file
from fetsim.safe_text import printable
from fetsim.schematic.based import based_unit
from fetsim.schematic.fields import checked, suggestion
from fetsim.schematic.library import library_units
from fetsim.schematic.pair import side_by_side
from fetsim.schematic.read import mistake_line, read_unit
from fetsim.schematic.schema import PairedTable, PairTable
from fetsim.schematic.unit import Unit

DEFAULT_UNIT = "dunlin"
LARGEST_FILE = 2_000_000  # bytes; a unit of a hundred parts has 15 000
DEEPEST = 20  # tables and lists in one another; a unit has 8
LONGEST_CHAIN = 16  # units that start from one another


def load_unit(name_or_path: str | Path) -> Unit:
    """Read a unit: ``"dunlin"`` from the library, or the path of a TOML file.

    A text that ends in ``.toml`` or holds a path separator is a path, any other one a library name. Raises
    UnitError.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> unit.name
    'Teaching loop'
    """
    return _opened(_place(name_or_path), ())


def _opened(path: Path, starting: tuple[Path, ...]) -> Unit:
    return _shipped(path) if path in library_units().values() else _loaded(path, starting)


@cache
def _shipped(path: Path) -> Unit:
    """A unit of the library, read once: its file does not change while the program runs, and units are frozen."""
    return _loaded(path, ())


def _place(name_or_path: str | Path, folder: Path | None = None) -> Path:
    """The file of a unit; a path in a unit file is seen from that file's folder."""
    text = str(name_or_path)
    if isinstance(name_or_path, Path) or text.endswith(".toml") or "/" in text or "\\" in text:
        return Path(name_or_path) if folder is None else folder / name_or_path
    units = library_units()
    if text not in units:
        choices = f"choices: {', '.join(units)}, or the path of a .toml file"
        raise UnitError(f"no unit named {text[:40]!r}{suggestion(text[:40], units)}; {choices}")
    return units[text]


def _loaded(path: Path, starting: tuple[Path, ...]) -> Unit:
    """The unit of a file, from which those in ``starting`` start, each from the next."""
    content = read_text(path, largest_bytes=LARGEST_FILE, what="unit file", error=UnitError)
    document = _parse(content, path.name)
    if "pair" in document:
        base = _beside(document, path, starting)
        return Unit.of(based_unit(document, path, content, base, PairTable), base=base)
    if "based_on" not in document:
        return Unit.of(read_unit(document, path, content))
    with _told(path, "based_on"):
        base = _base(document["based_on"], path, starting)
    return Unit.of(based_unit(document, path, content, base), base=base)


@contextmanager
def _told(path: Path, key: str) -> Iterator[None]:
    """Mistakes of another unit are told where it is named."""
    try:
        yield
    except UnitError as error:
        raise UnitError("\n".join(f"{path.name}: {key}: {line}" for line in str(error).splitlines())) from None


def _beside(document: dict[str, Any], path: Path, starting: tuple[Path, ...]) -> Unit:
    """The two units that a file pairs, as one with nothing joined."""
    if "based_on" in document:
        raise UnitError(f"{path.name}: pair, based_on: give one of the two")
    table, wrong = checked(PairedTable, document["pair"])
    if table is None:
        raise UnitError("\n".join(mistake_line(path.name, "pair", *one) for one in wrong))
    units = {}
    for channel, name in table:
        with _told(path, f"pair.{channel}"):
            units[channel] = _base(name, path, starting)
            if units[channel].channels:
                raise UnitError(f"{units[channel].name} is a pair itself; name a unit of one channel")
    with _told(path, "pair"):
        whole = side_by_side(units, document)
        data = read_unit(whole, path, "")
    return Unit.of(data, sources=tuple(units.values()))


def _base(name: object, path: Path, starting: tuple[Path, ...]) -> Unit:
    if not isinstance(name, str):
        raise UnitError('must be a text in quotes, the name of a unit or the path of its file')
    if printable(name) != name:
        raise UnitError("holds a line break or another control character")
    place = _place(name, path.parent)
    chain = (*starting, path)
    if any(same_file(place, one) for one in chain):
        circle = " -> ".join(one.name for one in (*chain, place))
        raise UnitError(f"goes in a circle ({circle}); one of these must be a whole unit")
    if len(chain) > LONGEST_CHAIN:
        raise UnitError(f"the {LONGEST_CHAIN}th unit in a row that starts from another; write one of them whole")
    return _opened(place, chain)


def given_unit(unit: Unit | str | Path) -> Unit:
    """A unit itself, or what ``load_unit`` makes of its name or path. Raises UnitError."""
    if isinstance(unit, Unit):
        return unit
    if isinstance(unit, str | Path):
        return load_unit(unit)
    raise UnitError(f"unit: must be a unit, the name of one or the path of its file, not a {type(unit).__name__}")


def _parse(text: str, file: str) -> dict[str, Any]:
    try:
        document = tomllib.loads(text)
        if _is_deep(document):
            raise RecursionError
        return document
    except RecursionError:
        raise UnitError(f"{file}: is nested too deeply") from None
    except ValueError as error:  # also for an integer of more digits than Python takes
        if not isinstance(error, tomllib.TOMLDecodeError):
            raise UnitError(f"{file}: not valid TOML: {error}") from None
        what, _, place = str(error).partition(" (at ")
        found = re.match(r"line (\d+)", place)
        line = found[1] if found else len(text.rstrip().splitlines())
        hint = " (two of one name?)" if "overwrite" in what or "Duplicate" in what or "twice" in what else ""
        raise UnitError(f"{file}: line {line}: not valid TOML: {what}{hint}") from None


def _is_deep(document: dict[str, Any]) -> bool:
    """Whether tables and lists lie in one another deeper than in any unit; a dotted key is as deep as it is long."""
    level: list[object] = [document]
    for _ in range(DEEPEST):
        level = [
            inner
            for one in level
            for inner in (one.values() if isinstance(one, dict) else one if isinstance(one, list) else ())
        ]
    return bool(level)
