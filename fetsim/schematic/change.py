"""Changing a unit: another unit with other values, controls, switches or devices, and the same wiring.

A change edits the unit's tables and reads them again, so that it meets every check that the file met. Names:
a part's main value by its designator (``C16``), any key of a part or figure of its device sheet
(``T1.ratio``, ``J1.i_dss``, ``P3.fraction``, ``OUT.load``), of a step of the alignment (``idle_bias.must_be``), a
control's position or the step of a stepped attenuator (``-12dB``), a switch bank's closed subset (``S1+S3``, ``all``,
``none``), ``load``, ``temperature_c``, ``full_scale_dbu``, ``name``, ``about``. What is wrong with a part is a value
too, under its designator (``C16=leaky:10M``, ``S1=stuck:open``; ``fault_words``), and so is a bridge between two nodes
(``q1b-q1c=bridge:100``); ``sound`` takes either away. The wiring never changes.
"""

from collections.abc import Iterator, Mapping, Sequence
from numbers import Integral, Real
from typing import Any

from fetsim.engine.circuit import GROUND
from fetsim.errors import InputError, UnitError
from fetsim.schematic.alignment import TONE
from fetsim.schematic.fault_words import BRIDGE, BRIDGE_OHM, SOUND, is_fault
from fetsim.schematic.fields import suggestion
from fetsim.schematic.model import Part, UnitData, bridge_ends, channel_of, of_one_channel
from fetsim.schematic.read import mistake_line, read_unit
from fetsim.schematic.schema import (
    MAIN_KEYS,
    PARTS,
    SHEETS,
    UNIT_KEYS,
    WIRING_KEYS,
    CoreTable,
    HeatedTable,
    ResistiveTable,
    StepTable,
    ValuedTable,
)
from fetsim.schematic.sheets import library_sheets, sheet_figures
from fetsim.schematic.stepped import OFF, OFF_DB, position_of, step_text
from fetsim.schematic.values import parse_value

Document = Mapping[str, Any]


class _Refused(Exception):
    """A change that names nothing or cannot be made; the text says why."""


def changed_unit(unit: UnitData, changes: Sequence[tuple[str, str | float]]) -> UnitData:
    """The unit with these (name, value) changes. Raises UnitError with a line for every wrong name and every wrong
    value, and for a value that is given twice, under whatever names.

    A control that is moved frees its potentiometers from a fixed ``fraction``; a new ``device`` drops the
    figures that were put over the old sheet. Both come first, so that a fraction or a figure in the same call
    stands.
    """
    wrong = [f"{name!r}"[:40] for name, _ in changes if not isinstance(name, str)]
    if wrong:
        raise UnitError(f"change: {wrong[0]} is not the name of anything; names are texts, as in {{'C16': '220n'}}")
    changes = list(_of_each_channel(unit, changes))
    document: Document = unit.document
    changes = [(_with_fault(unit, name, value), value) for name, value in changes]
    refusals = _given_twice(unit, [name for name, _ in changes])
    for name, value in sorted(changes, key=lambda change: _turn(unit, change[0])):
        try:
            document = _edit(unit, document, name, _plain(value))
        except _Refused as reason:
            refusals.append(mistake_line(unit.path.name, name, "", str(reason)))
    try:
        other = read_unit(document, unit.path, unit.text, like=unit)
    except UnitError as error:
        raise UnitError("\n".join([*refusals, str(error)])) from None
    if refusals:
        raise UnitError("\n".join(refusals))
    return other


def flat_changes(table: Document) -> list[tuple[str, Any]]:
    """``J1.i_dss = "9mA"`` is a table in a table for TOML; as a change it is one name."""
    return [
        (f"{key}.{inner}" if inner else key, one)
        for key, value in table.items()
        for inner, one in (value.items() if isinstance(value, Mapping) else [("", value)])
    ]


def _of_each_channel(unit: UnitData, changes: Sequence[tuple[str, Any]]) -> Iterator[tuple[str, Any]]:
    """In a pair, what is told without a channel counts for each that has it."""
    known = {*unit.parts, *unit.controls, *unit.banks, *unit.alignment, *UNIT_KEYS}
    outputs = [part.designator for part in unit.parts.values() if part.kind == "output"]
    for name, value in changes:
        head, point, key = name.partition(".")
        each = outputs if name == "load" else [f"{channel}_{head}" for channel in unit.channels]
        found = [one for one in each if one in known]
        if not unit.channels or head in known or not found:
            yield name, value
            continue
        for one in found:
            yield (f"{one}.load" if name == "load" else f"{one}{point}{key}"), value


def _given_twice(unit: UnitData, names: Sequence[str]) -> list[str]:
    """A line for every value that several of the names stand for."""
    by_value: dict[str, list[str]] = {}
    for name in names:
        by_value.setdefault(_full_name(unit, name), []).append(name)
    return [
        mistake_line(unit.path.name, ", ".join(dict.fromkeys(same)), "", "one value given twice; give it once")
        for same in by_value.values()
        if len(same) > 1
    ]


def _full_name(unit: UnitData, name: str) -> str:
    """``C16`` as ``C16.value``, ``load`` as ``OUT.load``."""
    if name == "load":
        return f"{unit.output.designator}.load"
    part = unit.parts.get(name)
    return name if part is None or part.kind not in MAIN_KEYS else f"{name}.{MAIN_KEYS[part.kind]}"


def _with_fault(unit: UnitData, name: str, value: object) -> str:
    """``C16`` as ``C16.fault`` where the value is one; a selector's position is never taken for it."""
    if name in unit.parts and is_fault(value) and str(value) not in unit.parts[name].positions:
        return f"{name}.fault"
    return name


def _turn(unit: UnitData, name: str) -> int:
    """Order of application: controls, then devices, then all else."""
    return 0 if name in unit.controls else 1 if _full_name(unit, name).endswith(".device") else 2


def _edit(unit: UnitData, document: Document, name: str, value: str | float) -> Document:
    if name in UNIT_KEYS:
        return _put(document, [name], value)
    if name in unit.controls:
        for part in unit.parts.values():
            if part.control == name and "fraction" in part.values:
                document = _drop(document, _path(part), "fraction")
        return _put(document, ["controls", name, "position"], _turned(unit, name, value))
    if name in unit.banks and unit.banks[name].exclusive:
        return _put(document, [*_path(unit.parts[name]), "position"], _position(unit, name, value))
    if name in unit.banks:
        return _put(document, ["switches", name, "closed"], _subset(unit, name, value))
    if bridge_ends(name, unit.nodes) and name not in unit.parts:
        return _bridged(document, name, value)
    designator, _, key = _full_name(unit, name).partition(".")
    if designator in unit.alignment:
        return _edit_step(document, designator, key, value)
    if designator not in unit.parts:
        raise _Refused(_unknown_name(unit, name, value))
    return _edit_part(document, unit.parts[designator], key, value)


def _edit_part(document: Document, part: Part, key: str, value: str | float) -> Document:
    figures = sheet_figures(SHEETS[part.kind]) if part.kind in SHEETS else {}
    shared = [table.model_fields for table in (ValuedTable, CoreTable, ResistiveTable, HeatedTable)]
    own_first = sorted(PARTS[part.kind].model_fields, key=lambda name: [name in keys for keys in shared])
    keys = [name for name in own_first if name not in (*WIRING_KEYS, "figures")]
    if part.kind == "switch" and not key:
        bank = f"{part.bank}={part.designator}"
        raise _Refused(f"is set through its bank, as {bank}; only what is wrong with it is told here, as stuck:open")
    if key == "fault" and value == SOUND:
        return _drop(document, _path(part), key)
    if key == "device":
        _same_polarity(document, part, str(value))
        return _put(_drop(document, _path(part), "figures"), [*_path(part), "device"], value)
    if key in figures:
        for replaced in SHEETS[part.kind].replaces.get(key, ()):
            if replaced in part.figures:  # in the unit as it was: what the same call gives stands
                document = _drop(document, [*_path(part), "figures"], replaced)
        return _put(document, [*_path(part), "figures", key], value)
    if key in keys:
        return _put(document, [*_path(part), key], value)
    choices = ", ".join(f"{part.designator}.{choice}" for choice in [*keys, *figures])
    if key == "":
        raise _Refused(f"say which value of the {part.kind}; choices: {choices}")
    if key in WIRING_KEYS:
        raise _Refused(f"{key} is wiring, which a change cannot touch; edit the unit file")
    hint = suggestion(key, [*keys, *figures])
    raise _Refused(f"a part of kind {part.kind} has no {key[:40]!r}{hint}; choices: {choices}")


def _bridged(document: Document, name: str, value: str | float) -> Document:
    if value == SOUND:
        return _drop(document, ["bridges"], name) if "bridges" in document else document
    word, colon, ohm = str(value).partition(":")
    if word != BRIDGE or (colon and not ohm):
        raise _Refused(f"these are two nodes, so {str(value)[:40]!r} is no value; write {BRIDGE}:100 (ohm) or {SOUND}")
    return _put(document, ["bridges", name], ohm or f"{BRIDGE_OHM:g}")


def _edit_step(document: Document, step: str, key: str, value: str | float) -> Document:
    if key in StepTable.model_fields:
        for replaced in TONE if key in TONE else ():
            document = _drop(document, ["alignment", step], replaced)
        return _put(document, ["alignment", step, key], value)
    choices = ", ".join(f"{step}.{choice}" for choice in StepTable.model_fields)
    if not key:
        raise _Refused(f"say what of this step of the alignment; choices: {choices}")
    hint = suggestion(key, StepTable.model_fields)
    raise _Refused(f"a step of the alignment has no {key[:40]!r}{hint}; choices: {choices}")


def _same_polarity(document: Document, part: Part, name: str) -> None:
    """Refuse a sheet of the other polarity: its currents run the other way, which is another circuit."""
    sheet = {**library_sheets(), **document.get("devices", {})}.get(name, {})
    if part.device is not None and sheet.get("kind") == part.kind:
        polarity = sheet.get("polarity", "")
        if polarity != part.device.polarity:
            raise _Refused(
                f"{name} is {polarity}, the wiring is for {part.device.polarity}; edit the unit file"
            )


def _keys_and_figures(part: Part) -> set[str]:
    """What may stand behind its designator."""
    figures = sheet_figures(SHEETS[part.kind]) if part.kind in SHEETS else {}
    return {*PARTS[part.kind].model_fields, *figures}.difference(WIRING_KEYS)


def _subset(unit: UnitData, name: str, value: str | float) -> list[str]:
    switches = unit.banks[name].switches
    if value == "all":
        return list(switches)
    words = [] if value in ("none", "") else [word.strip() for word in str(value).split("+")]
    front = channel_of(name)
    closed = [f"{front}_{word}" if front and word not in switches else word for word in words]
    for switch in closed:
        if switch not in switches:
            choices = f"all, none or any of {', '.join(switches)} joined by +"
            raise _Refused(
                f"no switch named {switch[:40]!r}{suggestion(switch, switches)}; choices: {choices}"
            )
    return [switch for switch in switches if switch in closed]


def _turned(unit: UnitData, name: str, value: str | float) -> str | float:
    """A control's position, of a stepped attenuator also by its step: ``-12dB``, ``off``."""
    if not isinstance(value, str) or not (value == OFF or value.endswith("dB")):
        return value
    stepped = unit.stepped(name)
    if stepped is None:
        raise _Refused(f"turns no stepped attenuator, so {value[:40]!r} is no position of it; give 0 to 1")
    try:
        wanted = OFF_DB if value == OFF else parse_value(value, "decibel")
    except InputError as error:
        raise _Refused(str(error)) from None
    position = position_of(stepped.steps, wanted)
    if position is None:
        choices = ", ".join(step_text(step).replace(" ", "") for step in stepped.steps)
        raise _Refused(f"{stepped.designator} has no step of {value[:40]!r}; choices: {choices}")
    return 1.0 - position if stepped.direction == "falling" else position


def _position(unit: UnitData, name: str, value: str | float) -> str:
    positions = unit.banks[name].switches
    if value not in positions:
        hint = suggestion(str(value), positions)
        raise _Refused(f"has no position {str(value)[:40]!r}{hint}; it always has one of {', '.join(positions)}")
    return str(value)


def _unknown_name(unit: UnitData, name: str, value: str | float) -> str:
    word = name.partition(".")[0]
    bearer = next((one for one in unit.parts.values() if word in _keys_and_figures(one)), None)
    if word == name and bearer is not None:
        return f"is told of a part; write it behind the part's designator, as {bearer.designator}.{word}"
    names = [*unit.controls, *unit.banks, *UNIT_KEYS, "load", *unit.parts, *unit.alignment]
    otherwise = "; choices: " + ", ".join(names)
    if unit.channels:
        otherwise = of_one_channel(unit.channels)
    if str(value).partition(":")[0] == BRIDGE:
        ends = name.split("-")
        unknown = [end for end in ends if end not in unit.nodes and end != GROUND]
        if len(ends) == 2 and unknown:
            return f"there is no node {unknown[0][:40]!r}{suggestion(unknown[0], unit.nodes)}"
        return "is not two nodes with a hyphen between, such as q1b-q1c"
    if word == name and unit.banks and str(value)[:1].isalpha():  # a word, as switches and texts are given, no amount
        names = [*unit.banks, *UNIT_KEYS]
        otherwise = "; what is switched: " + ", ".join(bank.told for bank in unit.banks.values())
    return f"no part, control or switch bank of this name{suggestion(word, names) or otherwise}"


def _plain(value: object) -> str | float:
    """Numbers of any library as Python numbers; other things as their text, which the reader will refuse."""
    if isinstance(value, Integral) and not isinstance(value, bool):
        return int(value)
    return float(value) if isinstance(value, Real) and not isinstance(value, bool) else str(value)


def _path(part: Part) -> list[str]:
    return ["stages", part.stage, "parts", part.designator]


def _put(table: Document, path: list[str], value: object) -> Document:
    """A copy of the tables with one value set; what lies off the path is shared."""
    first, *rest = path
    return {**table, first: _put(table.get(first, {}), rest, value) if rest else value}


def _drop(table: Document, path: list[str], key: str) -> Document:
    if not path:
        return {name: value for name, value in table.items() if name != key}
    return {**table, path[0]: _drop(table[path[0]], path[1:], key)}
