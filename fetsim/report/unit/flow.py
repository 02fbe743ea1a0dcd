"""In which order the stages follow each other, and which one drives a node that they share.

A unit file says which parts meet where, not which way the signal runs, so the direction is read from the
parts: a stage drives a shared node with a collector, emitter, drain, source, amplifier output, rectifier
cathode or the input, directly or through capacitors; failing that, the stage that ties the node to a supply
rail does; failing that, the earliest one in the file. A stage that only has a base, a gate or an amplifier
input there is driven, and so is the gain cell's own stage by the control node. A reading aid: nothing is
calculated from it, and unusual circuits may have an arrow the wrong way round.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from fetsim.devices.kind import Roles
from fetsim.engine.circuit import GROUND
from fetsim.schematic.unit import Stage, Unit
from fetsim.schematic.wiring import joined, part_roles, part_wires

DRIVES, HOLDS, TOUCHES, LISTENS, CONTROLLED = (
    2,
    1,
    0,
    -1,
    -2,
)  # a stage's claim to drive a node, strongest first


@dataclass(frozen=True)
class Link:
    """A node that several stages share."""

    node: str
    driver: str
    receivers: tuple[str, ...]
    """In the order of the flow."""


@dataclass(frozen=True)
class Flow:
    """Stages in signal order, the nodes that join them, and the rails that feed them."""

    order: tuple[str, ...]
    links: tuple[Link, ...]
    makes: Mapping[str, tuple[str, ...]]
    """Stage -> rails that its supplies make."""
    fed_from: Mapping[str, tuple[str, ...]]
    """Stage -> rails of other stages that its parts use."""

    def is_feedback(self, link: Link, receiver: str) -> bool:
        """Whether a link runs back to a stage that comes before its driver."""
        return self.order.index(receiver) < self.order.index(link.driver)


def stage_flow(unit: Unit) -> Flow:
    """Order and links of a unit's stages."""
    rails = unit.rail_makers
    nodes = {
        stage.name: tuple(dict.fromkeys(node for part in stage.parts for node in part.nodes.values()))
        for stage in unit.stages
    }
    links = []
    for node in unit.nodes:
        sharing = [stage for stage in unit.stages if node in nodes[stage.name]]
        if len(sharing) > 1 and node not in rails:
            driver = max(sharing, key=lambda stage: _claim(unit, stage, node, rails))
            others = [stage.name for stage in sharing if stage is not driver]
            links.append(Link(node, driver.name, tuple(others)))
    order = _order([stage.name for stage in unit.stages], links)
    return Flow(
        order=order,
        links=tuple(
            Link(link.node, link.driver, tuple(sorted(link.receivers, key=order.index))) for link in links
        ),
        makes={
            stage: tuple(rail for rail, maker in rails.items() if maker == stage) for stage in nodes
        },
        fed_from={
            stage: tuple(rail for rail, maker in rails.items() if maker != stage and rail in nodes[stage])
            for stage in nodes
        },
    )  # fmt: skip


def _claim(unit: Unit, stage: Stage, node: str, rails: Iterable[str]) -> int:
    cell = unit.gain_cell
    if cell is not None and node == cell.control_node and unit.parts[cell.fet].stage == stage.name:
        return CONTROLLED
    barred = {GROUND, *rails}
    wires = [ends for part in stage.parts if part_roles(part).passes_signal for ends in part_wires(part)]
    near = joined(node, wires, barred)
    if _has_terminal(stage, near, lambda roles: roles.drives):
        return DRIVES
    wires = [ends for part in stage.parts if part_roles(part).passes_direct for ends in part_wires(part)]
    if joined(node, wires, {GROUND}) & set(rails):
        return HOLDS
    return LISTENS if _has_terminal(stage, near, lambda roles: roles.listens) else TOUCHES


def _has_terminal(stage: Stage, nodes: set[str], terminals: Callable[[Roles], tuple[str, ...]]) -> bool:
    return any(part.nodes[name] in nodes for part in stage.parts for name in terminals(part_roles(part)))


def _order(stages: list[str], links: list[Link]) -> tuple[str, ...]:
    """The file's order, except that a stage waits for those that drive it; loops keep the file's order."""
    drives: dict[str, set[str]] = {stage: set() for stage in stages}
    for link in links:
        drives[link.driver].update(link.receivers)
    leads_to = {stage: _downstream(stage, drives) for stage in stages}
    waits_for: dict[str, set[str]] = {stage: set() for stage in stages}
    for driver, receivers in drives.items():
        for receiver in receivers:
            in_a_loop = driver in leads_to[receiver]
            if not in_a_loop or stages.index(driver) < stages.index(receiver):
                waits_for[receiver].add(driver)
    placed: list[str] = []
    while len(placed) < len(stages):
        placed.append(next(s for s in stages if s not in placed and waits_for[s] <= set(placed)))
    return tuple(placed)


def _downstream(stage: str, drives: Mapping[str, set[str]]) -> set[str]:
    reached, front = set(drives[stage]), list(drives[stage])
    while front:
        new = drives[front.pop()] - reached
        reached |= new
        front.extend(new)
    return reached
