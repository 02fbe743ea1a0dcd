"""Where the loop of a unit can be watched: behind the divider, before the rectifier, at the control.

Read from the unit's data, so that any unit with a [gain_cell] can be explained: the control node is named there; what
drives it is found by walking from it through resistors, tracks, coils and switches to the first diodes (or emitters)
and looking at their other side; the tap is the output of the stage after the gain cell's. ``tap_node`` and
``rectifier_nodes`` in [gain_cell] have the first word, and whatever the user names has the last.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from fetsim.engine.circuit import GROUND
from fetsim.errors import InputError
from fetsim.measurements.levels.procedure import stage_outputs
from fetsim.rig.points import Point, find_point, output_point
from fetsim.schematic.unit import GainCell, Unit
from fetsim.schematic.wiring import PART_KINDS, closed_wires, joined, part_roles


@dataclass(frozen=True)
class LoopPoints:
    """Points of the loop in signal order."""

    cell: GainCell
    tap: Point
    """Output of the stage behind the divider, from which the sidechain is fed."""
    rectifier: tuple[Point, ...]
    """Driven sides of the rectifying junctions; empty where none was found."""
    control: Point
    output: Point

    @property
    def nodes(self) -> tuple[str, ...]:
        """All nodes to record."""
        points = (self.tap, *self.rectifier, self.control, self.output)
        return tuple(dict.fromkeys(node for point in points for node in point.nodes))


def loop_points(unit: Unit, *, tap: str | None = None, rectifier: Sequence[str] = ()) -> LoopPoints:
    """The points of a unit; ``tap`` and ``rectifier`` name other ones. Raises InputError without a gain cell."""
    cell = unit.gain_cell
    if cell is None:
        raise InputError(f"{unit.name}: has no [gain_cell], so there is no loop to follow")
    return LoopPoints(
        cell,
        _tap(unit, cell) if tap is None else find_point(unit, tap),
        tuple(find_point(unit, name) for name in rectifier)
        or tuple(Point(node, node) for node in _rectifier(unit, cell)),
        Point(cell.control_node, cell.control_node),
        output_point(unit),
    )


def _tap(unit: Unit, cell: GainCell) -> Point:
    if cell.tap_node is not None:
        return find_point(unit, cell.tap_node)
    fet = unit.parts[cell.fet]
    try:
        outputs = stage_outputs(unit)
    except InputError:  # the file does not list its stages in the order of the signal
        return Point(fet.nodes["drain"], fet.nodes["drain"])
    stages = [stage for stage, _ in outputs]
    behind = stages.index(fet.stage) + 1 if fet.stage in stages else len(stages)
    return outputs[behind][1] if behind < len(outputs) else output_point(unit)


def _rectifier(unit: Unit, cell: GainCell) -> tuple[str, ...]:
    if cell.rectifier_nodes:
        return cell.rectifier_nodes
    rails = set(unit.rail_makers)
    passing = [part for part in unit.parts.values() if part_roles(part).passes_direct]
    wires = [ends for part in passing for ends in closed_wires(unit, part)]
    near = joined(cell.control_node, wires, {GROUND, *rails})
    for kind in PART_KINDS:  # diodes come first there
        found = dict.fromkeys(
            other
            for part in unit.parts.values()
            if part.kind == kind and (turns := part_roles(part).rectifies)
            for here, other in _both_ways(part.nodes[turns[0]], part.nodes[turns[1]])
            if here in near and other not in near | {GROUND}
        )
        if found:  # a supply of high resistance may bias the rectifier itself; others clamp the control to a rail
            return tuple(node for node in found if node not in rails) or tuple(found)
    return ()


def _both_ways(first: str, second: str) -> Iterable[tuple[str, str]]:
    return (first, second), (second, first)
