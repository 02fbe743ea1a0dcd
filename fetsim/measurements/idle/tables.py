"""What a unit at rest has to say, as tables, definitions and cautions."""

from collections.abc import Callable, Mapping

from fetsim.engine.bias import TOLERANCE_V
from fetsim.errors import FetsimError
from fetsim.measurements.bench.branches import Branch
from fetsim.measurements.idle.procedure import FEEDING, NEAR, IdlePoint, Loading, PartAtRest, idle_point
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.care import CHARGED, MAINS, MAINS_INSIDE, PROBE, inside
from fetsim.measurements.results.definitions import LAW, PRACTICE, Definition
from fetsim.measurements.results.formats import amount, fixed
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.schematic.unit import Unit

SMALLEST = 1e-15  # amperes and watts below this are what rounding leaves
SMALLEST_STORE_J = 1e-9  # less than this is not worth a word
WARM_W = 1e-6  # nor is less heat than this
WARMEST = 8  # parts in the table of heat
DANGEROUS_V = 60.0  # a steady voltage above this is treated as dangerous to touch; common practice, no source
QUANTITIES = {"power": "watt", "voltage": "volt", "current": "ampere"}
NO_BREAK = "\u00a0"
VOLTS, AMPERES = amount("volt", smallest=TOLERANCE_V), amount("ampere", smallest=SMALLEST)
WATTS, OHMS = amount("watt", smallest=SMALLEST), amount("ohm")

VERSION, PART, KIND = (Column(key=word, heading=word) for word in ("version", "part", "kind"))
STAGE = Column(key="stage", heading="stage")
CHANGES = (VERSION, *(Column(key=word, heading=word) for word in ("name", "before", "after")))
NODES = (VERSION, STAGE, Column(key="volts", heading="volts against ground (node 0)", folds=True))
PARTS = (
    VERSION, STAGE, PART, KIND,
    Column(key="way", heading="way"),
    Column(key="voltage_v", heading="volts", show=VOLTS),
    Column(key="current_a", heading="current", show=AMPERES),
    Column(key="dissipation_w", heading="heat", show=WATTS),
    Column(key="of_rating", heading="of rating"),
    Column(key="state", heading="at rest", folds=True),
)  # fmt: skip
TRANSISTORS = (
    VERSION, PART, KIND,
    Column(key="state", heading="is"),
    Column(key="point", heading="operating point", folds=True),
)  # fmt: skip
AMPLIFIERS = (VERSION, PART, Column(key="state", heading="at rest"))
WARM = (
    VERSION, PART, KIND,
    Column(key="dissipation_w", heading="heat", show=WATTS),
    Column(key="most_used", heading="most used rating"),
)  # fmt: skip
LOADINGS = (
    VERSION, PART,
    Column(key="rating", heading="rating"),
    Column(key="at_rest", heading="at rest"),
    Column(key="limit", heading="limit"),
    Column(key="used_percent", heading="used", unit="%", show=fixed(0)),
)  # fmt: skip
SUPPLIES = (
    VERSION,
    Column(key="supply", heading="supply"),
    Column(key="node", heading="node"),
    Column(key="voltage_v", heading="volts", show=VOLTS),
    Column(key="delivered_a", heading="delivers", show=AMPERES),
    Column(key="delivered_w", heading="power", show=WATTS),
)
POWER = (VERSION, Column(key="what", heading="power"), Column(key="power_w", heading="amount", show=WATTS))



def account(measured: Mapping[str, IdlePoint]) -> Account:
    """Label of the version -> its point of rest."""
    made = next(iter(measured.values())).provenance

    def table(key: str, title: str, columns: tuple[Column, ...], rows_of: Callable[[IdlePoint], list[tuple[Cell, ...]]],
              *notes: str, heads: int = 2, detail: bool = False) -> list[Table]:  # fmt: skip
        rows = [(label, *row) for label, point in measured.items() for row in rows_of(point)]
        made = Table(key=key, title=title, columns=columns, rows=rows, heads=heads, notes=notes, detail=detail)
        return [made] if rows else []

    return Account(
        title=f"{made.unit} at rest, no signal, {made.temperature_c:g} C.",
        lead=tuple(f"{_start(label)}{_lead(point)}" for label, point in measured.items()),
        tables=(
            *table("changes", "Changes", CHANGES, _changes),
            *table("nodes", "Node voltages", NODES, _nodes),
            *table("transistors", "Transistors", TRANSISTORS, _transistors),
            *table("amplifiers", "Operational amplifiers", AMPLIFIERS, _amplifiers),
            *table("beyond_rating", "BEYOND THEIR RATING", LOADINGS, lambda point: _loadings(point.beyond_rating)),
            *table("near_rating", f"Above {100.0 * NEAR:.0f} % of a rating", LOADINGS,
                   lambda point: _loadings(point.near_rating)),
            *table("warmest", "Warmest parts", WARM, _warmest,
                   *(f"{_start(label)}{told}" for label, point in measured.items() if (told := _warmed(point)))),
            *table("supplies", "Supplies", SUPPLIES, _supplies),
            *table("power", "Power", POWER, _power,
                   *(f"{_start(label)}{_check(point)}" for label, point in measured.items())),
            *table("parts", "Parts", PARTS, _parts, detail=True),
        ),
        definitions=DEFINITIONS,
        cautions=tuple(dict.fromkeys(text for point in measured.values() for text in cautions(point))),
    )  # fmt: skip


def cautions(point: IdlePoint | None) -> tuple[str, ...]:
    """What to be careful with inside a unit; None for one whose point of rest is not known."""
    if point is None:
        return inside(mains=True)
    store, most = "", point.largest_store
    if most is not None and most.stored_energy_j > SMALLEST_STORE_J:
        volt = abs(most.branches[0].voltage_v)
        store = f" (most energy in {most.designator}: {most.stored_energy_j:.2g} J at {volt:.3g} V)"
    highest_v = max((abs(v) for v in (*point.node_voltages_v.values(), *point.alternating_v.values())), default=0.0)
    volts = f"Voltage. There are {highest_v:.0f} V inside: dangerous to touch."
    mains, charged = (MAINS_INSIDE if point.fed_by_mains else MAINS), CHARGED.format(store=store)
    return *((volts,) if highest_v > DANGEROUS_V else ()), mains, charged


def cautions_inside(unit: Unit) -> tuple[str, ...]:
    """The same of a unit, whatever its circuit does."""
    try:
        return cautions(idle_point(unit))
    except FetsimError:  # told where the point of rest is told
        return cautions(None)


def cautions_probing(unit: Unit) -> tuple[str, ...]:
    """Of a unit that is read with a probe."""
    return (PROBE, *cautions_inside(unit))


def _lead(point: IdlePoint) -> str:
    beyond, near, other = point.beyond_rating, point.near_rating, "other part" if point.beyond_rating else "part"
    told = [
        f"BEYOND A RATING: {_listed(beyond)}." if beyond else "No part is beyond a rating.",
        f"Near a rating: {_listed(near)}." if near else f"No {other} is above {100.0 * NEAR:.0f} % of a rating.",
    ]
    return f"All supplies deliver {WATTS(point.supply_power_w)}. {' '.join(told)}"


def _listed(loadings: tuple[Loading, ...]) -> str:
    return ", ".join(f"{one.designator} ({one.rating}, {100.0 * one.share:.0f} %)" for one in loadings)


def _start(label: str) -> str:
    return f"{label}: " if label else ""


def _changes(point: IdlePoint) -> list[tuple[Cell, ...]]:
    return [(one.name, one.before, one.after) for one in point.provenance.changes]


def _nodes(point: IdlePoint) -> list[tuple[Cell, ...]]:
    volts = {node: f"{fixed(4)(volt)} V" for node, volt in point.node_voltages_v.items()}
    volts |= {node: f"alternates, {volt:.3g} V rms" for node, volt in point.alternating_v.items()}
    return [
        (stage, ", ".join(_together(node, volts[node]) for node in nodes))
        for stage, nodes in point.stage_nodes.items()
        if nodes
    ]


def _parts(point: IdlePoint) -> list[tuple[Cell, ...]]:
    """A row for each way of current; the part's name, heat and state stand in the first one."""
    rows: list[tuple[Cell, ...]] = []
    for part in point.parts:
        for way in part.branches:
            figures = (_way(way), way.voltage_v, way.current_a)
            if way is part.branches[0]:
                rows.append((
                    part.stage, part.designator, part.kind, *figures, part.dissipation_w, _most_used(part),
                    _state(part),
                ))  # fmt: skip
            else:
                rows.append((part.stage, "", "", *figures, "", "", ""))
    return rows


def _way(way: Branch) -> str:
    label = f"pole {way.label}" if way.label.isdigit() else way.label
    return f"{label} {way.start}/{way.end}".strip()


def _most_used(part: PartAtRest) -> str:
    most = max(part.loadings, key=lambda loading: loading.share, default=None)
    return "" if most is None else f"{100.0 * most.share:.1f} % {'WVA'[list(QUANTITIES).index(most.rating)]}"


def _state(part: PartAtRest) -> str:
    if part.kind in ("supply", "amplifier"):
        return f"{'delivers' if part.delivered_w >= 0.0 else 'takes up'} {WATTS(abs(part.delivered_w))}"
    if part.core_flux_share is not None:
        return f"core at {100.0 * part.core_flux_share:.1f} % of saturation"
    return part.state


def _transistors(point: IdlePoint) -> list[tuple[Cell, ...]]:
    return [
        (part.designator, part.kind, part.state, "; ".join([*_terminals(part), *_channel(part)]))
        for part in point.parts
        if part.symbols
    ]


def _amplifiers(point: IdlePoint) -> list[tuple[Cell, ...]]:
    """Each operational amplifier and how it stands."""
    return [(part.designator, part.state) for part in point.parts if part.kind == "opamp"]


def _terminals(part: PartAtRest) -> list[str]:
    return [
        f"{_together(volt, VOLTS(way.voltage_v))}, {_together(ampere, AMPERES(way.current_a))}"
        for way, (volt, ampere) in zip(part.branches, part.symbols, strict=False)  # its capacitances carry nothing
    ]


def _channel(part: PartAtRest) -> list[str]:
    if part.above_pinch_off_v is None or part.channel_resistance_ohm is None:
        return []
    side = "beyond pinch-off" if part.above_pinch_off_v <= 0.0 else "short of pinch-off"
    return [
        f"gate {_together(f'{abs(part.above_pinch_off_v):.3f}', 'V')} {side}",
        f"channel resistance {OHMS(part.channel_resistance_ohm)}",
    ]


def _loadings(loadings: tuple[Loading, ...]) -> list[tuple[Cell, ...]]:
    rows: list[tuple[Cell, ...]] = []
    for one in loadings:
        show = amount(QUANTITIES[one.rating])
        rows.append((one.designator, one.rating, show(one.actual), show(one.limit), 100.0 * one.share))
    return rows


def _warmest(point: IdlePoint) -> list[tuple[Cell, ...]]:
    warm = sorted((part for part in point.parts if part.dissipation_w >= WARM_W), key=lambda one: -one.dissipation_w)
    rows: list[tuple[Cell, ...]] = []
    for part in warm[:WARMEST]:
        most = max(part.loadings, key=lambda loading: loading.share, default=None)
        rated = "" if most is None else f"{100.0 * most.share:.0f} % of {amount(QUANTITIES[most.rating])(most.limit)}"
        rows.append((part.designator, part.kind, part.dissipation_w, rated))
    return rows


def _warmed(point: IdlePoint) -> str:
    """Temperatures that are not the unit's; empty where all are."""
    unit_c = point.provenance.temperature_c
    own = sorted((part for part in point.parts if part.temperature_c != unit_c), key=lambda one: -one.temperature_c)
    listed = ", ".join(_together(part.designator, f"{part.temperature_c:.1f} C") for part in own)
    return f"Not at the unit's {unit_c:g} C: {listed}." if own else ""


def _supplies(point: IdlePoint) -> list[tuple[Cell, ...]]:
    found = [(part, part.branches[0]) for part in point.parts if part.kind in FEEDING]
    return [(part.designator, way.start, way.voltage_v, -way.current_a, part.delivered_w) for part, way in found]


def _power(point: IdlePoint) -> list[tuple[Cell, ...]]:
    amplifiers = any(part.kind == "amplifier" for part in point.parts) or abs(point.amplifier_power_w) > WARM_W
    return [
        ("all supplies", point.supply_power_w),
        *([("amplifiers", point.amplifier_power_w)] if amplifiers else []),
        ("heat in all parts", point.dissipation_w),
    ]


def _check(point: IdlePoint) -> str:
    most = f"{point.kirchhoff_residual_a:.1e} A at most (node {point.kirchhoff_node})"
    return (
        f"Kirchhoff's check: part currents at a node sum to {most}; power in, less heat, is "
        f"{point.power_residual_w:.1e} W."
    )


def _together(name: str, value: str) -> str:
    """A name and its value that stay on one line."""
    return f"{name} {value}".replace(" ", NO_BREAK)


DEFINITIONS = (
    Definition(
        term="at rest",
        meaning="no signal, settled; every part at the temperature of the unit, unless it has one of its own or a "
        "thermal resistance through which its own heat warms it",
        status=PRACTICE,
    ),
    Definition(
        term="current",
        meaning="counts from the first node of a way to the second, so a supply that feeds a positive rail reads "
        "negative",
        status=PRACTICE,
    ),
    Definition(
        term="of rating",
        meaning="the rating that is used most: W power, V voltage, A current; as in the files, at rest, not derated "
        "with temperature; volts are those that stay, not those of switching on; a part without a rating is not judged",
        status=PRACTICE,
    ),
    Definition(
        term="near a rating", meaning=f"more than {100.0 * NEAR:.0f} % of it", status=PRACTICE
    ),
    Definition(
        term="Kirchhoff's check",
        meaning="part currents worked out one by one from the node voltages; the largest sum at a node",
        source="Kirchhoff's current law",
        status=LAW,
    ),
)
