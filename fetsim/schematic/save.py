"""Writing a changed unit to a TOML file, with the comments and the order of the file it came from."""

import tomllib
from collections.abc import Mapping, MutableMapping
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import InlineTable, Item

from fetsim.errors import InputError
from fetsim.files.whole_files import Outputs, writing
from fetsim.schematic.model import UnitData


def check_unit_path(path: Path) -> None:
    """Raises InputError for a path that is none of a unit file."""
    if path.suffix.lower() != ".toml":
        raise InputError(f"{path}: a unit file ends in .toml")


def save_text(text: str, path: Path, *, overwrite: bool) -> Path:
    """Write a unit file, whole or not at all; InputError when it exists (unless ``overwrite``) or cannot be
    written."""
    check_unit_path(path)
    with Outputs(overwrite=overwrite) as outputs:
        staged = outputs.stage(path)
        with writing(path):
            staged.write_bytes(text.encode())
    return path


def unit_text(unit: UnitData, added: str = "") -> str:
    """The text of the file the unit was read from, with the changed values put in their places; what is new in it
    keeps the comments that it has in the text ``added``."""
    document = tomlkit.parse(unit.text)
    _merge(document, unit.document, tomlkit.parse(added))
    text = tomlkit.dumps(document)
    if tomllib.loads(text) != unit.document:
        raise InputError(f"{unit.path}: its layout cannot take these changes; put them in by hand")
    return text


def _merge(table: MutableMapping[str, Any], wanted: Mapping[str, Any], added: Mapping[str, Any]) -> None:
    """Make ``table`` equal to ``wanted`` and leave alone what is equal already; what is new is taken as ``added`` has
    it written."""
    for key in [key for key in table if key not in wanted]:
        del table[key]
    for key, value in wanted.items():
        if key not in table:
            item = added[key] if added.get(key) == value else _item(value)
            if isinstance(table, InlineTable):
                item.trivia.trail = " "  # in front of the closing brace
            table[key] = item
        elif isinstance(value, Mapping):
            inner = added.get(key)
            _merge(table[key], value, inner if isinstance(inner, Mapping) else {})
        elif table[key] != value:
            table[key] = value


def _item(value: Any) -> Item:
    if not isinstance(value, Mapping):
        return tomlkit.item(value)
    if _holds_tables(value):
        table = tomlkit.table()
        for key, one in value.items():
            table[key] = _item(one)
        return table
    inline = tomlkit.inline_table()
    inline.update(value)
    return inline


def _holds_tables(value: Mapping[str, Any]) -> bool:
    """Whether it is a table of named things, or holds one, and is not written in one line."""
    inner = [one for one in value.values() if isinstance(one, Mapping)]
    return bool(inner) and (len(inner) == len(value) or any(map(_holds_tables, inner)))
