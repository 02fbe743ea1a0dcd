"""The unit with its control node held still: sidechain without effect, gain reduction chosen.

What is held, exactly: the node of the control voltage stands at one voltage, whatever the rectifier or the
release do, as if the timing capacitor had become ``HOLD_FACTOR`` times larger and been charged to that
voltage; on a real bench a supply of low impedance does it. Every other part stays as it is and the rest of
the unit is at rest with that voltage. So the loop is open: a signal passes the divider at one channel
conductance, as it does in use for everything that the timing capacitor smooths out. The held circuit has the
unit's own topology, so that the same generated solver plays it in time.

The gain reduction of a held unit is the fall of its small-signal gain at the output, at 1 kHz, from the gain
at rest.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.optimize import brentq

from fetsim.engine.assembly import System
from fetsim.engine.circuit import GROUND, Circuit, Element
from fetsim.engine.linear import Linearised
from fetsim.errors import InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.rig.rig import Rig
from fetsim.schematic.unit import GainCell, Unit

CAPACITORS = ("capacitor", "ceramic")
HOLD_FACTOR = 1e9  # of the timing capacitor: 0.15 uF becomes 150 F, which 1 mA moves by 7 uV in a second
PIN_S = 1e3  # conductance that ties the control node to its voltage while the state at rest is solved
LEAST_COUPLING = 1e-3  # volts of gate per volt of control; less does not control anything
SHALLOWEST_DB = 1e-3  # a smaller gain reduction is none
CONTROL_TOLERANCE_V = 1e-9


@dataclass(frozen=True)
class HeldRig(Rig):
    """A unit whose control node stands still; ``near`` is a rig of the same unit."""

    control_v: float = 0.0

    @cached_property
    def circuit(self) -> Circuit:
        node = _gain_cell(self.unit).control_node
        return _with_large_capacitor(self.wired, node, self.unit.name)

    @cached_property
    def resting(self) -> System:
        row = self.system.index[_gain_cell(self.unit).control_node]
        g, b = self.system.g.copy(), self.system.b.copy()
        g[row, row] += PIN_S
        b[row] += PIN_S * self.control_v
        return replace(self.system, g=g, b=b)

    @property
    def held_v(self) -> dict[str, float]:
        return {_gain_cell(self.unit).control_node: self.control_v}


@dataclass(frozen=True)
class HeldBench(Bench):
    """A bench whose control node stands still; its runs count gain reduction from this state."""

    control_v: float = 0.0

    @cached_property
    def rig(self) -> Rig:
        return HeldRig(
            self.unit, self.quality, control_v=self.control_v, near=self.near, signals=self.signals, on_s=self.on_s
        )


def linear_at_rest(bench: Bench) -> Linearised:
    """The circuit of a bench, or of a held one, linearised at its own state."""
    return bench.rig.linear


def held_at_rest(bench: Bench) -> Bench:
    """The bench with its control node held where it rests; a unit without a gain cell as it is.

    Raises InputError when nothing can hold the node.
    """
    return bench if bench.unit.gain_cell is None else _held(bench, _control_v(bench))


def hold(bench: Bench, reduction_db: float, *, or_deepest: bool = False) -> Bench:
    """The bench held at a gain reduction [dB at 1 kHz, positive]; the bench itself for 0.

    The channel is closed at most as far as a gate at source potential closes it; ``or_deepest`` takes that for all that
    lies beyond. Raises InputError for a unit without a gain cell, a negative figure, or more than can be reached (and
    says how much can).
    """
    if not (np.isfinite(reduction_db) and reduction_db >= 0.0):
        raise InputError(f"gain reduction: is {reduction_db:g} dB; give a number of at least 0 (at rest)")
    if reduction_db < SHALLOWEST_DB:
        return bench
    cell = _gain_cell(bench.unit)
    rest_v, rest_db = _control_v(bench), bench.rig.idle_gain_db()
    full_v = _fully_on_v(bench)
    tried = [_held(bench, rest_v)]

    def missing_db(control_v: float) -> float:
        tried.append(_held(bench, control_v, near=tried[-1].rig))
        return rest_db - tried[-1].rig.idle_gain_db() - reduction_db

    missing = missing_db(full_v)
    if missing < 0.0 and or_deepest:
        return tried[-1]
    if missing < 0.0:
        raise InputError(
            f"gain reduction: {bench.unit.name} cannot reach {reduction_db:g} dB; it has at most "
            f"{reduction_db + missing:.2f} dB, with the gate of {cell.fet} at source potential"
        )
    found_v = float(brentq(missing_db, rest_v, full_v, xtol=CONTROL_TOLERANCE_V))
    return _held(bench, found_v, near=tried[-1].rig)


def hold_at(bench: Bench, control_v: float) -> Bench:
    """The bench with its control node held at a voltage; a unit without a gain cell as it is."""
    return bench if bench.unit.gain_cell is None else _held(bench, control_v)


def state_in_words(reduction_db: float) -> str:
    """What ``hold`` of this gain reduction is called."""
    return "at rest" if reduction_db < SHALLOWEST_DB else f"held at {reduction_db:g} dB"


def _gain_cell(unit: Unit) -> GainCell:
    if unit.gain_cell is None:
        raise InputError(f"{unit.name}: has no [gain_cell], so there is no gain reduction to hold")
    return unit.gain_cell


def _held(bench: Bench, control_v: float, near: Rig | None = None) -> HeldBench:
    near = bench.rig if near is None else near
    return HeldBench(bench.unit, bench.quality, control_v, near=near, signals=bench.signals, on_s=bench.on_s)


def _control_v(bench: Bench) -> float:
    return float(bench.bias[bench.system.index[_gain_cell(bench.unit).control_node]])


def _fully_on_v(bench: Bench) -> float:
    """Control voltage that brings the gate to its source; the way from one to the other is linear at rest."""
    cell, rest_v = _gain_cell(bench.unit), _control_v(bench)
    at_rest = _gate_source_v(bench)
    coupling = _gate_source_v(_held(bench, rest_v + 1.0)) - at_rest
    if abs(coupling) < LEAST_COUPLING:
        raise InputError(
            f"{bench.unit.name}: node {cell.control_node} does not move the gate of {cell.fet}; check "
            "control_node in [gain_cell]"
        )
    return rest_v - at_rest / coupling


def _gate_source_v(bench: Bench) -> float:
    fet = bench.circuit.element(_gain_cell(bench.unit).fet)
    _, gate, source = (0.0 if n == GROUND else float(bench.bias[bench.system.index[n]]) for n in fet.nodes)
    return gate - source


def _with_large_capacitor(circuit: Circuit, node: str, unit: str) -> Circuit:
    """The capacitor from the node to ground becomes a large one; failing that, the one to any other node.

    A capacitor to another node holds the control as still as that node stands.
    """
    parts = {e.designator for e in circuit.elements if node in e.nodes}
    at_node = [e for e in circuit.elements if e.kind in CAPACITORS and e.designator in parts]
    if not at_node:
        raise InputError(
            f"{unit}: there is no capacitor at the control node {node}, so its voltage cannot be held; name the node "
            "at the timing capacitor as control_node in [gain_cell]"
        )
    largest = max(at_node, key=lambda e: (GROUND in e.nodes, e.values["capacitance_f"]))
    return replace(circuit, elements=tuple(_enlarged(e) if e is largest else e for e in circuit.elements))


def _enlarged(capacitor: Element) -> Element:
    return replace(
        capacitor, values={**capacitor.values, "capacitance_f": capacitor.values["capacitance_f"] * HOLD_FACTOR}
    )
