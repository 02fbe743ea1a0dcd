"""``fetsim show``: what is in the box."""

import json
from typing import Annotated, Any

import typer

from fetsim.cli.options import SoundUnitOptions
from fetsim.errors import InputError
from fetsim.report.unit.part_text import devices_page, part_page, units_page
from fetsim.report.unit.plain import device_dict, part_dict, unit_dict
from fetsim.report.unit.text import unit_page
from fetsim.schematic.fields import suggestion
from fetsim.schematic.load import library_units, load_unit
from fetsim.schematic.sheets import library_devices
from fetsim.schematic.unit import Unit


def show(
    chosen: SoundUnitOptions,
    part: Annotated[
        str | None,
        typer.Option("--part", metavar="NAME", help="one part in full, and what can be changed"),
    ] = None,
    units: Annotated[bool, typer.Option("--units", help="list the shipped units")] = False,
    devices: Annotated[bool, typer.Option("--devices", help="list the shipped device sheets")] = False,
    as_json: Annotated[bool, typer.Option("--as-json", help="print JSON instead of text")] = False,
) -> None:
    """Show a unit: stages, parts, controls, switches, probes, device sheets; changes as before -> after."""
    if units + devices + (part is not None) > 1:
        raise InputError("--part, --units and --devices exclude each other; give one of them")
    if units:
        shipped = [(name, load_unit(path)) for name, path in library_units().items()]
        _answer(
            units_page(shipped),
            [{"unit": name, "name": one.name, "about": one.about, "parts": len(one.parts)} for name, one in shipped],
            as_json,
        )
        return
    if devices:
        sheets = list(library_devices().values())
        _answer(devices_page(sheets), [device_dict(sheet) for sheet in sheets], as_json)
        return
    wanted = chosen.chosen()
    if part is None:
        _answer(unit_page(wanted, wanted.origin), unit_dict(wanted, wanted.origin), as_json)
        return
    _known_part(wanted, part)
    _answer(part_page(wanted, wanted.origin, part), part_dict(wanted, wanted.parts[part], full=True), as_json)


def _known_part(unit: Unit, name: str) -> None:
    if name not in unit.parts:
        hint = suggestion(name[:40], unit.parts) or f"; choices: {', '.join(unit.parts)}"
        raise InputError(f"--part: {unit.name} has no part named {name[:40]!r}{hint}")


def _answer(text: str, plain: Any, as_json: bool) -> None:
    typer.echo(json.dumps(plain, indent=2, ensure_ascii=False, allow_nan=False) if as_json else text)
