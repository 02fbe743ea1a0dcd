"""Writing only the changes of a unit, as a file that starts from the one it was made from."""

import os
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import tomlkit

from fetsim.errors import InputError
from fetsim.files.reading import same_file
from fetsim.schematic.change import changed_unit
from fetsim.schematic.fault_words import BRIDGE
from fetsim.schematic.library import library_units
from fetsim.schematic.model import UnitData
from fetsim.schematic.schema import MAIN_KEYS
from fetsim.schematic.settings import differences, settings

PLAIN_KEYS = ("name", "about", "temperature_c", "full_scale_dbu")


def based_text(unit: UnitData, origin: UnitData, path: Path, files: Iterable[Path]) -> str:
    """The text of a file at ``path`` that makes ``unit``, which was changed from ``origin``, out of origin's file;
    ``files`` are that one and all that it starts from.

    Raises InputError where nothing has been changed, and where ``path`` is one of the ``files``.
    """
    if any(same_file(path, one) for one in files):
        raise InputError(f"{path}: the unit starts from this very file; choose another name, or write the whole unit")
    differing = [name for name, _, _ in differences(origin, unit)]
    if not differing:
        raise InputError(f"{path}: nothing is changed in {origin.name}, so there is nothing to write; change something")
    changes = {name: _written(unit, name) for name in _to_tell(unit, differing)}
    again = changed_unit(origin, list(changes.items()))
    if any(one for one in differences(again, unit)):
        raise InputError(f"{path}: these changes cannot be told from the whole unit; write that")
    document = tomlkit.document()
    document["name"] = changes.pop("name", f"{origin.name}, changed")
    document["based_on"] = _seen_from(path, origin.path)
    document.update({name: changes.pop(name) for name in PLAIN_KEYS if name in changes})
    if changes:
        table = tomlkit.table()
        parents = {name.partition(".")[0] for name in changes if "." in name}
        for name, value in changes.items():
            full = f"{name}.{MAIN_KEYS[unit.parts[name].kind]}" if name in parents else name  # a table in TOML
            table.append(tomlkit.key(full.split(".")), value)
        document["changed"] = table
    return tomlkit.dumps(document)


def _to_tell(unit: UnitData, differing: list[str]) -> list[str]:
    """What makes the unit differ so. A setting that it has no more went with a change of another one, and a new device
    takes with it the figures that were put over the old one's sheet: those that stand are all told."""
    changed = [unit.parts[name] for name in differing if name in unit.parts and unit.parts[name].device is not None]
    figures = [f"{part.designator}.{key}" for part in changed for key in part.figures]
    has = settings(unit)
    return [name for name in dict.fromkeys([*differing, *figures]) if name in has]


def _seen_from(path: Path, base: Path) -> str:
    """The name of a shipped unit, or the way from the new file's folder to the other one."""
    for name, place in library_units().items():
        if place == base:
            return name
    way = Path(os.path.relpath(base.absolute(), path.absolute().parent)).as_posix()
    return way if way.endswith(".toml") or "/" in way else f"./{way}"


def _written(unit: UnitData, name: str) -> Any:
    """The value of a setting as the unit's tables have it, under the name that a change takes."""
    document = unit.document
    if name in PLAIN_KEYS:
        return document[name]
    if name in unit.controls:
        return unit.controls[name].position
    if name in unit.banks:
        return "+".join(unit.banks[name].closed) or "none"
    designator, _, key = name.partition(".")
    if name in unit.bridges:
        return f"{BRIDGE}:{document['bridges'][name]}"
    if designator in unit.alignment:
        return document["alignment"][designator][key]
    part = unit.parts[designator]
    table = document["stages"][part.stage]["parts"][designator]
    key = key or MAIN_KEYS[part.kind]
    return table[key] if key in table else table["figures"][key]
