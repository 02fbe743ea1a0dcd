"""A unit at rest with one thing set anywhere along its travel, for a third of what making it ready anew costs.

Only the elements of what is set are stamped anew, and the bias point is looked for from the last one. Where that does
not do, as with mains or parts that warm themselves, the unit is made ready as a whole.
"""

from dataclasses import dataclass
from functools import cached_property

from fetsim.engine.assembly import Array, System, restamped
from fetsim.engine.bias import find_bias
from fetsim.engine.circuit import GROUND, Circuit, Element
from fetsim.measurements.bench.branches import branches
from fetsim.rig.gain_cell import CellAtRest, GainCellModel, cell_at_rest, gain_cell_model
from fetsim.rig.rig import Rig
from fetsim.schematic.settings import number_named
from fetsim.schematic.unit import Unit
from fetsim.schematic.wiring import part_elements


@dataclass(frozen=True)
class Resting:
    """A unit at its bias point."""

    unit: Unit
    circuit: Circuit
    """With the elements of what was set as they were before: nobody looks at those."""
    system: System
    bias: Array

    @cached_property
    def cell(self) -> GainCellModel:
        """Its gain cell, which the steps that ask for it have (see the checks of a unit)."""
        assert self.unit.gain_cell is not None
        return gain_cell_model(self.circuit, self.system, self.bias, self.unit.gain_cell)

    @cached_property
    def rest(self) -> CellAtRest:
        """How that stands."""
        assert self.unit.gain_cell is not None
        return cell_at_rest(self.cell, self.system, self.bias, self.unit.gain_cell.fet)

    def node_v(self, node: str) -> float:
        """Against ground."""
        return 0.0 if node == GROUND else float(self.bias[self.system.index[node]])

    def current_a(self, designator: str) -> float:
        """Into the first terminal of a part."""
        part = self.unit.parts[designator]
        levels = {GROUND: 0.0, **{name: float(self.bias[i]) for name, i in self.system.index.items()}}
        first = next(iter(part.nodes.values()))
        ways = [way for element in part_elements(self.unit, part) for way in branches(element, levels)]
        return sum(way.current_a * ((way.start == first) - (way.end == first)) for way in ways)


class Rests:
    """The unit of a rig, at rest with ``name`` set to any value."""

    def __init__(self, rig: Rig, name: str) -> None:
        self._rig, self._name = rig, name
        self._first = self._here = Resting(rig.unit, rig.circuit, rig.system, rig.bias)
        self._present = number_named(rig.unit, name)
        warms = any("thermal_resistance" in part.values for part in rig.unit.parts.values())
        self._anew = warms or bool(rig.unit.mains)
        self._before = self._elements(rig.unit)

    def __call__(self, value: float) -> Resting:
        """Raises UnitError for a value that cannot be, ConvergenceError where there is no rest."""
        if self._present is not None and value == self._present.value:
            return self._first
        unit = self._rig.unit.changed({self._name: value})
        first = self._here
        system = None if self._anew else restamped(self._rig.system, self._before, self._elements(unit))
        if system is None:
            rig = Rig(unit, near=self._rig)
            return Resting(unit, rig.circuit, rig.system, rig.bias)
        self._here = Resting(unit, first.circuit, system, find_bias(system, first.bias))
        return self._here

    def _elements(self, unit: Unit) -> list[Element]:
        """Those of what is set."""
        if self._name in unit.controls:
            parts = [part for part in unit.parts.values() if part.control == self._name]
        else:
            parts = [unit.parts[self._name.partition(".")[0]]]
        return [element for part in parts for element in part_elements(unit, part)]
