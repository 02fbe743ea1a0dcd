"""The unit at rest: voltages, currents, heat, and which part is near its rating.

What a technician reads with a voltmeter before any signal is applied. The currents come part by part from
the node voltages (``branches``), so their sum at every node, Kirchhoff's current law, and the power balance
check the solution from outside the engine's matrix. Ratings are taken as they stand in the files: no
derating with temperature, and no signal (a class-A stage is hottest at rest, its load resistor is not).
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from math import inf, isinf
from typing import Any

from fetsim.engine.assembly import assemble
from fetsim.engine.bias import find_bias
from fetsim.engine.circuit import GROUND, Element
from fetsim.measurements.bench.branches import Branch, Levels, branches, device_law, port_voltages_v
from fetsim.schematic.unit import Part, Unit
from fetsim.schematic.wiring import build_circuit, part_elements

NEAR = 0.8  # of a rating: worth a warning (common practice, no source)
CONDUCTING_A = 1e-6  # below this a junction or transistor counts as off; own choice
SATURATION_SHARE = 0.1  # base current lost in the collector junction against the useful one; own choice
LOADED_V = 0.1  # a capacitor with less than this across it has no polarity worth telling


@dataclass(frozen=True)
class Loading:
    """How much of one rating a part uses at rest."""

    designator: str
    rating: str
    """``power`` [W], ``voltage`` [V] or ``current`` [A]."""
    actual: float
    limit: float

    @property
    def share(self) -> float:
        """Actual over limit."""
        return self.actual / self.limit


@dataclass(frozen=True)
class PartAtRest:
    """One part at rest."""

    designator: str
    kind: str
    stage: str
    branches: tuple[Branch, ...]
    dissipation_w: float
    delivered_w: float
    """By a supply or an ideal amplifier, its own loss included; negative when it takes power up."""
    state: str
    """In words: ``active``, ``pinched off``, ``blocks`` ...; empty for most parts."""
    loadings: tuple[Loading, ...]
    stored_energy_j: float = 0.0
    """Of a capacitor, C V^2 / 2."""
    channel_resistance_ohm: float | None = None
    """Of a FET: slope of drain voltage over drain current; infinite when pinched off."""
    above_pinch_off_v: float | None = None
    """Of a FET: gate to the nearer end of the channel, less the pinch-off voltage; negative: pinched off."""
    core_flux_share: float | None = None
    """Of a transformer: core flux over its saturation flux."""


@dataclass(frozen=True)
class IdlePoint:
    """A unit at rest, with its input at zero."""

    unit: str
    temperature_c: float
    node_voltages_v: Mapping[str, float]
    """Against ground."""
    stage_nodes: Mapping[str, tuple[str, ...]]
    """Stage -> the nodes of its parts; a shared node stands in each of its stages."""
    parts: tuple[PartAtRest, ...]
    supply_power_w: float
    amplifier_power_w: float
    """From ideal amplifiers, which have no supply."""
    dissipation_w: float
    kirchhoff_residual_a: float
    """Largest sum of part currents at a node; zero but for rounding when the solution is one."""
    kirchhoff_node: str

    @property
    def power_residual_w(self) -> float:
        """Power that goes in, less power that turns to heat."""
        return self.supply_power_w + self.amplifier_power_w - self.dissipation_w

    @property
    def loadings(self) -> tuple[Loading, ...]:
        """Every rating with what is used of it, the most loaded first."""
        found = [loading for part in self.parts for loading in part.loadings]
        return tuple(sorted(found, key=lambda loading: -loading.share))

    @property
    def beyond_rating(self) -> tuple[Loading, ...]:
        """Ratings that are exceeded, the worst first."""
        return tuple(loading for loading in self.loadings if loading.share > 1.0)

    @property
    def near_rating(self) -> tuple[Loading, ...]:
        """Ratings of which more than 80 % is used, but no more than all."""
        return tuple(loading for loading in self.loadings if NEAR < loading.share <= 1.0)

    @property
    def largest_store(self) -> PartAtRest | None:
        """The capacitor with the most energy; None when no capacitor is charged."""
        best = max(self.parts, key=lambda part: part.stored_energy_j)
        return best if best.stored_energy_j > 0.0 else None

    def part(self, designator: str) -> PartAtRest:
        """One part; KeyError if there is none of that name."""
        return {part.designator: part for part in self.parts}[designator]

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, texts, lists and tables for JSON; an infinite resistance is None."""
        plain: dict[str, Any] = _finite(asdict(self))
        plain["power_residual_w"] = self.power_residual_w
        plain["beyond_rating"] = [asdict(loading) for loading in self.beyond_rating]
        plain["near_rating"] = [asdict(loading) for loading in self.near_rating]
        return plain


def idle_point(unit: Unit) -> IdlePoint:
    """The bias point of a unit at its present values. Raises ConvergenceError when none can be found."""
    system = assemble(build_circuit(unit))
    state = find_bias(system)
    # adding zero turns -0.0 into 0.0
    levels = {GROUND: 0.0, **{name: float(state[i]) + 0.0 for name, i in system.index.items()}}
    parts = tuple(_at_rest(unit, part, levels) for part in unit.parts.values())
    node, residual_a = _kirchhoff(parts)

    def nodes(names: Mapping[str, object]) -> tuple[str, ...]:
        return tuple(name for name in names if name != GROUND)

    return IdlePoint(
        unit=unit.name,
        temperature_c=unit.temperature_c,
        node_voltages_v={name: levels[name] for name in unit.nodes},
        stage_nodes={
            stage.name: nodes(dict.fromkeys(node for part in stage.parts for node in part.nodes.values()))
            for stage in unit.stages
        },
        parts=parts,
        supply_power_w=sum((part.delivered_w for part in parts if part.kind == "supply"), 0.0),
        amplifier_power_w=sum((part.delivered_w for part in parts if part.kind == "amplifier"), 0.0),
        dissipation_w=sum(part.dissipation_w for part in parts),
        kirchhoff_residual_a=residual_a,
        kirchhoff_node=node,
    )


def _kirchhoff(parts: tuple[PartAtRest, ...]) -> tuple[str, float]:
    """The node whose currents miss zero by the most, and by how much."""
    sums: dict[str, float] = {}
    for part in parts:
        for branch in part.branches:
            sums[branch.start] = sums.get(branch.start, 0.0) + branch.current_a
            sums[branch.end] = sums.get(branch.end, 0.0) - branch.current_a
    node = max(sums, key=lambda name: abs(sums[name]))
    return node, abs(sums[node])


def _at_rest(unit: Unit, part: Part, levels: Levels) -> PartAtRest:
    elements = part_elements(unit, part)
    ways = tuple(branch for element in elements for branch in branches(element, levels))
    first = elements[0]
    more: dict[str, Any] = {}
    state = ""
    match part.kind:
        case "capacitor":
            volt = ways[0].voltage_v
            more["stored_energy_j"] = 0.5 * part.values["value"] * volt**2
            if abs(volt) >= LOADED_V:
                state = f"positive at {ways[0].start if volt > 0.0 else ways[0].end}"
        case "bjt":
            state = _bjt_state(first, levels)
        case "jfet":
            state, more["above_pinch_off_v"], more["channel_resistance_ohm"] = _jfet_state(first, levels)
        case "diode" | "zener":
            state = "conducts" if ways[0].current_a > CONDUCTING_A else "blocks"
            if part.kind == "zener" and ways[0].current_a < -CONDUCTING_A:
                state = "breaks down"
        case "transformer":
            flux_vs = levels[first.unknowns["flux"]]
            more["core_flux_share"] = abs(flux_vs) * part.values["ratio"] / part.values["saturation_flux"]
        case "switch":
            assert part.bank is not None
            state = "closed" if part.designator in unit.banks[part.bank].closed else "open"
    return PartAtRest(
        part.designator, part.kind, part.stage, ways,
        sum(way.dissipation_w for way in ways), sum(way.delivered_w for way in ways),
        state, _loadings(part, ways, levels), **more,
    )  # fmt: skip


def _bjt_state(element: Element, levels: Levels) -> str:
    transport, _, _, forward_base, _, backward_base, _ = device_law(element, levels)
    if max(abs(transport), forward_base, backward_base) < CONDUCTING_A:
        return "cut off"
    if transport < 0.0:
        return "reversed"
    return "saturated" if backward_base > SATURATION_SHARE * forward_base else "active"


def _jfet_state(element: Element, levels: Levels) -> tuple[str, float, float]:
    """State, volts above pinch-off, slope resistance of the channel."""
    gate_source_v, gate_drain_v = port_voltages_v(element, levels)
    pinch_off_v = element.values["pinch_off_v"]
    _, by_gate_source, by_gate_drain, gate_source_a, _, gate_drain_a, _ = device_law(element, levels)
    above_v = max(gate_source_v, gate_drain_v) - pinch_off_v
    # the end of the channel that acts as the drain moves, the other one and the gate stay
    slope_s = -by_gate_drain if gate_source_v >= gate_drain_v else by_gate_source
    resistance_ohm = 1.0 / slope_s if slope_s > 0.0 else inf
    if above_v <= 0.0:
        state = "pinched off"
    elif min(gate_source_v, gate_drain_v) <= pinch_off_v:
        state = "constant current"
    else:
        state = "ohmic"
    if max(gate_source_a, gate_drain_a) > CONDUCTING_A:
        state += ", gate conducts"
    return state, above_v, resistance_ohm


def _loadings(part: Part, ways: tuple[Branch, ...], levels: Levels) -> tuple[Loading, ...]:
    """Ratings of a part or of its device sheet with what is used of them.

    Volts: a diode's backwards; a transistor's collector to emitter; a FET's largest between two terminals;
    a transformer's between its windings; else across the part. Amperes: collector, drain, a diode's
    forwards; else the largest in the part. Watts: a supply's delivered ones; a track's as if its largest
    current ran through all of it (a leg must not carry more than the whole track may; common practice, no
    source); a transformer's rating is for what it passes on, which is nothing at rest.
    """
    ratings = {**(part.device.ratings if part.device else {}), **part.ratings}
    main = ways[0]
    largest_a = max(abs(way.current_a) for way in ways)
    watt = sum(way.dissipation_w for way in ways)
    volt, ampere = max(abs(way.voltage_v) for way in ways), largest_a
    match part.kind:
        case "potentiometer" | "rheostat":
            at = [levels[node] for node in part.nodes.values()]
            watt, volt = largest_a**2 * part.values["value"], max(at) - min(at)
        case "supply":
            watt = abs(sum(way.delivered_w for way in ways))
        case "bjt":
            volt, ampere = abs(main.voltage_v), abs(main.current_a)
        case "jfet":
            at = [levels[node] for node in part.nodes.values()]
            volt, ampere = max(at) - min(at), abs(main.current_a)
        case "diode":
            volt, ampere = max(-main.voltage_v, 0.0), max(main.current_a, 0.0)
        case "transformer":
            primary, secondary = ([levels[end] for end in (way.start, way.end)] for way in ways)
            volt, watt = max(abs(a - b) for a in primary for b in secondary), 0.0
    actual = {"power_rating": watt, "voltage_rating": volt, "current_rating": ampere}
    return tuple(
        Loading(part.designator, key.removesuffix("_rating"), actual[key], limit) for key, limit in ratings.items()
    )


def _finite(value: Any) -> Any:
    """The same with infinities as None and tuples as lists."""
    if isinstance(value, dict):
        return {key: _finite(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(entry) for entry in value]
    return None if isinstance(value, float) and isinf(value) else value
