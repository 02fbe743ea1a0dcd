"""Values of a unit that can be moved a little, one by one, to see what each does, under the names of a change."""

from collections.abc import Mapping
from math import isfinite

from fetsim.schematic.model import Part, UnitData
from fetsim.schematic.schema import MAIN_KEYS

DEVICE_FIGURES: Mapping[str, tuple[str, ...]] = {
    "jfet": ("i_dss", "v_gs_off", "pinch_off_voltage", "r_ds_on", "channel_slope", "gate_source_capacitance",
             "gate_drain_capacitance"),
    "bjt": ("current_gain", "saturation_current", "early_voltage", "base_emitter_capacitance",
            "base_collector_capacitance"),
    "mosfet": ("v_gs_th", "g_fs", "channel_slope", "gate_source_capacitance", "gate_drain_capacitance"),
    "diode": ("saturation_current", "ideality", "junction_capacitance"),
    "zener": ("zener_voltage", "dynamic_resistance", "junction_capacitance"),
    "opamp": ("gain_bandwidth", "slew_rate", "output_resistance", "supply_current", "offset_voltage",
              "input_bias_current"),
}  # fmt: skip
"""Figures of a device, where it has them; V_GS(off) goes before the V_P that follows from it."""
VALUES: Mapping[str, tuple[str, ...]] = {
    "transformer": ("ratio", "magnetising", "initial_inductance", "leakage", "primary_resistance",
                    "secondary_resistance", "winding_capacitance"),
    "winding": ("ratio", "resistance"),
}  # fmt: skip
"""Values of parts that have no main one."""


def movable(unit: UnitData) -> dict[str, float]:
    """Name -> value, in the order of the parts; what is zero or infinite cannot be moved by a share of itself."""
    found: dict[str, float] = {}
    for part in unit.parts.values():
        found |= movable_of(part)
    return found


def movable_of(part: Part) -> dict[str, float]:
    """The same of one part."""
    return {name: value for name, value in _numbers(part).items() if value != 0.0 and isfinite(value)}


def _numbers(part: Part) -> dict[str, float]:
    if part.device is not None:
        figures = part.device.figures
        keys = [key for key in DEVICE_FIGURES.get(part.kind, ()) if key in figures]
        if "v_gs_off" in keys:
            keys.remove("pinch_off_voltage")
        return {f"{part.designator}.{key}": figures[key] for key in keys}
    if part.kind in VALUES:
        return {f"{part.designator}.{key}": part.values[key] for key in VALUES[part.kind] if key in part.values}
    main = MAIN_KEYS.get(part.kind)
    return {part.designator: part.values[main]} if main is not None and main in part.values else {}
