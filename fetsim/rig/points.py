"""Where a measurement is taken: a node or probe against ground, or the two terminals of input or output."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.engine.circuit import GROUND
from fetsim.errors import InputError
from fetsim.schematic.unit import Part, Unit

INPUT = "input"
OUTPUT = "output"
"""Names of the two ports. They have the first word: a node of that name is reached through a probe of another."""
MOST_LISTED = 12
"""Nodes that an error tells where none is like the name that was given."""


@dataclass(frozen=True)
class Point:
    """A voltage between two nodes, one of which is mostly ground."""

    name: str
    plus: str
    minus: str = GROUND

    @property
    def nodes(self) -> tuple[str, ...]:
        """The nodes to record, ground left out."""
        return tuple(node for node in (self.plus, self.minus) if node != GROUND)

    def weights(self, index: Mapping[str, int]) -> Array:
        """Row vector [shape=(n,)] that takes this voltage out of all unknowns."""
        row = np.zeros(len(index))
        for node, sign in ((self.plus, 1.0), (self.minus, -1.0)):
            if node != GROUND:
                row[index[node]] += sign
        return row

    def volts(self, levels: Mapping[str, Array]) -> Array:
        """This voltage out of recorded nodes [shape of each level]."""
        return levels[self.plus] - (0.0 if self.minus == GROUND else levels[self.minus])


def find_point(unit: Unit, name: str) -> Point:
    """The point of that name: ``input`` or ``output`` (across the port's terminals), a probe or a node.

    Raises InputError with the nearest names for anything else.
    """
    ports = {INPUT: unit.input, OUTPUT: unit.output}
    if name in ports:
        return _across(name, ports[name])
    node = unit.own_name(name)
    node = unit.probes.get(node, node)
    if node in unit.nodes:
        return Point(name, node)
    near = get_close_matches(str(name), [*ports, *unit.probes, *unit.nodes], n=3)
    told = f"did you mean {' or '.join(near)}?" if near else f"{_listed(unit, ports)}; fetsim show lists them by stage"
    raise InputError(f"point: {unit.name} has no node or probe {str(name)[:60]!r}; {told}")


def _listed(unit: Unit, ports: Mapping[str, Part]) -> str:
    probes = f"the probes {', '.join(unit.probes)}, " if unit.probes else ""
    several = len(unit.nodes) > MOST_LISTED
    nodes = f"{len(unit.nodes)} nodes" if several else f"the nodes {', '.join(unit.nodes)}"
    return f"there are {', '.join(ports)}, {probes}{nodes}"


def output_point(unit: Unit) -> Point:
    """Across the terminals of the output, whatever the nodes of the unit are called."""
    return _across(OUTPUT, unit.output)


def _across(name: str, port: Part) -> Point:
    return Point(name, port.nodes["hot"], port.nodes["cold"])
