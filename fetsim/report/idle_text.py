"""The bias point of a unit as a page of plain text."""

from collections.abc import Iterable

from fetsim.measurements.branches import Branch
from fetsim.measurements.idle import NEAR, IdlePoint, Loading, PartAtRest
from fetsim.report.columns import blocks, columns, facts, indented, page, paragraph, section
from fetsim.report.wording import amount, kind_text
from fetsim.schematic.unit import Unit

DIGITS = 4
SMALLEST = 1e-15  # amperes and watts below this are what rounding leaves
VOLTS_A_LINE = 5
RATING_UNITS = {"power": "watt", "voltage": "volt", "current": "ampere"}
TRANSISTOR_LEADS = {
    "collector": ("C", "V_CE"),
    "base": ("B", "V_BE"),
    "drain": ("D", "V_DS"),
    "gate": ("G", "V_GS"),
}
DANGEROUS_V = 60.0  # common practice, no source: above this a steady voltage is treated as dangerous to touch
RATINGS_NOTE = (
    "Ratings as in the files, at rest: no signal, no derating with temperature. Volts are those that stay, not "
    "those of switching on. A part without a rating is not judged."
)
CAUTIONS = (
    "A powered unit with its cover off has exposed rails, and its capacitors stay charged after it is switched off"
    "{store}: discharge them through a resistor and measure before you touch.",
    "The mains side is not in this calculation. Work there only if you are qualified for it, with the unit unplugged, "
    "and follow the local codes.",
)  # fmt: skip


def idle_page(unit: Unit, point: IdlePoint, changes: Iterable[tuple[str, str, str]] = ()) -> str:
    """Voltages by stage, every part's current and heat, transistors in words, ratings, supplies, checks, cautions."""
    title = f"{point.unit} at rest, no signal, {point.temperature_c:g} C. Voltages against ground (node 0)."
    return page([
        title,
        section("Changes", columns(("name", "before", "after"), list(changes))),
        section("Node voltages", blocks(_voltages(point, stage) for stage in point.stage_nodes)),
        section("Parts by stage", blocks(_stage(unit, point, stage) for stage in point.stage_nodes)),
        section("Transistors", _transistors(unit, point)),
        section("Ratings", _ratings(point)),
        section("Power", _power(point)),
        section("Check", _check(point)),
        section("Cautions", *(paragraph(text) for text in _cautions(point))),
    ])  # fmt: skip


def _voltages(point: IdlePoint, stage: str) -> str:
    nodes = point.stage_nodes[stage]
    cells = [f"{point.node_voltages_v[node]:.4f} V" for node in nodes]
    left, right = max((len(node) for node in nodes), default=0), max((len(cell) for cell in cells), default=0)
    written = [f"{node.ljust(left)}  {cell.rjust(right)}" for node, cell in zip(nodes, cells, strict=True)]
    lines = ["    ".join(written[i : i + VOLTS_A_LINE]) for i in range(0, len(written), VOLTS_A_LINE)]
    return indented("\n".join([stage, *(indented(line) for line in lines)]))


def _stage(unit: Unit, point: IdlePoint, stage: str) -> str:
    rows = [row for part in point.parts if part.stage == stage for row in _rows(unit, part)]
    headings = ("part", "kind", "way", "volts", "current", "heat", "of rating", "at rest")
    return "\n".join([
        paragraph(stage), indented(columns(headings, rows, right=(3, 4, 5, 6), rigid=(0, 1, 2, 3, 4, 5, 6)))
    ])  # fmt: skip


def _rows(unit: Unit, part: PartAtRest) -> list[tuple[str, ...]]:
    """One line for each way of current; the part's name, heat and state stand in the first one."""
    most = max(part.loadings, key=lambda loading: loading.share, default=None)
    used = "" if most is None else f"{100.0 * most.share:.0f} % {RATING_UNITS[most.rating][0].upper()}"
    kind = kind_text(part.kind, unit.parts[part.designator].device)
    rows = []
    for number, way in enumerate(part.branches):
        first = number == 0
        rows.append((
            part.designator if first else "",
            kind if first else "",
            _way(way),
            f"{way.voltage_v + 0.0:.4g} V",
            _small(way.current_a, "ampere"),
            _small(part.dissipation_w, "watt") if first else "",
            used if first else "",
            _state(part) if first else "",
        ))  # fmt: skip
    return rows


def _way(way: Branch) -> str:
    return f"{way.label} {way.start}-{way.end}".strip()


def _state(part: PartAtRest) -> str:
    if part.kind in ("supply", "amplifier"):
        verb = "delivers" if part.delivered_w >= 0.0 else "takes up"
        return f"{verb} {_small(abs(part.delivered_w), 'watt')}"
    if part.core_flux_share is not None:
        return f"core at {100.0 * part.core_flux_share:.3g} % of saturation"
    return part.state


def _transistors(unit: Unit, point: IdlePoint) -> str:
    rows = []
    for part in point.parts:
        if part.kind in ("bjt", "jfet"):
            main, steering = part.branches
            words = []
            for way in (main, steering):
                lead, volts = TRANSISTOR_LEADS[way.label]
                words.append(
                    f"{volts} {way.voltage_v + 0.0:.4g} V, I_{lead} {_small(way.current_a, 'ampere')}"
                )
            kind = kind_text(part.kind, unit.parts[part.designator].device)
            rows.append((part.designator, kind, part.state, "; ".join([*words, *_channel(part)])))
    return columns(("part", "kind", "is", "operating point"), rows, rigid=(0, 1, 2))


def _channel(part: PartAtRest) -> list[str]:
    if part.above_pinch_off_v is None or part.channel_resistance_ohm is None:
        return []
    side = "beyond pinch-off (open)" if part.above_pinch_off_v <= 0.0 else "short of pinch-off"
    resistance = amount(part.channel_resistance_ohm, "ohm", DIGITS)
    return [f"gate {abs(part.above_pinch_off_v):.3f} V {side}", f"channel {resistance}"]


def _ratings(point: IdlePoint) -> str:
    near = f"{100.0 * NEAR:.0f} %"
    beyond, close = (
        columns(
            ("part", "rating", "at rest", "limit", "used"), [_loading(one) for one in found], right=(2, 3, 4)
        )
        for found in (point.beyond_rating, point.near_rating)
    )
    return "\n".join([
        paragraph("BEYOND ITS RATING:" if beyond else "No part is beyond a rating."),
        *([indented(beyond)] if beyond else []),
        paragraph(f"Above {near} of a rating:" if close else f"No other part is above {near} of a rating."),
        *([indented(close)] if close else []),
        paragraph(RATINGS_NOTE),
    ])  # fmt: skip


def _loading(one: Loading) -> tuple[str, ...]:
    quantity = RATING_UNITS[one.rating]
    actual, limit = amount(one.actual, quantity, DIGITS), amount(one.limit, quantity, DIGITS)
    return one.designator, one.rating, actual, limit, f"{100.0 * one.share:.0f} %"


def _power(point: IdlePoint) -> str:
    supplies = [part for part in point.parts if part.kind == "supply"]
    rows = [
        (part.designator, part.branches[0].start, f"{part.branches[0].voltage_v:.4g} V",
         _small(-part.branches[0].current_a, "ampere"), _small(part.delivered_w, "watt"))
        for part in supplies
    ]  # fmt: skip
    hottest = sorted(point.parts, key=lambda part: -part.dissipation_w)[:3]
    hot = ", ".join(f"{part.designator} {_small(part.dissipation_w, 'watt')}" for part in hottest)
    amplifiers = any(part.kind == "amplifier" for part in point.parts)
    return "\n".join([
        columns(("supply", "node", "volts", "delivers", "power"), rows, right=(2, 3, 4)),
        facts([
            ("all supplies", _small(point.supply_power_w, "watt")),
            ("ideal amplifiers", _small(point.amplifier_power_w, "watt") if amplifiers else ""),
            ("heat in all parts", _small(point.dissipation_w, "watt")),
            ("warmest parts", hot),
        ]),
    ]).lstrip("\n")  # fmt: skip


def _check(point: IdlePoint) -> str:
    return facts([
        ("Kirchhoff", f"currents of all parts at a node sum to {point.kirchhoff_residual_a:.1e} A at most "
                      f"(node {point.kirchhoff_node})"),
        ("power", f"power in less heat is {point.power_residual_w:.1e} W"),
    ])  # fmt: skip


def _cautions(point: IdlePoint) -> list[str]:
    most = point.largest_store
    store = (
        f" (most in {most.designator}: {most.stored_energy_j:.2g} J at {abs(most.branches[0].voltage_v):.3g} V)"
        if most
        else ""
    )
    told = [text.format(store=store) for text in CAUTIONS]
    highest = max((abs(volt) for volt in point.node_voltages_v.values()), default=0.0)
    if highest > DANGEROUS_V:
        told.insert(
            0, f"This unit has {highest:.0f} V inside: dangerous to touch, and so are its charged capacitors."
        )
    return told


def _small(value: float, quantity: str) -> str:
    """An amount with four figures; what is rounding only reads zero."""
    return amount(0.0 if abs(value) < SMALLEST else value, quantity, DIGITS)
