"""A unit as the page shows it: parts by stage with what can be turned of each, controls, switches, probes.

Words are made where those of ``fetsim show`` are; here they are only put side by side.
"""

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from fetsim.measurements.needle.meter import Meter, meter_of
from fetsim.measurements.traces.ballistics import needle_for
from fetsim.report.unit.flow import stage_flow
from fetsim.schematic.eseries import PREFERRED
from fetsim.schematic.movable import movable_of
from fetsim.schematic.schema import MAIN_KEYS
from fetsim.schematic.settings import number_named, sheet_figure
from fetsim.schematic.unit import Part, Unit
from fetsim.schematic.wording import kind_text, law_text, nodes_text, readable, shown


def unit_facts(unit: Unit) -> dict[str, Any]:
    """What does not change while it is turned."""
    flow = stage_flow(unit)
    stages = sorted(unit.stages, key=lambda one: flow.order.index(one.name) if one.name in flow.order else 0)
    return {
        "name": unit.name,
        "about": unit.about,
        "stages": [
            {
                "name": stage.name,
                "about": stage.about,
                "parts": [_part(unit, part, list(movable_of(part))) for part in stage.parts if _told(part)],
            }
            for stage in stages
        ],
        "controls": [
            {
                "name": one.name,
                "about": one.about,
                "role": one.role,
                "stepped": unit.stepped(one.name) is not None,
                "parts": [part.designator for part in unit.parts.values() if part.control == one.name],
            }
            for one in unit.controls.values()
        ],
        "banks": [
            {"name": one.name, "about": one.about, "switches": list(one.switches), "exclusive": one.exclusive}
            for one in unit.banks.values()
        ],
        "probes": _probes(unit),
        "has_cell": unit.gain_cell is not None,
        "channels": list(unit.channels),
    }


def needle_facts(unit: Unit) -> list[dict[str, Any]]:
    """How the needle of each channel moves: of the unit's own meter, which is named and has a scale, or of the standard
    one, driven by the gain reduction."""
    return [_needle(meter_of(one)) for one in ([unit.listening(name) for name in unit.channels] or [unit])]


def _needle(meter: Meter | None) -> dict[str, Any]:
    if meter is None:
        return {"part": "", **asdict(needle_for())}
    marks = sorted((share, reading_db) for reading_db, share in meter.marks)
    return {"part": meter.part, "marks": marks, **asdict(meter.needle)}


class States:
    """What every value is in a state of the unit, and what differs from its start. While something is turned nothing
    may take long, so what is known of a part is kept until it is another part."""

    def __init__(self, start: Unit) -> None:
        self._start = start
        self._known: dict[str, tuple[Part, dict[str, str]]] = {}

    def facts(self, unit: Unit) -> dict[str, Any]:
        """Of one state."""
        return {
            "values": self._values(unit),
            "positions": {name: one.position for name, one in unit.controls.items()},
            "closed": {name: list(one.closed) for name, one in unit.banks.items()},
            "differences": [list(one) for one in self._start.differences(unit)],
        }

    def summary(self, unit: Unit) -> str:
        """What is turned, in one line."""
        return ", ".join(f"{name} {after}" for name, _, after in self._start.differences(unit)) or "as it was"

    def _values(self, unit: Unit) -> dict[str, str]:
        """Name -> value in words, of everything on the page that has one."""
        found: dict[str, str] = {name: unit.standing(name) for name in unit.controls}
        for part in unit.parts.values():
            known = self._known.get(part.designator)
            if known is None or known[0] is not part:
                known = self._known[part.designator] = part, _values_of(unit, part)
            found |= known[1]
        return found


def _values_of(unit: Unit, part: Part) -> dict[str, str]:
    found = {name: number_named(unit, name) or sheet_figure(unit, name) for name in movable_of(part)}
    return {name: shown(setting) for name, setting in found.items() if setting is not None}


def _part(unit: Unit, part: Part, names: list[str]) -> dict[str, Any]:
    return {
        "designator": part.designator,
        "kind": kind_text(part.kind, part.device),
        "device": "" if part.device is None else part.device.name,
        "about": part.about or law_text(part),
        "tolerance": "" if part.tolerance is None else str(part.tolerance),
        "nodes": nodes_text(part),
        "bank": part.bank or "",
        "control": part.control or "",
        "values": [
            {"name": name, "label": _label(part, name), "preferred": _is_preferred(unit, name)} for name in names
        ],
    }


def _label(part: Part, name: str) -> str:
    key = name.partition(".")[2]
    return readable(key or MAIN_KEYS.get(part.kind, "value"))


def _is_preferred(unit: Unit, name: str) -> bool:
    setting = number_named(unit, name)
    return setting is not None and setting.quantity in PREFERRED


def _told(part: Part) -> bool:
    """Switches are turned by their banks."""
    return part.kind not in ("switch", "selector")


def _probes(unit: Unit) -> list[str]:
    """Names worth watching first, then every node, then the currents of the parts."""
    names: Mapping[str, None] = dict.fromkeys([*unit.probes, *unit.nodes])
    currents = [f"{part.designator}.current" for part in unit.parts.values() if part.kind not in ("input", "output")]
    return [*names, *currents]
