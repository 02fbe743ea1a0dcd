"""One part of a unit in words: its values, its nodes, what may be changed and how."""

from collections.abc import Mapping

from fetsim.schematic.fields import quantities
from fetsim.schematic.schema import LIMITS, MAIN_KEYS, PARTS, SHEETS, WIRING_KEYS
from fetsim.schematic.settings import part_settings
from fetsim.schematic.sheets import sheet_figures
from fetsim.schematic.taper import TAPERS
from fetsim.schematic.unit import Device, Part, Unit
from fetsim.schematic.values import QUANTITIES, format_value
from fetsim.schematic.wiring import part_elements

BRIEF = {
    "transformer": ("ratio",)
}  # kinds with more values than a table has room for: the ones that it shows
ARROW = " -> "
LARGE_CAPACITOR_F = 1e-3  # from here on format_value would write millifarads
RATINGS = {"power_rating": "watt", "voltage_rating": "volt", "current_rating": "ampere"}

Changes = Mapping[str, tuple[str, str]]
"""Name -> value before and after, in words."""


def arrow(before: str, after: str) -> str:
    """A value, or how it changed."""
    return after if before == after else f"{before}{ARROW}{after}"


def amount(value: float, quantity: str, digits: int = 6) -> str:
    """An amount as the trade writes it: capacitors stay in microfarads however large they are."""
    if quantity == "farad" and abs(value) >= LARGE_CAPACITOR_F:
        return f"{value * 1e6:.{digits}g} uF"
    return format_value(value, quantity, digits)


def value_text(unit: Unit, part: Part) -> str:
    """The values of a part in one phrase, the main one first, as ``28 V, resistance 1 ohm``."""
    if part.kind == "switch" and part.bank is not None:
        return "closed" if part.designator in unit.banks[part.bank].closed else "open"
    amounts, main = quantities(PARTS[part.kind]), MAIN_KEYS.get(part.kind)
    words = [] if part.device is None else [part.device.name]
    for key in _shown_values(part):
        shown = amount(part.values[key], amounts[key])
        words.append(shown if key == main else f"{readable(key)} {shown}")
    if part.device is not None:
        figures = quantities(SHEETS[part.kind])
        words += [f"{key} {amount(value, figures[key])}" for key, value in part.figures.items()]
    if part.balanced:
        words.append("balanced")
    return ", ".join(words)


def changed_value(unit: Unit, before: Unit, designator: str, changes: Changes) -> str:
    """The values of a part before and after, and what else of it has changed; empty when nothing has."""
    part = unit.parts[designator]
    old, new = value_text(before, before.parts[designator]), value_text(unit, part)
    told = {designator, *(f"{designator}.{key}" for key in (*_shown_values(part), *part.figures))}
    more = [
        f"{name.partition('.')[2]} {was}{ARROW}{now}"
        for name, (was, now) in changes.items()
        if name.startswith(f"{designator}.") and name not in told
    ]
    return "; ".join([arrow(old, new), *more]) if old != new or more else ""


def nodes_text(part: Part) -> str:
    """Where a part is wired, as ``t1s, dr`` or ``drain dr, gate g, source 0``."""
    nodes = list(part.nodes.items())
    if part.kind == "transformer":
        (_, p1), (_, p2), (_, s1), (_, s2) = nodes
        return f"primary {p1}-{p2}, secondary {s1}-{s2}"
    if part.kind == "switch":
        return ", ".join(f"{nodes[i][1]}-{nodes[i + 1][1]}" for i in range(0, len(nodes), 2))
    if set(part.nodes) <= {"a", "b", "hot", "cold", "node"}:
        return ", ".join(node for _, node in nodes)
    return ", ".join(f"{terminal} {node}" for terminal, node in nodes)


def resistances(unit: Unit, part: Part) -> list[tuple[str, float]]:
    """(where, ohm) of the legs of a potentiometer, or of a rheostat."""
    found = []
    for element in part_elements(unit, part):
        _, _, leg = element.name.partition(".")
        found.append(
            (f"{leg} leg {'-'.join(element.nodes)}".strip() if leg else "", element.values["resistance_ohm"])
        )
    return found


def limits_text(device: Device, key: str) -> str:
    """A line of a sheet as ``min 2 mA, max 20 mA at V_DS 15 V``; empty when the sheet has none."""
    if key not in device.limits:
        return ""
    limit = device.limits[key]
    quantity = LIMITS[device.kind][key]
    named = (("min", limit.minimum), ("typ", limit.typical), ("max", limit.maximum))
    words = ", ".join(f"{name} {amount(x, quantity)}" for name, x in named if x is not None)
    return f"{words} at {limit.at}" if limit.at else words


def kind_text(kind: str, device: Device | None) -> str:
    """``jfet n``, ``bjt npn``, ``resistor``."""
    return f"{kind} {device.polarity}".strip() if device is not None else kind


def readable(key: str) -> str:
    """A key of a file as words."""
    return key.replace("_", " ")


def part_changes(unit: Unit, part: Part) -> list[tuple[str, str]]:
    """(option, what it sets) for everything of a part that may be changed, its present value put in."""
    rows = []
    if part.control is not None:
        position = unit.controls[part.control].position
        rows.append((f"--change {part.control}={position:g}", "position of its control, 0 to 1"))
    if part.kind == "switch":
        return [
            (
                f"--change {part.bank}={part.designator}",
                "closed switches of its bank; joined by +, all or none",
            )
        ]
    now = part_settings(part)
    amounts = quantities(PARTS[part.kind])
    figures = sheet_figures(SHEETS[part.kind]) if part.kind in SHEETS else {}
    keys = [key for key in PARTS[part.kind].model_fields if key not in (*WIRING_KEYS, "figures")]
    for key in [*keys, *figures]:
        name = part.designator if key == MAIN_KEYS.get(part.kind) else f"{part.designator}.{key}"
        quantity = amounts.get(key) or figures.get(key)
        value = part.device.figures[key] if part.device is not None and key in figures else None
        if value is None and name in now:
            text = now[name].shown()
        else:
            text = "" if value is None or quantity is None else amount(value, quantity)
        if quantity is not None:
            example = QUANTITIES[quantity].example.split(" ")[0].rstrip(",")
            text = text.replace(" ", "") if text not in ("", "infinite") else example
        elif key == "tolerance":
            text = text.replace(" ", "") or "5%"
        rows.append((f"--change {name}={text or '...'}", _explained(key, quantity)))
    return rows


def _explained(key: str, quantity: str | None) -> str:
    if quantity == "plain":
        return f"{key}, a plain number"
    if quantity is not None:
        return f"{key}, in {QUANTITIES[quantity].symbol}"
    choices = {
        "taper": ", ".join(TAPERS),
        "direction": "rising, falling",
        "device": "a sheet of the same kind",
    }
    return f"{key}{': ' + choices[key] if key in choices else ''}"


def _shown_values(part: Part) -> tuple[str, ...]:
    return BRIEF.get(part.kind, tuple(part.values))
