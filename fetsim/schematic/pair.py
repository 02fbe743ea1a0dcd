"""Two channels as one whole: units put side by side under names of their own, and one channel taken out again.

Everything of a channel bears its name in front, ``left_C16`` on node ``left_ctl``; what does not is of both: ground, a
part that joins them, a supply that they share.
"""

from collections.abc import Callable, Mapping
from typing import Any

from fetsim.engine.circuit import GROUND
from fetsim.errors import UnitError
from fetsim.schematic.model import Part, UnitData, channel_of
from fetsim.schematic.wiring import closed_wires, part_wires

Document = Mapping[str, Any]
Rename = Callable[[str], str]

SHARED = ("temperature_c", "full_scale_dbu")
REFERENCES = ("control", "bank", "transformer")
WIRING = ("node", "nodes", "poles")
TABLES = ("controls", "switches", "probes", "rails", "stages", "devices", "matched", "alignment")


def side_by_side(units: Mapping[str, UnitData], given: Document) -> Document:
    """The tables of these units [channel -> unit] as those of one, with nothing joined.

    ``given`` is the file that pairs them. Raises UnitError where they are at different temperatures or levels and it
    does not say which one counts.
    """
    first, second = units.values()
    for key in SHARED:
        one, other = getattr(first, key), getattr(second, key)
        if one != other and key not in given:
            raise UnitError(f"{key}: is {one:g} in {first.name} and {other:g} in {second.name}; say which one counts")
    whole: dict[str, Any] = {
        "name": " beside ".join(unit.name for unit in units.values()),
        **{key: getattr(first, key) for key in SHARED},
        "channels": {},
    }
    tables: dict[str, dict[str, Any]] = {key: {} for key in TABLES}
    bridges: dict[str, Any] = {}
    for channel, unit in units.items():
        renamed = _renamed(unit.document, lambda name, channel=channel: f"{channel}_{name}")  # type: ignore[misc]
        cell = renamed.pop("gain_cell")
        whole["channels"][channel] = {} if cell is None else {"gain_cell": cell}
        for key, table in tables.items():
            table.update(renamed[key])
        for a, b, ohm in unit.bridges.values():
            bridges["-".join(node if node == GROUND else f"{channel}_{node}" for node in (a, b))] = ohm
    return {**whole, **tables, **({"bridges": bridges} if bridges else {})}


def channel_document(unit: UnitData, channel: str) -> Document:
    """The tables of one channel as a unit of its own, under the names that it has there; nothing of the other, and
    nothing that joins them."""
    front = f"{channel}_"
    whole = unit.document
    stages = {
        name: {**stage, "parts": {part: raw for part, raw in stage["parts"].items() if part.startswith(front)}}
        for name, stage in whole["stages"].items()
        if name.startswith(front)
    }
    parts = [raw for stage in stages.values() for raw in stage["parts"].values()]
    used = {raw.get(key) for raw in parts for key in (*REFERENCES, "device")}
    kept = {
        key: {name: one for name, one in whole.get(key, {}).items() if name.startswith(front) or name in used}
        for key in ("controls", "switches", "devices")
    }
    nodes = {node for part in unit.parts.values() if part.designator.startswith(front) for node in part.nodes.values()}
    probes = {name: node for name, node in whole.get("probes", {}).items() if name.startswith(front) and node in nodes}
    rails = {node: one for node, one in whole.get("rails", {}).items() if node in nodes}
    steps = {key: {name: one for name, one in whole.get(key, {}).items() if name.startswith(front)}
             for key in ("matched", "alignment")}  # fmt: skip
    bridges = {
        f"{a.removeprefix(front)}-{b.removeprefix(front)}": ohm
        for a, b, ohm in unit.bridges.values() if {channel_of(node) for node in (a, b) if node != GROUND} == {channel}
    }  # fmt: skip
    cell = whole["channels"][channel].get("gain_cell")
    own = {} if cell is None else {"gain_cell": cell}
    steps["alignment"] = {name: _standing_alone(unit, front, raw) for name, raw in steps["alignment"].items()}
    alone = {**kept, **steps, "probes": probes, "rails": rails, "stages": stages, **own}
    renamed = {key: one for key, one in _renamed(alone, lambda name: name.removeprefix(front)).items() if one}
    renamed |= {"bridges": bridges} if bridges else {}
    return {"name": f"{unit.name}, {channel}", **{key: getattr(unit, key) for key in SHARED}, **renamed}


def _standing_alone(unit: UnitData, front: str, raw: Document) -> Document:
    """A step of a channel without what it says of the other one's controls and switches, or of those of both."""
    told = [one.strip() for one in str(raw.get("settings", "")).split(";")]
    names = [one.partition("=")[0].strip() for one in told]
    kept = [
        one.removeprefix(front) for one, name in zip(told, names, strict=True)
        if name.startswith(front) or f"{front}{name}" in (*unit.controls, *unit.banks)
    ]  # fmt: skip
    rest = {key: one for key, one in raw.items() if key != "settings"}
    return {**rest, "settings": "; ".join(kept)} if kept else rest


def are_joined(unit: UnitData) -> bool:
    """Whether current can flow from one channel to the other, as switches stand.

    An open contact, 1 teraohm, counts as none. So two channels are apart where what does not lie in one of them alone
    hangs on one node at the most.
    """
    wires = [set(join) for join in unit.joined]
    wires += [{a, b} for a, b, _ in unit.bridges.values() if channel_of(a) != channel_of(b) and GROUND not in (a, b)]
    for part in unit.parts.values():
        names = (part.designator, part.transformer or part.designator, *part.nodes.values())
        homes = {channel_of(name) for name in names if name != GROUND}
        if len(homes) == 1 and homes != {""}:
            continue
        if part.transformer is not None:
            return True
        wires += _ways(unit, part)
    while wires:
        island = wires.pop()
        while meeting := [one for one in wires if one & island]:
            island |= set().union(*meeting)
            wires = [one for one in wires if one not in meeting]
        if len([node for node in island if node == GROUND or channel_of(node)]) > 1:
            return True
    return False


def _ways(unit: UnitData, part: Part) -> list[set[str]]:
    """Nodes between which a part lets current through."""
    if part.bank is not None:
        return [set(one) for one in closed_wires(unit, part)]
    ends = [set(one) for one in part_wires(part)]
    return [one | {GROUND} for one in ends] if part.kind == "supply" else ends


def _renamed(whole: Document, rename: Rename) -> dict[str, Any]:
    """All that bears a name under another one; the names of library sheets, terminals and positions stay."""
    own_sheets = whole.get("devices", {})

    def node(name: Any) -> Any:
        return name if str(name) in (GROUND, "") else rename(str(name))

    def part(raw: Mapping[str, Any]) -> dict[str, Any]:
        found = dict(raw)
        for key in REFERENCES:
            if key in raw:
                found[key] = rename(raw[key])
        if raw.get("device") in own_sheets:
            found["device"] = rename(raw["device"])
        return {**found, **{key: _leaves(raw[key], node) for key in WIRING if key in raw}}

    def stage(raw: Mapping[str, Any]) -> dict[str, Any]:
        own = {"output_node": node(raw["output_node"])} if "output_node" in raw else {}
        return {**raw, **own, "parts": {rename(name): part(one) for name, one in raw["parts"].items()}}

    def bank(raw: Mapping[str, Any]) -> dict[str, Any]:
        return {**raw, **({"closed": [rename(one) for one in raw["closed"]]} if "closed" in raw else {})}

    def cell(raw: Mapping[str, Any]) -> dict[str, Any]:
        return {key: rename(one) if key == "fet" else _leaves(one, node) for key, one in raw.items()}

    def step(raw: Mapping[str, Any]) -> dict[str, Any]:
        owner, point, key = raw["set"].partition(".")
        places = raw.get("at", [])
        named = places.split(", ") if isinstance(places, str) else places
        return {**raw, "set": f"{rename(owner)}{point}{key}", **({"at": [node(one) for one in named]} if named else {})}

    return {
        "gain_cell": cell(whole["gain_cell"]) if "gain_cell" in whole else None,
        "controls": {rename(name): one for name, one in whole.get("controls", {}).items()},
        "switches": {rename(name): bank(one) for name, one in whole.get("switches", {}).items()},
        "probes": {rename(name): node(one) for name, one in whole.get("probes", {}).items()},
        "rails": {node(name): one for name, one in whole.get("rails", {}).items()},
        "stages": {rename(name): stage(one) for name, one in whole["stages"].items()},
        "devices": {rename(name): one for name, one in own_sheets.items()},
        "matched": {
            rename(name): {**one, "parts": [rename(part) for part in one["parts"]]}
            for name, one in whole.get("matched", {}).items()
        },
        "alignment": {rename(name): step(one) for name, one in whole.get("alignment", {}).items()},
    }


def _leaves(raw: Any, change: Callable[[Any], Any]) -> Any:
    """A table or list with every text in it changed."""
    if isinstance(raw, Mapping):
        return {key: _leaves(one, change) for key, one in raw.items()}
    if isinstance(raw, list | tuple):
        return [_leaves(one, change) for one in raw]
    return change(raw)
