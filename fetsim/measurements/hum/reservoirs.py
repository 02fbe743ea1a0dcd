"""Which capacitors of a unit are reservoirs: those that a rectifier charges from the mains."""

from fetsim.engine.circuit import GROUND
from fetsim.schematic.unit import Part, Unit
from fetsim.schematic.wiring import part_roles, part_wires

ONWARD = ("resistor", "inductor", "switch", "selector", "transformer", "winding")
"""Parts by which the mains go on to the rectifiers."""


def reservoirs(unit: Unit) -> tuple[Part, ...]:
    """In the order of the file."""
    alternating = _alternating(unit)
    fed = set()
    for part in unit.parts.values():
        turns = part_roles(part).rectifies
        if turns is not None:
            ends = {part.nodes[end] for end in turns}
            fed |= ends - alternating if ends & alternating else set()
    return tuple(
        part for part in unit.parts.values() if part.kind == "capacitor" and fed & set(part.nodes.values()) - {GROUND}
    )


def _alternating(unit: Unit) -> set[str]:
    """Nodes that the mains come to without a rectifier."""
    reached = {node for part in unit.mains for node in part.nodes.values()} - {GROUND}
    parts = [part for part in unit.parts.values() if part.kind in ONWARD]
    while True:
        cores = {part.designator for part in parts if part.kind == "transformer" and reached & set(part.nodes.values())}
        wires = [
            {node for part in parts if core in (part.designator, part.transformer) for node in part.nodes.values()}
            for core in cores
        ] + [ends for part in parts if part.kind not in ("transformer", "winding") for ends in part_wires(part)]
        new = {node for ends in wires if ends & reached for node in ends} - {GROUND} - reached
        if not new:
            return reached
        reached |= new
