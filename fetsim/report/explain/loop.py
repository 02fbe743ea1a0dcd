"""The loop of a unit as boxes and arrows, read from its file: which stages, in which place, what is shown of each.

Two columns. The signal's way runs down the left one; the sidechain comes back up the right one, so that the last of it
stands beside the stage of the gain cell. What belongs to neither (bias, supplies) stands where there is room on the
right. Of a pair one channel is drawn, with what joins it to the other.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from fetsim.engine.circuit import GROUND
from fetsim.errors import InputError
from fetsim.measurements.explain.moving import CONDUCTORS
from fetsim.measurements.explain.procedure import Explanation
from fetsim.measurements.levels.procedure import stage_outputs
from fetsim.report.unit.flow import Flow, stage_flow
from fetsim.schematic.model import channel_of
from fetsim.schematic.unit import Part, Unit

SOURCE, TAP, RECTIFIER, CONTROL, CHANNEL, GAIN, OUTPUT = (
    "source", "tap", "rectifier ", "control", "channel", "gain", "output",
)  # fmt: skip
NODE, CURRENT = "node ", "current "
"""Names of traces; those that end in a space go on with the name of a point, node or device."""


@dataclass(frozen=True, kw_only=True)
class Box:
    """A stage."""

    stage: str
    title: str
    column: int
    """0: the signal's way, 1: the way back."""
    row: int
    facts: tuple[str, ...]
    """Controls, switches and rails."""
    points: tuple[tuple[str, str], ...]
    """(name of the place, name of the trace) of the voltages that are shown in it."""
    devices: tuple[tuple[str, str], ...]
    """(name, name of the trace) of its diodes and transistors, the gain cell's FET left out."""
    fet: str = ""
    """The gain cell's, where it is in here."""


@dataclass(frozen=True, kw_only=True)
class Arrow:
    """A node that carries what one stage makes to another."""

    node: str
    start: str
    end: str


@dataclass(frozen=True, kw_only=True)
class Loop:
    """The drawing before it has a size."""

    boxes: tuple[Box, ...]
    arrows: tuple[Arrow, ...]
    holder: str
    """What holds the control voltage: the capacitor from the control node to ground; empty where there is none."""


def drawn_loop(unit: Unit, one: Explanation) -> Loop:
    """Boxes and arrows of a unit. Raises InputError for a burst of which only the loop's own traces were kept."""
    if not one.traces.currents:
        raise InputError("explain: only the loop's own traces were kept; measure with moving=True")
    flow = stage_flow(unit)
    stages = [stage for stage in flow.order if channel_of(stage) in ("", unit.channel)]
    arrows = tuple(
        Arrow(node=own(unit, link.node), start=link.driver, end=receiver)
        for link in flow.links
        for receiver in link.receivers
        if link.driver in stages and receiver in stages
    )
    places = _places(unit, stages, arrows)
    shown = _shown(unit, flow, one)
    boxes = tuple(_box(unit, flow, stage, *places[stage], shown.get(stage, ())) for stage in places)
    return Loop(boxes=boxes, arrows=arrows, holder=_holder(unit, one.points.control.plus))


def own(unit: Unit, name: str) -> str:
    """A name without the channel in front that all of the drawing has."""
    return name.removeprefix(f"{unit.channel}_") if unit.channel else name


def _places(unit: Unit, stages: Sequence[str], arrows: Sequence[Arrow]) -> dict[str, tuple[int, int]]:
    """Stage -> column and row."""
    path = _path(unit, stages)
    places = {stage: (0, row) for row, stage in enumerate(path)}
    cell = unit.gain_cell
    assert cell is not None  # a loop has one
    at = path.index(unit.parts[cell.fet].stage)
    leads = _reached(path, [(one.start, one.end) for one in arrows])
    back = [(one.end, one.start) for one in arrows if one.end == path[at] or one.end not in path]
    returns = _reached(path[at : at + 1], back)
    chain = [stage for stage in stages if stage not in path and stage in leads and stage in returns]
    places |= {stage: (1, at + k) for k, stage in enumerate(reversed(chain))}
    joined = {stage for one in arrows for stage in (one.start, one.end)}
    others = sorted((stage for stage in stages if stage not in places), key=lambda stage: stage not in joined)
    free = [*reversed(range(at)), *range(at + len(chain), at + len(chain) + len(others))]
    return places | {stage: (1, row) for stage, row in zip(others, free, strict=False)}


def _path(unit: Unit, stages: Sequence[str]) -> list[str]:
    """The signal's way from input to output, with the gain cell's stage."""
    cell = unit.gain_cell
    assert cell is not None
    try:
        found = {stage for stage, _ in stage_outputs(unit)}
    except InputError:  # the file does not list its stages in the order of the signal
        found = set()
    found |= {unit.input.stage, unit.parts[cell.fet].stage, unit.output.stage}
    return [stage for stage in stages if stage in found]


def _reached(starts: Iterable[str], ways: Iterable[tuple[str, str]]) -> set[str]:
    """All that can be come to from ``starts``, themselves among them."""
    reached, ways = set(starts), list(ways)
    while new := {end for start, end in ways if start in reached} - reached:
        reached |= new
    return reached


def _shown(unit: Unit, flow: Flow, one: Explanation) -> Mapping[str, tuple[tuple[str, str], ...]]:
    """Stage -> its places of voltage: what arrives at its rectifier, then what it drives."""
    points = one.points
    found: dict[str, dict[str, str]] = {unit.input.stage: {"in": SOURCE}}
    for point in points.rectifier:
        if point.name in one.traces.rectifier:
            found.setdefault(_stage_of(unit, point.plus), {})[point.plus] = f"{RECTIFIER}{point.name}"
    named = {points.tap.plus: TAP, points.control.plus: CONTROL}
    for link in flow.links:
        found.setdefault(link.driver, {}).setdefault(link.node, named.get(link.node, f"{NODE}{link.node}"))
    place = points.output.plus if points.output.minus == GROUND else f"{points.output.plus} - {points.output.minus}"
    found.setdefault(unit.output.stage, {})[place] = OUTPUT
    return {stage: tuple((own(unit, node), key) for node, key in places.items()) for stage, places in found.items()}


def _stage_of(unit: Unit, node: str) -> str:
    return next(part.stage for part in unit.parts.values() if node in part.nodes.values())


def _box(
    unit: Unit, flow: Flow, stage: str, column: int, row: int, shown: tuple[tuple[str, str], ...]
) -> Box:
    parts = [part for part in unit.parts.values() if part.stage == stage]
    assert unit.gain_cell is not None  # a loop has one
    fet = unit.gain_cell.fet
    conducting = [part.designator for part in parts if part.kind in CONDUCTORS and part.designator != fet]
    return Box(
        stage=stage,
        title=own(unit, stage),
        column=column,
        row=row,
        facts=tuple(_facts(unit, flow, stage, parts)),
        points=shown,
        devices=tuple((own(unit, name), f"{CURRENT}{name}") for name in conducting),
        fet=own(unit, fet) if any(part.designator == fet for part in parts) else "",
    )


def _facts(unit: Unit, flow: Flow, stage: str, parts: Sequence[Part]) -> Iterable[str]:
    for name in dict.fromkeys(part.control for part in parts if part.control):
        yield f"{own(unit, name)} at {unit.standing(name)}"
    for name in dict.fromkeys(part.bank for part in parts if part.bank):
        bank = unit.banks[name]
        closed = ", ".join(own(unit, one) for one in bank.closed) or "none"
        yield f"{own(unit, name)}: {closed}" if bank.exclusive else f"{own(unit, name)}: {closed} closed"
    if makes := flow.makes[stage]:
        yield f"makes {', '.join(own(unit, rail) for rail in makes)}"


def _holder(unit: Unit, control: str) -> str:
    return next(
        (
            own(unit, part.designator)
            for part in unit.parts.values()
            if part.kind == "capacitor" and set(part.nodes.values()) == {control, GROUND}
        ),
        "",
    )
