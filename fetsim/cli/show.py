"""``fetsim show``: what is in the box, and what a unit file may hold."""

import json
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any

import typer

from fetsim.cli.options import ForceOption, SoundUnitOptions
from fetsim.errors import FetsimError, InputError
from fetsim.report.unit.kinds_text import kind_page, kinds_page
from fetsim.report.unit.named_text import bank_page, control_page, node_page, step_page
from fetsim.report.unit.part_text import devices_page, part_page, units_page
from fetsim.report.unit.plain import device_dict, part_dict, unit_dict
from fetsim.report.unit.text import unit_page
from fetsim.schematic.describe import file_tables, kinds
from fetsim.schematic.fields import suggestion
from fetsim.schematic.library import library_units
from fetsim.schematic.load import load_unit
from fetsim.schematic.sheets import library_devices
from fetsim.schematic.unit import Unit

Answer = tuple[str, Any]
"""A page, and the same as plain tables for JSON."""


def show(
    chosen: SoundUnitOptions,
    part: Annotated[
        str | None,
        typer.Option("--part", metavar="NAME", help="a part, node, control or switch bank in full, and what can be "
                     "changed"),
    ] = None,
    units: Annotated[bool, typer.Option("--units", help="list the shipped units")] = False,
    devices: Annotated[bool, typer.Option("--devices", help="list the shipped device sheets")] = False,
    all_kinds: Annotated[
        bool, typer.Option("--kinds", help="list the kinds of part and the tables that a unit file may hold")
    ] = False,
    kind: Annotated[
        str | None,
        typer.Option("--kind", metavar="KIND", help="one kind of part: its keys with units, ranges and defaults, and "
                     "an example"),
    ] = None,
    to: Annotated[
        Path | None,
        typer.Option("--to", metavar="FILE", help="write the unit with its changes as a unit file (.toml), comments "
                     "kept"),
    ] = None,
    based: Annotated[
        bool,
        typer.Option("--based", help="with --to: write only the changes, as a unit file based on the other one"),
    ] = False,
    force: ForceOption = False,
    as_json: Annotated[bool, typer.Option("--as-json", help="print JSON instead of text")] = False,
) -> None:  # fmt: skip
    """Show a unit: stages, parts, controls, switches, probes, device sheets; changes as before -> after.

    \b
    fetsim show --part C16
    fetsim show --unit mine.toml --change C16=330n --to bigger.toml
    fetsim show --change C16=330n --change R4=2M7 --to slower.toml --based
    fetsim show --kind jfet
    """
    asked: list[Callable[[], Answer]] = [
        *([_units] if units else []),
        *([_devices] if devices else []),
        *([_kinds] if all_kinds else []),
        *([lambda: _kind(kind)] if kind is not None else []),
        *([lambda: _save(chosen.chosen(), to, based, force)] if to is not None else []),
        *([lambda: _named(chosen.chosen(), part)] if part is not None else []),
    ]
    if based and to is None:
        raise InputError("--based says how --to FILE writes the unit; give that too")
    if len(asked) > 1:
        raise InputError("--part, --units, --devices, --kinds, --kind and --to exclude each other; give one of them")
    text, plain = asked[0]() if asked else _whole(chosen.chosen())
    typer.echo(json.dumps(plain, indent=2, ensure_ascii=False, allow_nan=False) if as_json else text)


def _whole(unit: Unit) -> Answer:
    return unit_page(unit, unit.origin), unit_dict(unit, unit.origin)


def _units() -> Answer:
    shipped = [(name, load_unit(path)) for name, path in library_units().items()]
    return units_page(shipped), [
        {"unit": name, "name": one.name, "about": one.about, "parts": len(one.parts)} for name, one in shipped
    ]


def _devices() -> Answer:
    sheets = list(library_devices().values())
    return devices_page(sheets), [device_dict(sheet) for sheet in sheets]


def _kinds() -> Answer:
    known, tables = kinds(), file_tables()
    return kinds_page(known, tables), {
        "kinds": [asdict(one) for one in known], "tables": [asdict(one) for one in tables]
    }  # fmt: skip


def _kind(name: str) -> Answer:
    known = {one.name: one for one in kinds()}
    if name not in known:
        hint = suggestion(name[:40], known)
        raise InputError(f"--kind: there is no kind {name[:40]!r}{hint}; choices: {', '.join(known)}")
    return kind_page(known[name]), asdict(known[name])


def _save(unit: Unit, path: Path, based: bool, force: bool) -> Answer:
    written = unit.save(path, based=based, overwrite=force)
    return f"Wrote {written}", {"written": str(written)}


def _named(unit: Unit, name: str) -> Answer:
    """Everything of this name: a control and a node may share one, and both channels of a pair have it."""
    found = [one for full in (name, *(f"{channel}_{name}" for channel in unit.channels)) for one in _of(unit, full)]
    if not found:
        names = list(dict.fromkeys([
            *unit.controls, *unit.banks, *unit.parts, *unit.alignment, *unit.probes, *unit.nodes
        ]))  # fmt: skip
        hint = suggestion(name[:40], names) or f"; choices: {', '.join([*unit.controls, *unit.banks, *unit.parts])}"
        raise InputError(f"--part: {unit.name} has no part, node, control or bank named {name[:40]!r}{hint}")
    return "\n\n".join(text for text, _ in found), found[0][1] if len(found) == 1 else [plain for _, plain in found]


def _of(unit: Unit, name: str) -> list[Answer]:
    """Everything of exactly this name."""
    node = unit.probes.get(name, name)
    return [
        *([(part_page(unit, unit.origin, name), part_dict(unit, unit.parts[name], full=True))]
          if name in unit.parts else []),
        *([(control_page(unit, unit.origin, name), asdict(unit.controls[name]))] if name in unit.controls else []),
        *([(bank_page(unit, unit.origin, name), asdict(unit.banks[name]))] if name in unit.banks else []),
        *([(step_page(unit, unit.origin, name), asdict(unit.alignment[name]))] if name in unit.alignment else []),
        *([_node(unit, node)] if node in unit.nodes else []),
    ]  # fmt: skip


def _node(unit: Unit, node: str) -> Answer:
    from fetsim.measurements.idle.procedure import idle_point

    try:
        rest_v: float | None = idle_point(unit).node_voltages_v[node]
    except FetsimError:  # a unit that finds no rest can be shown all the same
        rest_v = None
    terminals = [
        {"part": part.designator, "terminal": terminal}
        for part in unit.parts.values()
        for terminal, place in part.nodes.items()
        if place == node
    ]
    return node_page(unit, node, rest_v), {"node": node, "rest_v": rest_v, "connected": terminals}
