"""The bias point of a unit as a page of plain text."""

from collections.abc import Iterable

from fetsim.engine.bias import TOLERANCE_V
from fetsim.measurements.bench.branches import Branch
from fetsim.measurements.idle.procedure import NEAR, IdlePoint, Loading, PartAtRest
from fetsim.report.look.columns import blocks, columns, facts, indented, page, paragraph, section
from fetsim.report.look.wording import amount, kind_text
from fetsim.schematic.unit import Unit
from fetsim.schematic.wiring import part_roles

DIGITS = 4
SMALLEST = 1e-15  # amperes and watts below this are what rounding leaves
SMALLEST_STORE_J = 1e-9  # less than this is not worth a word
VOLTS_A_LINE = 4
QUANTITIES = {"power": "watt", "voltage": "volt", "current": "ampere"}
DANGEROUS_V = 60.0  # a steady voltage above this is treated as dangerous to touch; common practice, no source
PARTS_NOTE = (
    "Current counts from the first node of a way to the second, so a supply that feeds a positive rail reads "
    "negative. Of rating: the rating that is used most; W power, V voltage, A current."
)
RATINGS_NOTE = (
    "Ratings as in the files, at rest: no signal, no derating with temperature. Volts are those that stay, "
    "not those of switching on. A part without a rating is not judged."
)
CAUTIONS = (
    "Measuring a powered unit means exposed rails, and its capacitors stay charged after it is switched "
    "off{store}: discharge them through a resistor and measure before you touch.",
    "The mains side is not part of this calculation. Mains work is for the qualified, with the unit "
    "unplugged; follow the local codes.",
)


def idle_page(unit: Unit, point: IdlePoint, changes: Iterable[tuple[str, str, str]] = ()) -> str:
    """Voltages by stage, every part's current and heat, transistors in words, ratings, supplies, cautions."""
    title = f"{point.unit} at rest, no signal, {point.temperature_c:g} C. Voltages against ground (node 0)."
    return page([
        title,
        section("Changes", columns(("name", "before", "after"), list(changes))),
        section("Gain cell", *(paragraph(text) for text in point.told)),
        section("Node voltages", blocks(_voltages(point, stage) for stage in point.stage_nodes)),
        section("Parts by stage", blocks(_stage(unit, point, stage) for stage in point.stage_nodes)),
        paragraph(PARTS_NOTE),
        section("Transistors", _transistors(unit, point)),
        section("Ratings", _ratings(point)),
        section("Power", _supplies(point), _power(point)),
        section("Check", _check(point)),
        section("Cautions", *(paragraph(text) for text in _cautions(point))),
    ])  # fmt: skip


def _voltages(point: IdlePoint, stage: str) -> str:
    nodes = point.stage_nodes[stage]
    cells = [f"{round(point.node_voltages_v[node], 4) + 0.0:.4f} V" for node in nodes]
    left, right = (max(map(len, column), default=0) for column in (nodes, cells))
    written = [f"{node.ljust(left)}  {cell.rjust(right)}" for node, cell in zip(nodes, cells, strict=True)]
    lines = ["    ".join(written[i : i + VOLTS_A_LINE]) for i in range(0, len(written), VOLTS_A_LINE)]
    return indented("\n".join([stage, *(indented(line) for line in lines)]))


def _stage(unit: Unit, point: IdlePoint, stage: str) -> str:
    rows = [row for part in point.parts if part.stage == stage for row in _rows(unit, part)]
    headings = ("part", "kind", "way", "volts", "current", "heat", "of rating", "at rest")
    table = columns(headings, rows, right=(3, 4, 5, 6), rigid=(0, 1, 2, 3, 4, 5, 6))
    return f"{paragraph(stage)}\n{indented(table)}"


def _rows(unit: Unit, part: PartAtRest) -> list[tuple[str, ...]]:
    """One line for each way of current; the part's name, heat and state stand in the first one."""
    most = max(part.loadings, key=lambda loading: loading.share, default=None)
    used = "" if most is None else f"{100.0 * most.share:.1f} % {'WVA'[list(QUANTITIES).index(most.rating)]}"
    kind = kind_text(part.kind, unit.parts[part.designator].device)
    rows: list[tuple[str, ...]] = []
    for way in part.branches:
        first = way is part.branches[0]
        head = (part.designator, kind) if first else ("", "")
        tail = (_small(part.dissipation_w, "watt"), used, _state(part)) if first else ("", "", "")
        rows.append((*head, _way(way), _volts(way.voltage_v), _small(way.current_a, "ampere"), *tail))
    return rows


def _way(way: Branch) -> str:
    label = f"pole {way.label}" if way.label.isdigit() else way.label
    return f"{label} {way.start}/{way.end}".strip()


def _state(part: PartAtRest) -> str:
    if part.kind in ("supply", "amplifier"):
        verb = "delivers" if part.delivered_w >= 0.0 else "takes up"
        return f"{verb} {_small(abs(part.delivered_w), 'watt')}"
    if part.core_flux_share is not None:
        return f"core at {100.0 * part.core_flux_share:.1f} % of saturation"
    return part.state


def _transistors(unit: Unit, point: IdlePoint) -> str:
    rows = []
    for part in point.parts:
        symbols = part_roles(unit.parts[part.designator]).symbols
        if symbols:
            words = []
            for way, (volt, ampere) in zip(part.branches, symbols, strict=True):
                words.append(f"{volt} {_volts(way.voltage_v)}, {ampere} {_small(way.current_a, 'ampere')}")
            kind = kind_text(part.kind, unit.parts[part.designator].device)
            rows.append((part.designator, kind, part.state, "; ".join([*words, *_channel(part)])))
    return columns(("part", "kind", "is", "operating point"), rows, rigid=(0, 1, 2))


def _channel(part: PartAtRest) -> list[str]:
    if part.above_pinch_off_v is None or part.channel_resistance_ohm is None:
        return []
    side = "beyond pinch-off" if part.above_pinch_off_v <= 0.0 else "short of pinch-off"
    resistance = amount(part.channel_resistance_ohm, "ohm", DIGITS)
    return [f"gate {abs(part.above_pinch_off_v):.3f} V {side}", f"channel resistance {resistance}"]


def _ratings(point: IdlePoint) -> str:
    near, other = f"{100.0 * NEAR:.0f} %", "other part" if point.beyond_rating else "part"
    said = [
        *_loadings(point.beyond_rating, "BEYOND THEIR RATING:", "No part is beyond a rating."),
        *_loadings(point.near_rating, f"Above {near} of a rating:", f"No {other} is above {near} of a rating."),
    ]
    return "\n".join([*said, paragraph(RATINGS_NOTE)])


def _loadings(found: tuple[Loading, ...], some: str, none: str) -> list[str]:
    if not found:
        return [paragraph(none)]
    rows = []
    for one in found:
        actual, limit = (amount(x, QUANTITIES[one.rating], DIGITS) for x in (one.actual, one.limit))
        rows.append((one.designator, one.rating, actual, limit, f"{100.0 * one.share:.0f} %"))
    table = columns(("part", "rating", "at rest", "limit", "used"), rows, right=(2, 3, 4))
    return [paragraph(some), indented(table)]


def _supplies(point: IdlePoint) -> str:
    rows = []
    for part in point.parts:
        if part.kind == "supply":
            way = part.branches[0]
            delivered = _small(-way.current_a, "ampere"), _small(part.delivered_w, "watt")
            rows.append((part.designator, way.start, _volts(way.voltage_v), *delivered))
    return columns(("supply", "node", "volts", "delivers", "power"), rows, right=(2, 3, 4))


def _power(point: IdlePoint) -> str:
    hottest = sorted(point.parts, key=lambda part: -part.dissipation_w)[:3]
    warmest = ", ".join(f"{one.designator} {_small(one.dissipation_w, 'watt')}" for one in hottest)
    amplifiers = any(part.kind == "amplifier" for part in point.parts)
    return facts([
        ("all supplies", _small(point.supply_power_w, "watt")),
        ("ideal amplifiers", _small(point.amplifier_power_w, "watt") if amplifiers else ""),
        ("heat in all parts", _small(point.dissipation_w, "watt")),
        ("warmest parts", warmest),
    ])  # fmt: skip


def _check(point: IdlePoint) -> str:
    most = f"{point.kirchhoff_residual_a:.1e} A at most (node {point.kirchhoff_node})"
    return facts(
        [
            ("Kirchhoff", f"part currents at a node sum to {most}"),
            ("power", f"power in, less heat, is {point.power_residual_w:.1e} W"),
        ]
    )


def _cautions(point: IdlePoint) -> list[str]:
    store, most = "", point.largest_store
    if most is not None and most.stored_energy_j > SMALLEST_STORE_J:
        volt = abs(most.branches[0].voltage_v)
        store = f" (most energy in {most.designator}: {most.stored_energy_j:.2g} J at {volt:.3g} V)"
    told = [text.format(store=store) for text in CAUTIONS]
    highest = max((abs(volt) for volt in point.node_voltages_v.values()), default=0.0)
    if highest > DANGEROUS_V:
        told.insert(0, f"There are {highest:.0f} V inside: dangerous to touch, charged capacitors included.")
    return told


def _small(value: float, quantity: str) -> str:
    """An amount with four figures; what is rounding only reads zero."""
    return amount(0.0 if abs(value) < SMALLEST else value, quantity, DIGITS)


def _volts(value: float) -> str:
    """A voltage with four figures; what lies below the solver's tolerance reads zero."""
    return amount(0.0 if abs(value) < TOLERANCE_V else value, "volt", DIGITS)
