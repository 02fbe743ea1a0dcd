"""What instruments show under a steady tone: level meter and scope at the output, control volts, needle, a meter at a
node."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from fetsim.audio.levels import rms_v_to_dbu
from fetsim.measurements.bench.bench import Played
from fetsim.measurements.needle.meter import Meter, meter_of
from fetsim.schematic.unit import Unit

KINDS = ("output", "swing", "control", "needle")
LEAST_V = 1e-7
"""A node whose signal is less has none: what rounding leaves."""


@dataclass(frozen=True, kw_only=True)
class Shown:
    """The instruments at one unit."""

    control: str | None
    """Node of the control voltage,"""
    meter: Meter | None
    """and the unit's own meter; None where nobody asks, or there is none."""
    probed: tuple[str, ...] = ()
    """Nodes at which a meter is held."""

    @classmethod
    def of(cls, unit: Unit, kinds: Collection[str] = KINDS, probed: Iterable[str] = ()) -> "Shown":
        """Those of ``KINDS`` that are asked for and that the unit has, and a meter at these nodes."""
        return cls(
            probed=tuple(dict.fromkeys(probed)),
            control=unit.gain_cell.control_node if unit.gain_cell is not None and "control" in kinds else None,
            meter=meter_of(unit) if "needle" in kinds else None,
        )

    @property
    def nodes(self) -> tuple[str, ...]:
        """To be recorded."""
        meter = () if self.meter is None else self.meter.recorded
        return tuple(dict.fromkeys((*filter(None, (self.control,)), *meter, *self.probed)))

    def readings(self, block: Played) -> Mapping[str, float]:
        """Kind -> what is shown over whole periods [dBu, V peak to peak, V, dB]."""
        found = {
            "output": float(rms_v_to_dbu(float(np.std(block.output_v)))), "swing": float(np.ptp(block.output_v)),
        }  # fmt: skip
        if self.control is not None:
            found["control"] = float(np.mean(block.nodes[self.control]))
        if self.meter is not None:
            found["needle"] = float(self.meter.reading_db(np.array(self.deflection(block))))
        return found

    def at_nodes(self, block: Played) -> Mapping[tuple[str, str], float]:
        """(``signal`` or ``mean``, node) -> what a meter there shows over whole periods [dBu, V]."""
        found = {}
        for node in self.probed:
            volts = block.nodes[node]
            found["signal", node] = float(rms_v_to_dbu(max(float(np.std(volts)), LEAST_V)))
            found["mean", node] = float(np.mean(volts))
        return found

    def deflection(self, block: Played) -> float:
        """Where the needle stands, as a share of full scale."""
        assert self.meter is not None
        return float(np.mean(self.meter.drive(block.nodes)))
