"""The jig of ``library/units/jig.toml``, simulated: what its meter shows for a FET, and the figures that follow.

The currents that a jig reads hold at its drain voltage; the law has them without their rise with that. So the drain
voltage is one of the readings, and ``fet_changes`` takes the rise out again with the channel slope of the unit's sheet.
"""

from dataclasses import dataclass

from fetsim.engine.circuit import GROUND
from fetsim.errors import InputError
from fetsim.rig.rig import Rig
from fetsim.schematic.unit import Part, Unit
from fetsim.studies.drawer.fets import MeasuredFet

JIG = "jig"
FET, SENSE, LOAD, METER, BANK = "J1", "R1", "R2", "OUT", "reading"
"""Its parts: the FET, the resistor of the drain and that of the source, the meter, and the bank of the switch that
shorts the source's."""


@dataclass(frozen=True, kw_only=True)
class JigReading:
    """What the meter shows, without signs."""

    sense_v: float
    """Across the drain's resistor, with the source at ground,"""
    v_ds_v: float
    """the FET's drain voltage then,"""
    source_v: float
    """and across the source's resistor, with that in."""
    sense_ohm: float
    load_ohm: float
    """Of the source's resistor and the meter, side by side."""

    def fet(self, name: str, *, at_drain: bool = True) -> MeasuredFet:
        """The figures that follow, for an n-channel FET; ``at_drain``: with the drain voltage at which they hold."""
        return MeasuredFet(
            name=name, i_dss_a=self.sense_v / self.sense_ohm, v_gs_off_v=-self.source_v,
            v_gs_off_current_a=self.source_v / self.load_ohm, v_ds_v=self.v_ds_v if at_drain else None,
        )  # fmt: skip


def read_in_jig(jig: Unit) -> JigReading:
    """Read the FET that is in the jig. Raises ConvergenceError."""
    shorted, free = (Rig(jig.changed({BANK: state})) for state in ("all", "none"))
    sense, load = jig.parts[SENSE], jig.parts[LOAD]
    ohms = 1.0 / (1.0 / load.values["value"] + 1.0 / jig.parts[METER].values["load"])
    fet = jig.parts[FET]
    return JigReading(
        sense_v=abs(_across(shorted, sense.nodes["a"], sense.nodes["b"])),
        v_ds_v=abs(_across(shorted, fet.nodes["drain"], fet.nodes["source"])),
        source_v=abs(_across(free, load.nodes["a"], load.nodes["b"])),
        sense_ohm=sense.values["value"],
        load_ohm=ohms,
    )


def gain_fet(unit: Unit) -> Part:
    """The junction FET of the gain cell. Raises InputError for a unit that has none."""
    if unit.gain_cell is None:
        raise InputError(f"{unit.name}: has no [gain_cell], so there is no FET to put in")
    part = unit.parts[unit.gain_cell.fet]
    if part.kind != "jfet":
        raise InputError(f"{unit.name}: its gain cell is a {part.kind}; the drawer holds junction FETs")
    return part


def fet_changes(part: Part, fet: MeasuredFet) -> dict[str, float]:
    """What puts a FET into the place of ``part``, a junction FET, as changes."""
    assert part.device is not None
    figures, name = part.device.figures, part.designator
    slope = figures.get("channel_slope", 0.0)
    at_v = fet.v_ds_v or 0.0
    i_dss = fet.i_dss_a / (1.0 + slope * at_v)
    current = fet.v_gs_off_current_a / (1.0 + slope * max(at_v - abs(fet.v_gs_off_v), 0.0))
    changes = {f"{name}.i_dss": i_dss, f"{name}.v_gs_off": fet.v_gs_off_v, f"{name}.v_gs_off_current": current}
    if fet.r_ds_on_ohm is not None:
        changes[f"{name}.r_ds_on"] = fet.r_ds_on_ohm
    elif "r_ds_on" in figures:  # the sheet's own goes along as the channel's does, with V_P over I_DSS
        depth = abs(fet.v_gs_off_v / figures["pinch_off_voltage"])
        changes[f"{name}.r_ds_on"] = figures["r_ds_on"] * depth * figures["i_dss"] / i_dss
    return changes


def _across(rig: Rig, plus: str, minus: str) -> float:
    levels = {GROUND: 0.0, **{name: float(rig.bias[i]) for name, i in rig.system.index.items()}}
    return levels[plus] - levels[minus]
