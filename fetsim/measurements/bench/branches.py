"""Direct currents through one element, worked out from the node voltages alone.

Ohm's law and the device laws part by part (``devices``), not the engine's matrix: so that the currents can be summed
at every node and say whether the solution is one.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from fetsim.devices.kinds import KINDS
from fetsim.engine.circuit import Element

Levels = Mapping[str, float]
"""Unknown of the circuit -> its level (nodes: volts against ground), ground included."""


@dataclass(frozen=True)
class Branch:
    """One way of direct current through a part; voltage and current count from ``start`` to ``end``.

    A part that takes up power has both of one sign; a supply that delivers has not.
    """

    label: str
    """Which leg, winding, pole or terminal; empty where there is only one way."""
    start: str
    end: str
    voltage_v: float
    current_a: float
    dissipation_w: float
    delivered_w: float = 0.0
    """What a source inside the branch gives, its own losses included."""


def branches(element: Element, levels: Levels) -> list[Branch]:
    """All ways of direct current through an element."""
    _, _, label = element.name.partition(".")
    node, volts = element.unknowns, element.at(levels)
    found = []
    for way in KINDS[element.kind].ways_at(element.values, volts):
        volt, emf = volts[way.start] - volts[way.end], way.emf_v
        heat, given = (volt - emf) * way.current_a, -emf * way.current_a
        found.append(
            Branch(way.label or label, node[way.start], node[way.end], volt, way.current_a, heat, given)
        )
    return found
