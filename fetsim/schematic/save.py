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


def save_unit(unit: UnitData, path: Path, *, overwrite: bool) -> Path:
    """Write the unit to ``path``, whole or not at all; InputError when the file exists (unless ``overwrite``) or
    cannot be written."""
    if path.suffix.lower() != ".toml":
        raise InputError(f"{path}: a unit file ends in .toml")
    text = unit_text(unit)
    with Outputs(overwrite=overwrite) as outputs:
        staged = outputs.stage(path)
        with writing(path):
            staged.write_bytes(text.encode())
    return path


def unit_text(unit: UnitData) -> str:
    """The text of the file the unit was read from, with the changed values put in their places."""
    document = tomlkit.parse(unit.text)
    _merge(document, unit.document)
    text = tomlkit.dumps(document)
    if tomllib.loads(text) != unit.document:
        raise InputError(f"{unit.path}: its layout cannot take these changes; put them in by hand")
    return text


def _merge(table: MutableMapping[str, Any], wanted: Mapping[str, Any]) -> None:
    """Make ``table`` equal to ``wanted`` and leave alone what is equal already."""
    for key in [key for key in table if key not in wanted]:
        del table[key]
    for key, value in wanted.items():
        if key not in table:
            item = _item(value)
            if isinstance(table, InlineTable):
                item.trivia.trail = " "  # in front of the closing brace
            table[key] = item
        elif isinstance(value, Mapping):
            _merge(table[key], value)
        elif table[key] != value:
            table[key] = value


def _item(value: Any) -> Item:
    item: Item = tomlkit.inline_table() if isinstance(value, Mapping) else tomlkit.item(value)
    if isinstance(item, InlineTable):
        item.update(value)
    return item
