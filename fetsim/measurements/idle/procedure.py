"""The unit at rest: voltages, currents, heat, and which part is near its rating.

What a technician reads with a voltmeter before any signal is applied. The currents come part by part from
the node voltages (``branches``), so their sum at every node, Kirchhoff's current law, and the power balance
check the solution from outside the engine's matrix. Ratings are taken as they stand in the files: no
derating with temperature, and no signal (a class-A stage is hottest at rest, its load resistor is not).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import ClassVar

import numpy as np

from fetsim.devices.kind import AtRest
from fetsim.engine.circuit import GROUND
from fetsim.measurements.bench.branches import Branch, Levels, mean_branches
from fetsim.measurements.bench.given import of_unit
from fetsim.measurements.results.result import Result
from fetsim.rig.provenance import provenance_of_both
from fetsim.rig.rig import Rig
from fetsim.schematic.temperature import temperature_of
from fetsim.schematic.unit import Part, Unit
from fetsim.schematic.wiring import joined, part_at_rest, part_elements, part_roles, part_stress

FEEDING, WINDINGS = ("supply", "mains"), ("transformer", "winding")
LOOKS = 48  # instants of a mains period
ALTERNATING_V = 1.0  # rms: above it a node is told by how it alternates; own choice
NEAR = 0.8  # of a rating: worth a warning (common practice, no source)


@dataclass(frozen=True, kw_only=True)
class Loading:
    """How much of one rating a part uses at rest."""

    designator: str
    rating: str
    """``power`` [W], ``voltage`` [V] or ``current`` [A]."""
    actual: float
    limit: float
    share: float
    """Actual over limit."""


@dataclass(frozen=True, kw_only=True)
class PartAtRest(AtRest):
    """One part at rest; ``AtRest`` has what depends on its kind."""

    designator: str
    kind: str
    """With its polarity, as ``bjt npn``."""
    stage: str
    symbols: tuple[tuple[str, str], ...]
    """Of a transistor: what the volts and amperes of each branch are called, as ``V_CE`` and ``I_C``."""
    branches: tuple[Branch, ...]
    temperature_c: float
    dissipation_w: float
    delivered_w: float
    """By a supply or an ideal amplifier, its own loss included; negative when it takes power up."""
    loadings: tuple[Loading, ...]


@dataclass(frozen=True, kw_only=True)
class IdlePoint(Result):
    """A unit at rest, with its input at zero."""

    ROOM: ClassVar[str] = "idle"

    node_voltages_v: Mapping[str, float]
    """Against ground."""
    alternating_v: Mapping[str, float]
    """Nodes that alternate with the mains by more than 1 V rms, as behind a transformer: that, whatever their mean."""
    stage_nodes: Mapping[str, tuple[str, ...]]
    """Stage -> the nodes of its parts; a shared node stands in each of its stages."""
    parts: tuple[PartAtRest, ...]
    supply_power_w: float
    amplifier_power_w: float
    """From ideal amplifiers, which have no supply, and from other parts that feed what is beyond their rails."""
    dissipation_w: float
    power_residual_w: float
    """Power that goes in, less power that turns to heat."""
    fed_by_mains: bool
    """Then volts, currents and heat are means over a mains period, voltages that ratings are set against the highest in
    it; the heat includes that of mains transformers' cores."""
    kirchhoff_residual_a: float
    """Largest sum of part currents at a node; zero but for rounding when the solution is one."""
    kirchhoff_node: str
    beyond_rating: tuple[Loading, ...]
    """Ratings that are exceeded, the worst first."""
    near_rating: tuple[Loading, ...]
    """Ratings of which more than 80 % is used, but no more than all."""

    @property
    def largest_store(self) -> PartAtRest | None:
        """The capacitor with the most energy; None when no capacitor is charged."""
        best = max(self.parts, key=lambda part: part.stored_energy_j)
        return best if best.stored_energy_j > 0.0 else None

    def part(self, designator: str) -> PartAtRest:
        """One part; KeyError if there is none of that name."""
        return {part.designator: part for part in self.parts}[designator]


@of_unit
def idle_point(unit: Unit) -> IdlePoint:
    """The bias point of a unit at its present values. Raises ConvergenceError when none can be found.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> point = fetsim.idle_point(unit)
    >>> [table.key for table in point.tables()][:2]
    ['nodes', 'transistors']
    """
    rig = Rig(unit)
    states = States.of(rig)
    levels, warm = states.mean, rig.warm_unit
    parts = tuple(_at_rest(warm, part, states) for part in unit.parts.values())
    node, residual_a = _kirchhoff(parts, unit.joined)

    def nodes(names: Mapping[str, object]) -> tuple[str, ...]:
        return tuple(name for name in names if name != GROUND)

    supplies_w = sum((part.delivered_w for part in parts if part.kind in FEEDING), 0.0)
    cores_w = -sum((part.delivered_w for part in parts if part.kind in WINDINGS), 0.0)
    amplifiers_w = sum((part.delivered_w for part in parts if part.kind not in (*FEEDING, *WINDINGS)), 0.0)
    heat_w = sum(part.dissipation_w for part in parts) + cores_w
    loadings = sorted((loading for part in parts for loading in part.loadings), key=lambda one: -one.share)
    return IdlePoint(
        provenance=provenance_of_both(rig),
        node_voltages_v={name: levels[name] for name in unit.nodes},
        alternating_v=_alternating_v(rig),
        stage_nodes={
            stage.name: nodes(dict.fromkeys(node for part in stage.parts for node in part.nodes.values()))
            for stage in unit.stages
        },
        parts=parts,
        supply_power_w=supplies_w,
        amplifier_power_w=amplifiers_w,
        dissipation_w=heat_w,
        power_residual_w=supplies_w + amplifiers_w - heat_w,
        fed_by_mains=bool(unit.mains),
        kirchhoff_residual_a=residual_a,
        kirchhoff_node=node,
        beyond_rating=tuple(one for one in loadings if one.share > 1.0),
        near_rating=tuple(one for one in loadings if NEAR < one.share <= 1.0),
    )


def _alternating_v(rig: Rig) -> dict[str, float]:
    if rig.cycle is None:
        return {}
    rms_v = dict(zip(rig.system.unknowns, np.std(rig.cycle.unknowns, axis=0), strict=True))
    return {node: float(rms_v[node]) for node in rig.unit.nodes if rms_v[node] > ALTERNATING_V}


def _kirchhoff(parts: tuple[PartAtRest, ...], wires: tuple[tuple[str, str], ...]) -> tuple[str, float]:
    """The node whose currents miss zero by the most, and by how much; nodes that are joined straight are one."""
    ends = [set(wire) for wire in wires]
    names = {node: min(joined(node, ends, ())) for wire in wires for node in wire}
    sums: dict[str, float] = {}
    for part in parts:
        for branch in part.branches:
            for node, sign in ((branch.start, 1.0), (branch.end, -1.0)):
                name = names.get(node, node)
                sums[name] = sums.get(name, 0.0) + sign * branch.current_a
    node = max(sums, key=lambda name: abs(sums[name]))
    return node, abs(sums[node])


@dataclass(frozen=True)
class States:
    """Levels of every unknown at rest, ground included."""

    mean: Levels
    all: Levels
    """After each step of a mains period [shape=(steps,)]; numbers without mains."""
    looked_at: tuple[Levels, ...]
    """Some of them, at which stress is worked out."""

    @classmethod
    def of(cls, rig: Rig) -> "States":
        # adding zero turns -0.0 into 0.0
        mean = {GROUND: 0.0, **{name: float(rig.bias[i]) + 0.0 for name, i in rig.system.index.items()}}
        if rig.cycle is None:
            return cls(mean, mean, (mean,))
        columns = dict(zip(rig.system.unknowns, rig.cycle.unknowns.T, strict=True))
        every = {GROUND: np.zeros(len(rig.cycle.unknowns)), **columns}
        some = range(0, len(rig.cycle.unknowns), len(rig.cycle.unknowns) // LOOKS)
        return cls(mean, every, tuple({name: float(level[k]) for name, level in every.items()} for k in some))


def _at_rest(unit: Unit, part: Part, states: States) -> PartAtRest:
    elements = part_elements(unit, part)
    ways = tuple(branch for element in elements for branch in mean_branches(element, states.all))
    told, looks = part_at_rest(unit, part, states.mean), [part_at_rest(unit, part, one) for one in states.looked_at]
    state = " and ".join(dict.fromkeys(one.state for one in looks))
    shares = [one.core_flux_share for one in looks if one.core_flux_share is not None]
    if part.bank is not None:
        state = unit.state_of(part)
    return PartAtRest(
        **{**vars(told), "state": state, "core_flux_share": max(shares, default=None)},
        designator=part.designator,
        kind=f"{part.kind} {part.device.polarity}".strip() if part.device is not None else part.kind,
        stage=part.stage,
        symbols=part_roles(part).symbols,
        branches=ways,
        temperature_c=temperature_of(unit, part),
        dissipation_w=sum(way.dissipation_w for way in ways),
        delivered_w=sum(way.delivered_w for way in ways),
        loadings=loadings_of(unit, part, states.looked_at),
    )


def loadings_of(unit: Unit, part: Part, looks: Sequence[Levels]) -> tuple[Loading, ...]:
    """Ratings of a part or of its device sheet with what is used of them at these instants: volts at their highest,
    power and current in the mean."""
    ratings = {**(part.device.ratings if part.device else {}), **part.ratings}
    found = [part_stress(unit, part, levels) for levels in looks]
    actual = {
        "power_rating": fmean(one.watt for one in found),
        "voltage_rating": max(one.volt for one in found),
        "current_rating": fmean(one.ampere for one in found),
    }
    return tuple(
        Loading(
            designator=part.designator,
            rating=key.removesuffix("_rating"),
            actual=actual[key],
            limit=limit,
            share=actual[key] / limit,
        )
        for key, limit in ratings.items()
    )

