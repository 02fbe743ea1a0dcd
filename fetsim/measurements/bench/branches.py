"""Direct currents through one element, worked out from the node voltages alone.

Ohm's law and the device laws part by part (``devices``), not the engine's matrix: so that the currents can be summed
at every node and say whether the solution is one.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from fetsim.devices.kinds import KINDS
from fetsim.devices.law import Number
from fetsim.engine.circuit import Element

Levels = Mapping[str, Number]
"""Unknown of the circuit -> its level (nodes: volts against ground), ground included: a number, or one for each of many
states."""


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


def mean_branches(element: Element, levels: Levels) -> list[Branch]:
    """The same with its means where the levels are those of many states."""

    def mean(values: Number) -> float:
        return float(np.mean(values))

    return [
        replace(
            one, voltage_v=mean(one.voltage_v), current_a=mean(one.current_a), delivered_w=mean(one.delivered_w),
            dissipation_w=mean(one.dissipation_w),
        )
        for one in branches(element, levels)
    ]  # fmt: skip
