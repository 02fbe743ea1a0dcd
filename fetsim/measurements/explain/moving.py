"""What moves besides the loop's own traces: voltages between the stages, currents of diodes and transistors."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from fetsim.devices.kinds import KINDS
from fetsim.engine.assembly import Array
from fetsim.engine.circuit import GROUND, Circuit, Element
from fetsim.schematic.unit import Unit

CONDUCTORS = ("diode", "zener", "bjt", "jfet", "mosfet")
"""Kinds of parts of which it is worth seeing when they conduct."""


@dataclass(frozen=True)
class Moving:
    """What is recorded; by default nothing."""

    nodes: tuple[str, ...] = ()
    """Those that stages share, rails left out."""
    devices: tuple[Element, ...] = ()

    @classmethod
    def of(cls, unit: Unit, circuit: Circuit) -> "Moving":
        """All that moves in a unit."""
        conductors = [part.designator for part in unit.parts.values() if part.kind in CONDUCTORS]
        return cls(shared_nodes(unit), tuple(circuit.element(name) for name in conductors))

    @property
    def recorded(self) -> tuple[str, ...]:
        """All nodes that it takes."""
        return tuple(dict.fromkeys((*self.nodes, *(node for one in self.devices for node in one.nodes))))

    def currents_a(self, levels: Mapping[str, Array]) -> Iterator[tuple[str, Array]]:
        """Each device with the direct current into its first terminal, out of the nodes' volts, ground included."""
        for one in self.devices:
            first, *_ = KINDS[one.kind].ways_at(one.values, one.at(levels))
            yield one.name, np.asarray(first.current_a)


def shared_nodes(unit: Unit) -> tuple[str, ...]:
    """Nodes at which parts of several stages meet, ground and rails left out, in the order of the file."""
    stages: dict[str, set[str]] = {}
    for part in unit.parts.values():
        for node in part.nodes.values():
            stages.setdefault(node, set()).add(part.stage)
    rails = unit.rail_makers
    return tuple(node for node, met in stages.items() if len(met) > 1 and node != GROUND and node not in rails)
