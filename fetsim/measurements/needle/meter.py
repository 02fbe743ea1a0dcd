"""A unit's own gain-reduction meter: from the current through its coil to what its scale says.

Its pointer follows the current with the ballistics that its part has (see ``ballistics``), between end stops that are
left out: it may be told beyond them. The scale runs straight from mark to mark, and ends at the outermost ones.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.engine.circuit import GROUND
from fetsim.measurements.traces.ballistics import VU_OVERSHOOT, VU_RISE_S, Needle, needle_for, needle_reading
from fetsim.schematic.model import CHANNELS, channel_of
from fetsim.schematic.unit import Part, Unit


@dataclass(frozen=True, kw_only=True)
class Meter:
    """A meter with a scale in dB."""

    part: str
    """Its designator."""
    nodes: tuple[str, str]
    full_scale_v: float
    """Across the coil, at the end of the scale."""
    rise_s: float
    overshoot: float
    marks: tuple[tuple[float, float], ...]
    """Gain reduction in dB, rising, and the share of full scale at which it stands."""

    @classmethod
    def of(cls, part: Part) -> "Meter":
        """The meter of a part."""
        return cls(
            part=part.designator,
            nodes=(part.nodes["plus"], part.nodes["minus"]),
            full_scale_v=part.values["resistance"] * part.values["full_scale_current"],
            rise_s=part.values.get("rise_time", VU_RISE_S),
            overshoot=part.values.get("overshoot", VU_OVERSHOOT),
            marks=part.marks,
        )

    @property
    def needle(self) -> Needle:
        """How its pointer moves."""
        return needle_for(overshoot=self.overshoot, rise_s=self.rise_s)

    @property
    def recorded(self) -> tuple[str, ...]:
        """Nodes to record, ground left out."""
        return tuple(node for node in self.nodes if node != GROUND)

    def drive(self, levels: Mapping[str, Array]) -> Array:
        """Current over the full-scale current, out of recorded nodes [shape of each level]."""
        plus, minus = self.nodes
        return (levels[plus] - levels[minus]) / self.full_scale_v

    def deflection(self, drive: Array, rate_hz: float) -> Array:
        """Where the pointer stands, as a share of full scale, from rest at the first value [shape=(n,)]."""
        return needle_reading(drive, rate_hz=rate_hz, needle=self.needle)

    def reading_db(self, deflection: Array) -> Array:
        """What the scale says there [dB; shape of the deflection]; beyond the outermost marks, theirs."""
        decibels, shares = np.array(sorted(self.marks, key=lambda mark: mark[1])).T
        return np.interp(deflection, shares, decibels)

    def place(self, reading_db: float) -> float:
        """Where a gain reduction stands on the scale, as a share of full scale; one beyond the marks, at the last."""
        decibels, shares = np.array(self.marks).T
        return float(np.interp(reading_db, decibels, shares))


def meter_of(unit: Unit) -> Meter | None:
    """The first meter of a unit that has marks in dB, of a pair the first that is not the other channel's; None for a
    unit without one."""
    channels = ("", unit.channel) if unit.channel else ("", *CHANNELS)
    marked = (part for part in unit.parts.values() if part.marks)
    return next((Meter.of(part) for part in marked if channel_of(part.designator) in channels), None)
