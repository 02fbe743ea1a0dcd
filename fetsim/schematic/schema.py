"""The keys of unit files and device sheets: of which kind of part, in which quantity, within which limits."""

from math import inf
from typing import Annotated, Any, Literal

from pydantic import Field, StrictBool

from fetsim.schematic.fields import (
    Ampere,
    Celsius,
    CurrentGain,
    Farad,
    Fraction,
    Henry,
    Ideality,
    Name,
    Node,
    Ohm,
    Positive,
    Rail,
    Spread,
    Table,
    Taper,
    Text,
    TwoNodes,
    Watt,
    Within,
)


class PartTable(Table):
    """Keys that every part has."""

    kind: str
    about: Text = ""
    source: Text = ""


class RatedTable(PartTable):
    """What a part can stand."""

    power_rating: Watt | None = None
    voltage_rating: Positive | None = None
    current_rating: Ampere | None = None


class ValuedTable(RatedTable):
    """A part with one main value that has a tolerance."""

    tolerance: Spread | None = None


class ResistorTable(ValuedTable):
    value: Ohm
    nodes: TwoNodes


class CapacitorTable(ValuedTable):
    value: Farad
    nodes: TwoNodes


class InductorTable(ValuedTable):
    value: Henry
    resistance: Ohm
    nodes: TwoNodes


class AnodeCathode(Table):
    anode: Node
    cathode: Node


class TransistorNodes(Table):
    collector: Node
    base: Node
    emitter: Node


class FetNodes(Table):
    drain: Node
    gate: Node
    source: Node


class TrackNodes(Table):
    top: Node
    wiper: Node
    bottom: Node


class WindingNodes(Table):
    primary: TwoNodes
    secondary: TwoNodes


class AmplifierNodes(Table):
    out: Node
    plus: Node
    minus: Node = "0"
    reference: Node = "0"


class DevicePartTable(PartTable):
    """A part with a device sheet; ``figures`` are those figures of the sheet that differ in this one part."""

    device: Text
    figures: dict[str, Any] = Field(default_factory=dict)


class DiodeTable(DevicePartTable):
    nodes: AnodeCathode


class JfetTable(DevicePartTable):
    nodes: FetNodes


class BjtTable(DevicePartTable):
    nodes: TransistorNodes


class TurningTable(ValuedTable):
    """What potentiometers and rheostats share: a control with its taper, or a fixed electrical fraction."""

    value: Ohm
    taper: Taper = "linear"
    control: Name | None = None
    direction: Literal["rising", "falling"] = "rising"
    fraction: Fraction | None = None


class PotentiometerTable(TurningTable):
    nodes: TrackNodes


class RheostatTable(TurningTable):
    nodes: TwoNodes


class TransformerTable(RatedTable):
    nodes: WindingNodes
    ratio: Annotated[float, Within("plain", 1e-3, 1e3)]
    primary_resistance: Ohm
    secondary_resistance: Ohm
    leakage: Henry
    magnetising: Henry
    saturation_flux: Annotated[float, Within("weber", 1e-6, 100.0)]
    winding_capacitance: Farad


class SupplyTable(ValuedTable):
    node: Node
    voltage: Rail
    resistance: Ohm


class InputTable(PartTable):
    nodes: TwoNodes
    source_resistance: Ohm
    balanced: StrictBool = False


class OutputTable(PartTable):
    nodes: TwoNodes
    load: Ohm


class SwitchTable(PartTable):
    bank: Name
    poles: Annotated[tuple[TwoNodes, ...], Field(min_length=1)]


class AmplifierTable(PartTable):
    nodes: AmplifierNodes
    gain: Annotated[float, Within("plain", -1e9, 1e9)]
    output_resistance: Ohm


class LimitTable(Table):
    """One line of a datasheet."""

    min: float | str | None = None
    typ: float | str | None = None
    max: float | str | None = None
    at: Text = ""


class SheetTable(Table):
    """Keys that every device sheet has."""

    kind: str
    about: Text = ""
    source: Text
    reference_temperature_c: Annotated[float, Within("plain", 0.0, 60.0)] = 26.85
    band_gap: Annotated[float, Within("electronvolt", 0.3, 5.0)] = 1.12
    power_rating: Watt | None = None
    voltage_rating: Positive | None = None
    current_rating: Ampere | None = None
    limits: dict[str, LimitTable] = Field(default_factory=dict)


class JfetSheet(SheetTable):
    polarity: Literal["n", "p"]
    i_dss: Ampere
    pinch_off_voltage: Annotated[float, Within("volt", -50.0, 50.0)]
    channel_slope: Annotated[float, Within("per_volt", 0.0, 1.0)] = 0.0
    gate_saturation_current: Ampere
    gate_ideality: Ideality = 1.0
    gate_source_capacitance: Farad
    gate_drain_capacitance: Farad


class BjtSheet(SheetTable):
    polarity: Literal["npn", "pnp"]
    saturation_current: Ampere
    current_gain: CurrentGain
    reverse_current_gain: CurrentGain
    early_voltage: Annotated[float, Within("volt", 1.0, 1e6)] = inf
    base_emitter_capacitance: Farad
    base_collector_capacitance: Farad


class DiodeSheet(SheetTable):
    saturation_current: Ampere
    ideality: Ideality
    junction_capacitance: Farad


class ZenerSheet(DiodeSheet):
    zener_voltage: Annotated[float, Within("volt", 0.5, 1000.0)]
    test_current: Annotated[float, Within("ampere", 1e-6, 10.0)]
    dynamic_resistance: Annotated[float, Within("ohm", 1e-2, 1e5)]
    temperature_coefficient: Annotated[float, Within("volt_per_kelvin", -1.0, 1.0)] = 0.0


class ControlTable(Table):
    about: Text = ""
    position: Fraction
    role: Literal["panel", "trim"] = "panel"


class BankTable(Table):
    about: Text = ""
    closed: tuple[Name, ...] = ()


class GainCellTable(Table):
    fet: Name
    control_node: Node


class StageTable(Table):
    about: Text = ""
    parts: dict[str, Any]


class UnitTable(Table):
    """The top of a unit file.

    Its tables of named things are read one by one, so that each mistake stays alone.
    """

    name: Text
    about: Text = ""
    source: Text = ""
    temperature_c: Celsius = 25.0
    full_scale_dbu: Annotated[float, Within("plain", -60.0, 60.0)] = 18.0
    gain_cell: GainCellTable | None = None
    controls: dict[str, Any] = Field(default_factory=dict)
    switches: dict[str, Any] = Field(default_factory=dict)
    probes: dict[Name, Node] = Field(default_factory=dict)
    stages: dict[str, Any]
    devices: dict[str, Any] = Field(default_factory=dict)


PARTS: dict[str, type[PartTable]] = {
    "resistor": ResistorTable,
    "capacitor": CapacitorTable,
    "inductor": InductorTable,
    "diode": DiodeTable,
    "zener": DiodeTable,
    "jfet": JfetTable,
    "bjt": BjtTable,
    "potentiometer": PotentiometerTable,
    "rheostat": RheostatTable,
    "transformer": TransformerTable,
    "supply": SupplyTable,
    "input": InputTable,
    "output": OutputTable,
    "switch": SwitchTable,
    "amplifier": AmplifierTable,
}

SHEETS: dict[str, type[SheetTable]] = {
    "jfet": JfetSheet,
    "bjt": BjtSheet,
    "diode": DiodeSheet,
    "zener": ZenerSheet,
}

LIMITS: dict[str, dict[str, str]] = {
    "jfet": {"i_dss": "ampere", "v_gs_off": "volt", "r_ds_on": "ohm", "g_fs": "siemens"},
    "bjt": {"current_gain": "plain"},
    "diode": {"forward_voltage": "volt", "reverse_current": "ampere"},
    "zener": {"zener_voltage": "volt", "dynamic_resistance": "ohm"},
}
"""Lines of a datasheet that a sheet may give as limits, with their quantity."""

UNIT_KEYS = ("name", "about", "temperature_c", "full_scale_dbu")
"""Settings of a whole unit."""

MAIN_KEYS = {
    "resistor": "value",
    "capacitor": "value",
    "inductor": "value",
    "potentiometer": "value",
    "rheostat": "value",
    "supply": "voltage",
    "output": "load",
    "amplifier": "gain",
    "diode": "device",
    "zener": "device",
    "jfet": "device",
    "bjt": "device",
}
"""The key that a bare designator stands for in a change; the other kinds have none."""

WIRING_KEYS = ("kind", "nodes", "node", "poles", "bank", "balanced")
"""Keys that a change cannot touch: they are the circuit's topology."""
