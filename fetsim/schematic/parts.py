"""One part of a unit file: from its raw table to a ``Part``, or to every mistake in it."""

from collections.abc import Mapping
from typing import Any

from fetsim.engine.circuit import GROUND, PROGRAM
from fetsim.errors import InputError
from fetsim.schematic.capacitors import capacitor_misfits
from fetsim.schematic.cores import core_misfits
from fetsim.schematic.fault_words import parse_defects
from fetsim.schematic.fields import NODE, checked, quantities, suggestion
from fetsim.schematic.model import Device, Part
from fetsim.schematic.schema import PARTS, SHEETS
from fetsim.schematic.sheets import RATINGS, read_sheet

EXAMPLE = '{ kind = "resistor", value = "4k7", nodes = ["a", "b"] }'

OWN_KEYS = ("control", "taper", "direction", "bank", "positions", "position", "transformer", "balanced", "input",
            "marks", "steps")  # fmt: skip
"""Keys of a table that a ``Part`` has under the same name."""

Mistakes = list[tuple[str, str]]
"""Key, sentence."""


def read_part(
    designator: str, stage: str, raw: object, sheets: Mapping[str, Any]
) -> tuple[Part | None, Mistakes]:
    """The part, or None and every mistake in it; ``sheets`` are raw device sheets by name."""
    if not isinstance(raw, Mapping):
        return None, [("", f"must be a table such as {EXAMPLE}")]
    kind = raw.get("kind")
    if not isinstance(kind, str) or kind not in PARTS:
        return None, [("kind", _unknown_kind(kind))]
    model = PARTS[kind]
    table, mistakes = checked(model, raw)
    if table is None:
        return None, mistakes
    keys = dict(table)
    if kind == "selector":
        keys["bank"] = designator
    nodes = _terminals(kind, keys)
    device = None
    if kind in SHEETS:
        device, mistakes = _device(kind, keys["device"], keys["figures"], sheets)
    mistakes += _misfits(kind, keys, nodes)
    if keys.get("steps") and "taper" in table.model_fields_set:
        mistakes.append(("taper", "says the same as steps, which tell where each contact stands; give one of them"))
    try:
        defects = parse_defects(keys["fault"], kind)
    except InputError as error:
        mistakes.append(("fault", str(error)))
    if mistakes:
        return None, mistakes
    amounts = {key: keys[key] for key in quantities(model) if keys[key] is not None}
    return Part(
        designator=designator,
        kind=kind,
        stage=stage,
        nodes=nodes,
        values={key: amount for key, amount in amounts.items() if key not in RATINGS},
        tolerance=keys.get("tolerance"),
        ratings={key: amounts[key] for key in RATINGS if key in amounts},
        device=device,
        branches=keys.get("absorption_branches", ()),
        figures={key: device.figures[key] for key in keys["figures"]} if device else {},
        about=table.about,
        source=table.source,
        fault=keys["fault"],
        defects=defects,
        **{key: keys[key] for key in OWN_KEYS if key in keys},
    ), []


def sketch_part(designator: str, stage: str, raw: object) -> Part:
    """What can be made out of a part that could not be read, so that its neighbours are not blamed for it.

    The kind is empty when it is none of the known ones; the nodes are every text in its wiring.
    """
    table = raw if isinstance(raw, Mapping) else {}
    texts = ("kind", "control", "bank", "transformer", "input")
    words = {key: table[key] for key in texts if isinstance(table.get(key), str)}
    wiring = [node for key in ("node", "nodes", "poles") for node in _leaves(table.get(key, []))]
    return Part(
        designator=designator,
        kind=words["kind"] if words.get("kind") in PARTS else "",
        stage=stage,
        nodes={str(i): node for i, node in enumerate(wiring)},
        values={},
        control=words.get("control"),
        bank=words.get("bank"),
        transformer=words.get("transformer"),
        input=words.get("input", PROGRAM),
    )


def _unknown_kind(kind: object) -> str:
    choices = f"choices: {', '.join(PARTS)}"
    if kind is None:
        return f"is missing; {choices}"
    return f"unknown kind {str(kind)[:40]!r}{suggestion(str(kind), PARTS)}; {choices}"


def _misfits(kind: str, keys: Mapping[str, Any], nodes: Mapping[str, str]) -> Mistakes:
    """Mistakes between the keys of one part."""
    mistakes = []
    if len(nodes) == 2 and len(set(nodes.values())) == 1:
        mistakes.append(("nodes", f"both ends are on node {next(iter(nodes.values()))!r}"))
    if keys.get("balanced") and GROUND in nodes.values():
        mistakes.append(("nodes", "a balanced input has both nodes away from ground"))
    if "taper" in keys and keys["control"] is None and keys["fraction"] is None:
        mistakes.append(("control", "is missing (or give a fixed fraction)"))
    if keys.get("thermal_time_constant") is not None and keys["thermal_resistance"] is None:
        mistakes.append(("thermal_resistance", "is missing; thermal_time_constant is that of its warming up"))
    if kind == "capacitor":
        mistakes += capacitor_misfits(keys)
    if kind == "selector":
        mistakes += _selector_misfits(keys)
    return mistakes + core_misfits(kind, keys)


def _selector_misfits(keys: Mapping[str, Any]) -> Mistakes:
    positions, position = keys["positions"], keys["position"]
    mistakes = []
    if len(set(positions)) < len(positions):
        mistakes.append(("positions", "one name for two of them; each needs its own"))
    if position not in positions:
        choices = f"choices: {', '.join(positions)}"
        mistakes.append(("position", f"it has no {position!r}{suggestion(position, positions)}; {choices}"))
    for number, pole in enumerate(keys["poles"], 1):
        if len(pole.contacts) != len(positions):
            contacts = "1 contact" if len(pole.contacts) == 1 else f"{len(pole.contacts)} contacts"
            count = f"{contacts} for {len(positions)} positions"
            mistakes.append(("poles", f"pole {number} has {count}; write \"\" where nothing is connected"))
        if pole.common in pole.contacts:
            mistakes.append(("poles", f"pole {number}: {pole.common!r} is its moving contact and a fixed one"))
        named = [node for node in pole.contacts if node]
        mistakes += [("poles", f"{node[:40]!r} is not a node name") for node in named if not NODE.fullmatch(node)]
    return mistakes


def _terminals(kind: str, keys: Mapping[str, Any]) -> dict[str, str]:
    """Terminal -> node, in the order of the table's keys."""
    if "node" in keys:
        return {"node": keys["node"]}
    if "positions" in keys:  # pairs, as those of a switch: moving contact, fixed contact
        return {
            f"{number}{end} {position}": node
            for number, pole in enumerate(keys["poles"], 1)
            for position, contact in zip(keys["positions"], pole.contacts, strict=False)
            for end, node in (("a", pole.common), ("b", contact)) if contact
        }  # fmt: skip
    if "poles" in keys:
        poles = enumerate(keys["poles"], 1)
        return {f"{number}{end}": pole[i] for number, pole in poles for i, end in enumerate("ab")}
    if isinstance(keys["nodes"], tuple):
        return dict(zip(PARTS[kind].ends, keys["nodes"], strict=True))
    terminals: dict[str, str] = {}
    for key, node in keys["nodes"]:
        if isinstance(node, tuple):
            terminals |= {f"{key}{number}": end for number, end in enumerate(node, 1)}
        else:
            terminals[key] = node
    return terminals


def _device(
    kind: str, name: str, figures: Mapping[str, Any], sheets: Mapping[str, Any]
) -> tuple[Device | None, Mistakes]:
    kinds = {sheet: str(raw.get("kind")) for sheet, raw in sheets.items() if isinstance(raw, Mapping)}
    fitting = [sheet for sheet in kinds if kinds[sheet] == kind]
    choices = f"choices: {', '.join(fitting)}"
    if name not in kinds:
        return None, [("device", f"no sheet named {name[:40]!r}{suggestion(name, fitting)}; {choices}")]
    if kinds[name] in SHEETS and kinds[name] != kind:
        return None, [("device", f"{name} is a {kinds[name]}, not a {kind}; {choices}")]
    device, mistakes = read_sheet(name, sheets[name], figures)
    if device is None and read_sheet(name, sheets[name])[0] is None:
        mistakes = [("device", f"the sheet {name} has a mistake")]  # told in full at the sheet
    return device, mistakes


def _leaves(raw: object) -> list[str]:
    if isinstance(raw, Mapping):
        raw = list(raw.values())
    return [leaf for entry in raw for leaf in _leaves(entry)] if isinstance(raw, list) else [str(raw)]
