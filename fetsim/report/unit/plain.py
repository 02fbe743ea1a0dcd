"""A unit, a part, a device sheet as plain tables for JSON. Numbers in SI units, each beside its unit."""

from collections.abc import Mapping
from dataclasses import asdict
from math import isinf
from typing import Any

from fetsim.measurements.results.care import inside
from fetsim.report.unit.changeable import part_changes
from fetsim.report.unit.flow import stage_flow
from fetsim.schematic.alignment import READINGS
from fetsim.schematic.change_list import change_list
from fetsim.schematic.fields import quantities
from fetsim.schematic.schema import LIMITS, PARTS, SHEETS
from fetsim.schematic.unit import Device, Part, Unit
from fetsim.schematic.values import QUANTITIES
from fetsim.schematic.wording import RATINGS, resistances


def unit_dict(unit: Unit, before: Unit) -> dict[str, Any]:
    """The whole unit, and what differs from ``before``.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> fetsim.unit_dict(unit, unit)["name"]
    'Teaching loop'
    """
    flow = stage_flow(unit)
    cell = unit.gain_cell
    sheets: dict[str, Device] = {}
    for part in sorted(unit.parts.values(), key=lambda part: len(part.figures)):  # unaltered sheets first
        if part.device is not None:
            sheets.setdefault(part.device.name, part.device)
    return {
        "name": unit.name,
        "about": unit.about,
        "source": unit.source,
        "file": str(unit.path),
        "based_on": None if unit.base is None else str(unit.base.path),
        "work": [] if unit.base is None else [asdict(step) for step in change_list(unit.base, unit)],
        "temperature_c": unit.temperature_c,
        "full_scale_dbu": unit.full_scale_dbu,
        "gain_cell": None if cell is None else asdict(cell),
        "channels": {name: None if one is None else asdict(one) for name, one in unit.channels.items()},
        "joined": [list(ends) for ends in unit.joined],
        "are_joined": unit.is_joined,
        "changes": [dict(zip(("name", "before", "after"), one, strict=True)) for one in before.differences(unit)],
        "signal_order": list(flow.order),
        "links": [
            {
                "node": link.node,
                "driver": link.driver,
                "receivers": [
                    {"stage": receiver, "feedback": flow.is_feedback(link, receiver)} for receiver in link.receivers
                ],
            }
            for link in flow.links
        ],
        "stages": [
            {
                "name": stage.name,
                "about": stage.about,
                "parts": [part_dict(unit, part) for part in stage.parts],
            }
            for stage in unit.stages
        ],
        "controls": [
            {
                "name": control.name,
                "position": control.position,
                "role": control.role,
                "about": control.about,
                "parts": [part.designator for part in unit.parts.values() if part.control == control.name],
            }
            for control in unit.controls.values()
        ],
        "switches": [
            {
                "name": bank.name,
                "about": bank.about,
                "switches": list(bank.switches),
                "closed": list(bank.closed),
                "exclusive": bank.exclusive,
            }
            for bank in unit.banks.values()
        ],
        "matched": {name: {"parts": list(one.parts), "within": one.within} for name, one in unit.matched.items()},
        "alignment": [
            {**asdict(step), "quantity": READINGS[step.read].quantity} for step in unit.alignment.values()
        ],
        "probes": dict(unit.probes),
        "rails": dict(unit.rails),
        "cautions": list(inside(mains=True)) if unit.mains else [],
        "devices": [device_dict(device) for device in sheets.values()],
    }


def part_dict(unit: Unit, part: Part, *, full: bool = False) -> dict[str, Any]:
    """One part; ``full`` adds its sheet and what can be changed.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> fetsim.part_dict(unit, unit.parts["C2"])["kind"]
    'capacitor'
    """
    tolerance = part.tolerance
    found: dict[str, Any] = {
        "designator": part.designator,
        "kind": part.kind,
        "stage": part.stage,
        "about": part.about,
        "source": part.source,
        "nodes": dict(part.nodes),
        "values": _amounts(part.values, quantities(PARTS[part.kind])),
        "tolerance": None if tolerance is None else {"low": tolerance.low, "high": tolerance.high},
        "marks": [{"gain_reduction_db": decibel, "full_scale_share": share} for decibel, share in part.marks],
        "absorption_branches": [{"share": share, "time_constant_s": second} for share, second in part.branches],
        "ratings": _amounts(part.ratings, RATINGS),
        "device": None if part.device is None else part.device.name,
        "figures": _amounts(part.figures, quantities(SHEETS[part.kind])) if part.device is not None else {},
        "control": part.control,
        "taper": part.taper,
        "direction": part.direction if part.taper else None,
        "bank": part.bank,
        "closed": None if part.bank is None or part.positions else unit.state_of(part) == "closed",
        "position": part.position,
        "balanced": part.balanced,
        "input": part.input if part.kind == "input" else None,
    }
    if part.taper is not None:
        found["resistances_ohm"] = {leg or "track": ohm for leg, ohm in resistances(unit, part)}
    if full:
        found["sheet"] = None if part.device is None else device_dict(part.device)
        found["changes"] = [
            {"option": one.option, "now": one.now or None, "sets": one.sets} for one in part_changes(unit, part)
        ]
    return found


def device_dict(device: Device) -> dict[str, Any]:
    """A device sheet."""
    return {
        "name": device.name,
        "kind": device.kind,
        "polarity": device.polarity or None,
        "about": device.about,
        "source": device.source,
        "reference_temperature_c": device.reference_temperature_c,
        "figures": _amounts(device.figures, quantities(SHEETS[device.kind])),
        "ratings": _amounts(device.ratings, RATINGS),
        "limits": {
            key: {
                "minimum": limit.minimum,
                "typical": limit.typical,
                "maximum": limit.maximum,
                "unit": QUANTITIES[LIMITS[device.kind][key]].symbol,
                "at": limit.at,
            }
            for key, limit in device.limits.items()
        },
    }


def _amounts(values: Mapping[str, float], units: Mapping[str, str]) -> dict[str, dict[str, Any]]:
    """Key -> amount and unit; an infinite amount is None, as JSON has none."""
    return {
        key: {"amount": None if isinf(value) else value, "unit": QUANTITIES[units[key]].symbol}
        for key, value in values.items()
    }
