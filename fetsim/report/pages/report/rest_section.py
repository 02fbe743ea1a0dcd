"""The unit at rest, for the page."""

from fetsim.measurements.idle.procedure import IdlePoint, Loading, idle_point
from fetsim.report.idle.text import DIGITS, QUANTITIES
from fetsim.report.look.wording import amount, kind_text
from fetsim.report.pages.report.content import Section, Table, number
from fetsim.rig.runner import Progress
from fetsim.schematic.unit import Unit
from fetsim.schematic.wiring import part_roles

HOTTEST = 8  # parts in the table of heat
SMALLEST = 1e-15  # volts and amperes below this are what rounding leaves
NO_BREAK = "\u00a0"
WARM_W = 1e-6  # less is not worth a line


def idle_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """Voltages by stage, transistors, heat, ratings."""
    point = idle_point(unit)
    beyond, near = point.beyond_rating, point.near_rating
    lead = [f"All supplies deliver {amount(point.supply_power_w, 'watt', 3)}."]
    lead.append(f"BEYOND A RATING: {_listed(beyond)}." if beyond else "No part is beyond a rating.")
    if near:
        lead.append(f"Near a rating: {_listed(near)}.")
    worst = f"{point.kirchhoff_residual_a:.1e} A at most (node {point.kirchhoff_node})"
    lead.append(f"Check: the part currents at a node sum to {worst}.")
    return Section(
        "", "",
        lead=lead,
        tables=[_voltages(point), _transistors(unit, point), _heat(unit, point)],
        figures=point.to_dict(),
    )  # fmt: skip


def _listed(loadings: tuple[Loading, ...]) -> str:
    return ", ".join(f"{one.designator} ({one.rating}, {100.0 * one.share:.0f} %)" for one in loadings)


def _voltages(point: IdlePoint) -> Table:
    rows = [
        (stage, ", ".join(_together(node, number(point.node_voltages_v[node], 3)) for node in nodes))
        for stage, nodes in point.stage_nodes.items()
        if nodes
    ]
    return Table(("stage", "volts against ground (node 0)"), rows, words=2)


def _transistors(unit: Unit, point: IdlePoint) -> Table:
    rows = []
    for part in point.parts:
        symbols = part_roles(unit.parts[part.designator]).symbols
        if symbols:
            words = []
            for way, (volt, ampere) in zip(part.branches, symbols, strict=True):
                words.append(_together(volt, _small(way.voltage_v, "volt")))
                words.append(_together(ampere, _small(way.current_a, "ampere")))
            if part.above_pinch_off_v is not None:
                side = "beyond pinch-off" if part.above_pinch_off_v <= 0.0 else "short of pinch-off"
                words.append(f"gate {abs(part.above_pinch_off_v):.3f} V {side}")
            kind = kind_text(part.kind, unit.parts[part.designator].device)
            rows.append((part.designator, kind, part.state, ", ".join(words)))
    return Table(("part", "kind", "is", "operating point"), rows, words=4)


def _heat(unit: Unit, point: IdlePoint) -> Table:
    warm = [part for part in point.parts if part.dissipation_w >= WARM_W]
    hottest = sorted(warm, key=lambda part: -part.dissipation_w)[:HOTTEST]
    rows = []
    for part in hottest:
        most = max(part.loadings, key=lambda loading: loading.share, default=None)
        kind = kind_text(part.kind, unit.parts[part.designator].device)
        rated = "-"
        if most is not None:
            rated = f"{100.0 * most.share:.0f} % of {amount(most.limit, QUANTITIES[most.rating], DIGITS)}"
        rows.append((part.designator, kind, _small(part.dissipation_w, "watt"), rated))
    return Table(("warmest parts", "kind", "heat", "most used rating"), rows, words=2)


def _together(name: str, value: str) -> str:
    """A name and its value that stay on one line."""
    return f"{name} {value}".replace(" ", NO_BREAK)


def _small(value: float, quantity: str) -> str:
    return amount(0.0 if abs(value) < SMALLEST else value, quantity, DIGITS)
