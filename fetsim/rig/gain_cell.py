"""Gain reduction as the FET makes it: from its channel conductance, not from a level meter.

The channel's chord conductance I_D / V_DS shunts the divider. Seen from the FET's drain and source, with the
channel taken out, the rest of the unit is an impedance Z (series resistor, transformer, preamp input ...),
taken from the circuit linearised at its bias point at 1 kHz. Then

    loss = 20 lg |1 + Z g|,   gain reduction = 20 lg |1 + Z g| - 20 lg |1 + Z g_idle|   [dB].

The loss is against the FET taken out, the gain reduction against the unit at rest. The two are nearly one where the FET
is pinched off at rest (0.03 dB apart in the Dunlin: the channel's tail). Where it is not, the unit loses level at all
times, and no gain reduction shows it.

Approximation: Z is held at its idle value at 1 kHz. On the Dunlin it agrees with the drop of the
fundamental at the output within 0.01 dB at 1 kHz, from 2 to 18 dB of gain reduction.
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from fetsim.devices.kind import Channel
from fetsim.devices.kinds import KINDS
from fetsim.devices.law import Number
from fetsim.engine.assembly import Array, System
from fetsim.engine.circuit import GROUND, Circuit, Element
from fetsim.engine.linear import Linearised, driving_impedance_ohm, linearise
from fetsim.errors import InputError
from fetsim.schematic.unit import GainCell

REFERENCE_HZ = 1000.0
DB_PER_NEPER = 20.0 / np.log(10.0)

CONDUCTS_DB = 0.5
"""A FET that takes more than this at rest conducts there: as much as makes a threshold (see the glossary)."""
DEEP_SHARE = 0.5
"""Of the FET's travel from pinched off to fully on, |V_P|: further beyond pinch-off than this is far. There the
threshold of the teaching loop is 1.2 dB above that of a gate at pinch-off (measured), and the control has half a
travel to go at every onset before anything happens. Own choice."""

Volts = Array | float
Reference = Literal["idle", "open"]
"""What gain reduction is counted from: the unit at rest, or the FET taken out (open)."""


def reference_named(name: str) -> Reference:
    """Raises InputError for a name that is none."""
    if name == "idle":
        return "idle"
    if name == "open":
        return "open"
    choices = "choose idle (the unit at rest) or open (the FET out)"
    raise InputError(f"against: unknown reference {str(name)[:20]!r}; {choices}")


def power_loss(conductance_s: Number, twice_resistance_ohm: float, square_ohm2: float) -> Number:
    """|1 + Z g|^2, of twice the real part of Z and its squared magnitude."""
    # written out: real arithmetic is ten times faster than complex on long arrays
    return 1.0 + conductance_s * (twice_resistance_ohm + square_ohm2 * conductance_s)


@dataclass(frozen=True, kw_only=True)
class GainCellModel:
    """What is needed to turn the FET's terminal voltages into gain reduction."""

    nodes: tuple[str, str, str]
    """Nodes of drain, gate, source."""
    channel: Channel
    """The law of its channel, as its kind in ``devices`` knows it."""
    sign: float
    """+1 for an n-channel, -1 for a p-channel FET."""
    control_sign: float
    """+1 where a rising control voltage opens the channel, -1 where a falling one does; ``sign``, unless something
    between control and gate inverts."""
    impedance_ohm: complex
    idle_conductance_s: float

    def conductance_s(self, drain_v: Volts, gate_v: Volts, source_v: Volts = 0.0) -> Array:
        """Chord conductance of the channel [S]."""
        v_gs, v_gd = self.sign * (gate_v - source_v), self.sign * (gate_v - drain_v)
        return np.asarray(self.channel.chord_s(v_gs, v_gd, drain_v - source_v))

    def reduction_db(self, conductance_s: Array, reference: Reference = "idle") -> Array:
        """Gain reduction [dB; shape of the conductance], positive when the gain is lower than at ``reference``."""
        return self.below_db(np.log(power_loss(conductance_s, *self.impedance)), reference)

    @property
    def impedance(self) -> tuple[float, float]:
        """As ``power_loss`` takes it."""
        return 2.0 * self.impedance_ohm.real, abs(self.impedance_ohm) ** 2

    def below_db(self, log_power_loss: Array, reference: Reference = "idle") -> Array:
        """Gain reduction [dB; any shape] out of the natural logarithm, which takes half the time of lg."""
        idle = self.idle_conductance_s if reference == "idle" else 0.0
        at_reference = np.log(abs(1.0 + self.impedance_ohm * idle))
        return np.asarray(DB_PER_NEPER * (0.5 * log_power_loss - at_reference))


@dataclass(frozen=True, kw_only=True)
class CellAtRest:
    """How the gain cell stands with no signal."""

    fet: str
    loss_db: float
    """What the channel takes, against the FET taken out; next to nothing when it is pinched off."""
    above_pinch_off_v: float
    """Gate against the nearer end of the channel, less the pinch-off voltage, positive towards conduction for either
    polarity: above 0 the channel conducts, below it is pinched off by so much and only its tail conducts."""
    travel_v: float
    """From pinched off to fully on, |V_P|."""

    @property
    def conducts(self) -> bool:
        """Whether it takes enough to be told: more than 0.5 dB."""
        return self.loss_db > CONDUCTS_DB

    @property
    def deep(self) -> bool:
        """Whether it rests so far beyond pinch-off that compression sets in late."""
        return -self.above_pinch_off_v > DEEP_SHARE * self.travel_v

    @property
    def told(self) -> str:
        """What it takes and how far from pinch-off it stands, in a clause."""
        return f"{self.fet} takes {self.loss_db:.2f} dB, its gate {self._gate}"

    @property
    def _gate(self) -> str:
        side = "short of" if self.above_pinch_off_v > 0.0 else "beyond"
        return f"{abs(self.above_pinch_off_v):.3g} V {side} pinch-off"

    @property
    def warning(self) -> str:
        """One sentence where it matters, else empty."""
        if self.conducts:
            takes = f"it takes {self.loss_db:.2f} dB from every level"
            return f"{self.fet} conducts at rest: {takes}, its gate {self._gate}"
        if self.deep:
            return (
                f"{self.fet} rests {-self.above_pinch_off_v:.3g} V beyond pinch-off, more than half of its travel of "
                f"{self.travel_v:.3g} V; compression sets in late"
            )
        return ""


def gain_cell_model(
    circuit: Circuit, system: System, bias: Array, cell: GainCell, linear: Linearised | None = None
) -> GainCellModel:
    """Set up a gain cell of a circuit at its bias point; ``linear`` are its small signals there, where they are
    known."""
    element: Element = circuit.element(cell.fet)
    drain, gate, source = element.nodes
    kind = KINDS[element.kind]
    assert kind.channel is not None  # the reader of the unit asks for a FET
    sign = -1.0 if kind.mirrored else 1.0
    model = GainCellModel(
        nodes=(drain, gate, source),
        channel=kind.channel(element.values),
        sign=sign,
        control_sign=-sign if _inverts(linear or linearise(system, bias), cell.control_node, gate, source) else sign,
        impedance_ohm=driving_impedance_ohm(system, bias, drain, source, REFERENCE_HZ, without=cell.fet),
        idle_conductance_s=0.0,
    )
    idle = model.conductance_s(*(np.array([level]) for level in _terminals_v(model, system, bias)))
    return replace(model, idle_conductance_s=float(idle[0]))


def _inverts(linear: Linearised, control: str, gate: str, source: str) -> bool:
    """Whether the gate falls against the source where a little current lifts the control, at rest."""
    current = np.zeros(len(linear.c))
    current[linear.index[control]] = 1.0
    moved = {GROUND: 0.0, **dict(zip(linear.index, np.real(linear.solve(0.0, current)), strict=True))}
    return bool((moved[gate] - moved[source]) * moved[control] < 0.0)


def cell_at_rest(model: GainCellModel, system: System, bias: Array, fet: str) -> CellAtRest:
    """How the gain cell stands at the bias point."""
    drain_v, gate_v, source_v = _terminals_v(model, system, bias)
    nearer_v = max(model.sign * (gate_v - end_v) for end_v in (source_v, drain_v))
    loss_db = float(model.reduction_db(np.array(model.idle_conductance_s), "open"))
    pinch_off_v = model.channel.pinch_off_v
    return CellAtRest(fet=fet, loss_db=loss_db, above_pinch_off_v=nearer_v - pinch_off_v, travel_v=abs(pinch_off_v))


def _terminals_v(model: GainCellModel, system: System, state: Array) -> tuple[float, float, float]:
    drain_v, gate_v, source_v = (0.0 if n == GROUND else float(state[system.index[n]]) for n in model.nodes)
    return drain_v, gate_v, source_v
