"""How warm each part is, and device figures at that temperature; how each kind moves stands with it in ``devices``."""

from collections.abc import Mapping

from fetsim.devices.kinds import KINDS, kind_name
from fetsim.devices.sheet import Warmth
from fetsim.schematic.model import Device, Part, UnitData


def temperature_of(unit: UnitData, part: Part) -> float:
    """Temperature of a part [C]: whatever of a part depends on it, asks here.

    That of what is around it, its own or the unit's, and its rise over it by its own heat.
    """
    return part.values.get("temperature_c", unit.temperature_c) + unit.rises_k.get(part.designator, 0.0)


def figures_at(device: Device, temperature_c: float) -> Mapping[str, float]:
    """The sheet's figures at that temperature, under the same keys."""
    sheet = KINDS[kind_name(device.kind, device.polarity)].sheet
    assert sheet is not None
    return sheet.figures_at(device.figures, Warmth(device.reference_temperature_c, temperature_c))
