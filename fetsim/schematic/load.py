"""Finding and opening a unit: a name in the library, or the path of a TOML file."""

import re
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any

from fetsim.errors import UnitError
from fetsim.files.reading import read_text
from fetsim.schematic.fields import suggestion
from fetsim.schematic.read import read_unit
from fetsim.schematic.unit import Unit

DEFAULT_UNIT = "dunlin"
LARGEST_FILE = 2_000_000  # bytes; a unit of a hundred parts has 15 000


def load_unit(name_or_path: str | Path) -> Unit:
    """Read a unit: ``"dunlin"`` from the library, or the path of a TOML file.

    A text that ends in ``.toml`` or holds a path separator is a path, any other one a library name. Raises
    UnitError.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> unit.name
    'Teaching loop'
    """
    text = str(name_or_path)
    if isinstance(name_or_path, Path) or text.endswith(".toml") or "/" in text or "\\" in text:
        path = Path(name_or_path)
    else:
        units = library_units()
        if text not in units:
            choices = f"choices: {', '.join(units)}, or the path of a .toml file"
            raise UnitError(f"no unit named {text[:40]!r}{suggestion(text[:40], units)}; {choices}")
        path = units[text]
    content = read_text(path, largest_bytes=LARGEST_FILE, what="unit file", error=UnitError)
    return Unit.of(read_unit(_parse(content, path.name), path, content))


def given_unit(unit: Unit | str | Path) -> Unit:
    """A unit itself, or what ``load_unit`` makes of its name or path. Raises UnitError."""
    if isinstance(unit, Unit):
        return unit
    if isinstance(unit, str | Path):
        return load_unit(unit)
    raise UnitError(f"unit: must be a unit, the name of one or the path of its file, not a {type(unit).__name__}")


def library_units() -> dict[str, Path]:
    """Name -> file of the units shipped with fetsim.

    >>> import fetsim
    >>> sorted(fetsim.library_units())
    ['dunlin', 'teaching']
    """
    folder = Path(str(files("fetsim.library").joinpath("units")))
    return {path.stem: path for path in sorted(folder.glob("*.toml"))}


def _parse(text: str, file: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
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
