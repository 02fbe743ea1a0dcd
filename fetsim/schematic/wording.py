"""One part of a unit in words: its values, its nodes, its sheet."""

from collections.abc import Mapping

from fetsim.engine.circuit import PROGRAM
from fetsim.schematic.fields import quantities
from fetsim.schematic.schema import LIMITS, MAIN_KEYS, PARTS, SHEETS
from fetsim.schematic.settings import Setting
from fetsim.schematic.unit import Device, Part, Unit
from fetsim.schematic.values import format_value
from fetsim.schematic.wiring import part_elements

BRIEF = {"transformer": ("ratio",)}  # of kinds with many values, those that a table has room for
PLAIN_TERMINALS = {"a", "b", "hot", "cold", "node"}  # terminals whose names say nothing
LARGE_CAPACITOR_F = 1e-3  # from here on format_value would write millifarads
RATINGS = {"power_rating": "watt", "voltage_rating": "volt", "current_rating": "ampere"}

Changes = Mapping[str, tuple[str, str]]
"""Name -> value before and after, in words."""


def amount(value: float, quantity: str, digits: int = 6) -> str:
    """An amount as the trade writes it: capacitors stay in microfarads however large they are."""
    if quantity == "farad" and abs(value) >= LARGE_CAPACITOR_F:
        return f"{value * 1e6:.{digits}g} uF"
    return format_value(value, quantity, digits)


def shown(setting: Setting) -> str:
    """A setting of a unit in words."""
    if isinstance(setting.value, str) or setting.quantity is None:
        return str(setting.value)
    return amount(setting.value, setting.quantity)


def arrow(before: str, after: str) -> str:
    """A value, or how it changed."""
    return after if before == after else f"{before} -> {after}"


def value_text(unit: Unit, part: Part) -> str:
    """The values of a part in one phrase, the main one first, as ``28 V, resistance 1 ohm``."""
    if part.bank is not None:
        return unit.state_of(part)
    amounts, main = quantities(PARTS[part.kind]), MAIN_KEYS.get(part.kind)
    words = [] if part.device is None else [part.device.name]
    for key in _shown_values(part):
        text = amount(part.values[key], amounts[key])
        speaks = key == main and amounts[key] != "plain"
        words.append(text if speaks else f"{readable(key)} {text}")
    if part.device is not None:
        figures = quantities(SHEETS[part.kind])
        words += [f"{key} {amount(value, figures[key])}" for key, value in part.figures.items()]
    if part.balanced:
        words.append("balanced")
    if part.input != PROGRAM:
        words.append(f"driven by {part.input}")
    return ", ".join(words)


def changed_value(unit: Unit, before: Unit, designator: str, changes: Changes) -> str:
    """The values of a part before and after, and what else of it has changed; empty when nothing has."""
    part = unit.parts[designator]
    old, new = value_text(before, before.parts[designator]), value_text(unit, part)
    told = {designator, *(f"{designator}.{key}" for key in (*_shown_values(part), *part.figures))}
    more = [
        f"{name.partition('.')[2]} {arrow(*both)}"
        for name, both in changes.items()
        if name.startswith(f"{designator}.") and name not in told
    ]
    return "; ".join([arrow(old, new), *more]) if old != new or more else ""


def nodes_text(part: Part) -> str:
    """Where a part is wired, as ``t1s, dr`` or ``drain dr, gate g, source 0``."""
    nodes = list(part.nodes.values())
    pairs = [f"{nodes[i]}/{nodes[i + 1]}" for i in range(0, len(nodes) - 1, 2)]
    if part.kind == "transformer":
        return f"primary {pairs[0]}, secondary {pairs[1]}"
    if part.kind == "switch":
        return ", ".join(pairs)
    if part.kind == "selector":
        contacts: dict[str, list[str]] = {}
        for common, contact in zip(nodes[::2], nodes[1::2], strict=True):
            contacts.setdefault(common, []).append(contact)
        return ", ".join(f"{common} to {'/'.join(ends)}" for common, ends in contacts.items())
    if set(part.nodes) <= PLAIN_TERMINALS:
        return ", ".join(nodes)
    return ", ".join(f"{terminal} {node}" for terminal, node in part.nodes.items())


def resistances(unit: Unit, part: Part) -> list[tuple[str, float]]:
    """(where, ohm) of the two legs of a potentiometer, or of a rheostat, which has no legs to name."""
    found = []
    for element in part_elements(unit, part):
        _, _, leg = element.name.partition(".")
        where = f"{leg} leg {'/'.join(element.nodes)}" if leg else ""
        found.append((where, element.values["resistance_ohm"]))
    return found


def law_text(part: Part) -> str:
    """How a track goes with its control: ``log, rising`` or ``24 steps, rising``; empty for a part without one."""
    if not part.taper:
        return ""
    return f"{f'{len(part.steps)} steps' if part.steps else part.taper}, {part.direction}"


def limits_text(device: Device, key: str) -> str:
    """A line of a sheet as ``min 2 mA, max 20 mA at V_DS 15 V``; empty when the sheet has none."""
    if key not in device.limits:
        return ""
    limit, quantity = device.limits[key], LIMITS[device.kind][key]
    named = (("min", limit.minimum), ("typ", limit.typical), ("max", limit.maximum))
    words = ", ".join(f"{name} {amount(x, quantity)}" for name, x in named if x is not None)
    return f"{words} at {limit.at}" if limit.at else words


def kind_text(kind: str, device: Device | None) -> str:
    """``jfet n``, ``bjt npn``, ``resistor``."""
    return f"{kind} {device.polarity}".strip() if device is not None else kind


def readable(key: str) -> str:
    """A key of a file as words."""
    return key.replace("_", " ")


def _shown_values(part: Part) -> tuple[str, ...]:
    return BRIEF.get(part.kind, tuple(part.values))
