"""The keys of each kind of part in a unit file: what they mean, in which quantity, within which limits."""

from typing import Annotated, Any, ClassVar

from pydantic import Field, StrictBool

from fetsim.engine.circuit import PROGRAM
from fetsim.schematic.fields import (
    Farad,
    Form,
    Henry,
    Name,
    Node,
    Ohm,
    Rail,
    SmallHenry,
    Table,
    Text,
    TwoNodes,
    Within,
)
from fetsim.schematic.panel_tables import MeterTable, PotentiometerTable, RheostatTable, SelectorTable, SwitchTable
from fetsim.schematic.passive_tables import (
    CapacitorTable,
    CoreTable,
    HeatedTable,
    InductorTable,
    PartTable,
    RatedTable,
    ResistorTable,
    ValuedTable,
)
from fetsim.schematic.sheet_tables import (
    BjtSheet,
    DiodeSheet,
    JfetSheet,
    MosfetSheet,
    OpampSheet,
    SheetTable,
    ZenerSheet,
)


class AnodeCathode(Table):
    anode: Node = Field(description="where forward current enters")
    cathode: Node = Field(description="where forward current leaves")


class TransistorNodes(Table):
    collector: Node = Field(description="collector")
    base: Node = Field(description="base")
    emitter: Node = Field(description="emitter")


class FetNodes(Table):
    drain: Node = Field(description="one end of the channel")
    gate: Node = Field(description="gate")
    source: Node = Field(description="the other end of the channel")


class WindingNodes(Table):
    primary: TwoNodes = Field(description="ends of the primary, start of the winding first")
    secondary: TwoNodes = Field(description="ends of the secondary, start of the winding first")


class AmplifierNodes(Table):
    out: Node = Field(description="output")
    plus: Node = Field(description="input that is amplified")
    minus: Node = Field(default="0", description="input that is subtracted")
    reference: Node = Field(default="0", description="node that the output voltage is counted from")


class OpampNodes(Table):
    out: Node = Field(description="output")
    plus: Node = Field(description="input that does not invert")
    minus: Node = Field(description="input that inverts")
    positive: Node = Field(description="positive rail")
    negative: Node = Field(description="negative rail, or ground")


class DevicePartTable(HeatedTable):
    """A part with a device sheet; ``figures`` are those figures of the sheet that differ in this one part."""

    main = "device"
    sheet: ClassVar[type[SheetTable]]

    device: Text = Field(description="name of its device sheet, in the library or in [devices]")
    figures: Annotated[dict[str, Any], Form("a table of figures of the sheet, as { ideality = 1.8 }")] = Field(
        default_factory=dict, description="figures of the sheet that differ in this one part"
    )


class DiodeTable(DevicePartTable):
    """A junction diode."""

    example = 'D1 = { kind = "diode", device = "1N4148", nodes = { anode = "a", cathode = "b" } }'
    sheet = DiodeSheet

    nodes: AnodeCathode


class ZenerTable(DevicePartTable):
    """A zener diode: a junction that breaks down at a voltage."""

    example = 'D2 = { kind = "zener", device = "BZX79-C12", nodes = { anode = "0", cathode = "a" } }'
    sheet = ZenerSheet

    nodes: AnodeCathode


class JfetTable(DevicePartTable):
    """A junction FET, n- or p-channel by its sheet."""

    example = 'J1 = { kind = "jfet", device = "J112", nodes = { drain = "a", gate = "b", source = "0" } }'
    sheet = JfetSheet

    nodes: FetNodes


class BjtTable(DevicePartTable):
    """A bipolar transistor, npn or pnp by its sheet."""

    example = 'Q1 = { kind = "bjt", device = "2N3904", nodes = { collector = "a", base = "b", emitter = "c" } }'
    sheet = BjtSheet

    nodes: TransistorNodes


class MosfetTable(DevicePartTable):
    """A MOSFET, n- or p-channel by its sheet, its body joined to the source."""

    example = 'M1 = { kind = "mosfet", device = "2N7000", nodes = { drain = "a", gate = "b", source = "0" } }'
    sheet = MosfetSheet

    nodes: FetNodes


class OpampTable(DevicePartTable):
    """An operational amplifier between two rails, with gain-bandwidth, slew rate, swing and current limit."""

    example = (
        'U1 = { kind = "opamp", device = "TL072", '
        'nodes = { out = "a", plus = "b", minus = "c", positive = "vp", negative = "vn" } }'
    )
    sheet = OpampSheet

    nodes: OpampNodes


class TransformerTable(CoreTable):
    """A transformer with the resistance, leakage, capacitance and saturation of its windings and core."""

    nominal = "magnetising"

    example = (
        'T1 = { kind = "transformer", ratio = 2.5, primary_resistance = "40", secondary_resistance = "12", '
        'leakage = "2mH", magnetising = "20H", saturation_flux = "60mVs", winding_capacitance = "150p", '
        'nodes = { primary = ["a", "0"], secondary = ["b", "0"] } }'
    )

    nodes: WindingNodes
    ratio: Annotated[float, Within("plain", 1e-3, 1e3)] = Field(description="turns of the primary over the secondary's")
    primary_resistance: Ohm = Field(description="resistance of the primary")
    secondary_resistance: Ohm = Field(description="resistance of the secondary")
    leakage: SmallHenry = Field(description="leakage inductance, all of it on the primary's side")
    magnetising: Henry = Field(
        description="inductance of the primary with the secondary open; of a core with hysteresis, at the nominal level"
    )
    saturation_flux: Annotated[float, Within("weber", 1e-6, 100.0)] = Field(
        description="flux linkage of the primary at which the core gives way"
    )
    winding_capacitance: Farad = Field(description="capacitance across the primary")
    secondary_capacitance_ratio: Annotated[float, Within("plain", 0.0, 1e3)] = Field(
        default=0.2, description="capacitance across the secondary over the primary's (the default is a guess)"
    )


class WindingTable(RatedTable):
    """Another winding on the core of a transformer; a centre tap is the node at which two windings meet."""

    example = 'W1 = { kind = "winding", transformer = "T1", ratio = 5, resistance = "8", nodes = ["a", "0"] }'

    nodes: TwoNodes = Field(description="its ends, the first in phase with the first of the primary")
    transformer: Name = Field(description="the transformer on whose core it is")
    ratio: Annotated[float, Within("plain", 1e-3, 1e3)] = Field(
        description="turns of the transformer's primary over this winding's"
    )
    resistance: Ohm = Field(description="its resistance")
    leakage: Henry | None = Field(default=None, description="leakage inductance of its own; left out: none")


class SupplyTable(ValuedTable):
    """A rail: a voltage against ground behind a resistance."""

    example = 'V1 = { kind = "supply", voltage = "15V", resistance = "1", node = "a" }'
    main = "voltage"

    node: Node = Field(description="the rail")
    voltage: Rail = Field(description="voltage without load")
    resistance: Ohm = Field(description="source resistance")


class MainsTable(ValuedTable):
    """The mains, or a mains transformer's secondary as a source: a sine behind a resistance, on for ever."""

    example = 'V90 = { kind = "mains", voltage = "230V", frequency = "50Hz", resistance = "1", nodes = ["a", "0"] }'
    main = "voltage"

    nodes: TwoNodes = Field(description="line and neutral")
    voltage: Annotated[float, Within("volt", 0.1, 500.0, "give rms volts")] = Field(
        description="rms volts without load"
    )
    frequency: Annotated[float, Within("hertz", 10.0, 1000.0)] = Field(
        description="its frequency, the same for all mains of a unit"
    )
    resistance: Ohm = Field(description="source resistance")
    phase: Annotated[float, Within("plain", -360.0, 360.0)] = Field(
        default=0.0, description="phase in degrees of the sine as a run begins"
    )


class InputTable(PartTable):
    """An input: where a source is connected. A unit has one for the program, others bear names."""

    example = 'IN = { kind = "input", nodes = ["a", "b"], source_resistance = "50", balanced = true }'
    ends = ("hot", "cold")

    nodes: TwoNodes = Field(description="hot and cold")
    source_resistance: Ohm = Field(description="output resistance of what drives the unit, both legs together")
    balanced: StrictBool = Field(default=False, description="whether both legs are driven, one against the other")
    input: Name = Field(
        default=PROGRAM,
        description="what drives it: the program, which is the sound that is played, or a name of its own, as key, for "
        "what is fed beside it; without anything fed it is silent",
    )


class OutputTable(PartTable):
    """The output with its load. A unit has one."""

    example = 'OUT = { kind = "output", nodes = ["a", "0"], load = "600" }'
    main = "load"
    ends = ("hot", "cold")

    nodes: TwoNodes = Field(description="hot and cold")
    load: Ohm = Field(description="resistance of what the unit drives")


class AmplifierTable(PartTable):
    """An ideal amplifier of finite gain behind an output resistance; no limits, no pole."""

    example = 'A1 = { kind = "amplifier", gain = 25, output_resistance = "75", nodes = { out = "a", plus = "b" } }'
    main = "gain"

    nodes: AmplifierNodes
    gain: Annotated[float, Within("plain", -1e9, 1e9)] = Field(description="output voltage over plus less minus")
    output_resistance: Ohm = Field(description="in series with the output")


PARTS: dict[str, type[PartTable]] = {
    "resistor": ResistorTable,
    "capacitor": CapacitorTable,
    "inductor": InductorTable,
    "diode": DiodeTable,
    "zener": ZenerTable,
    "jfet": JfetTable,
    "bjt": BjtTable,
    "mosfet": MosfetTable,
    "opamp": OpampTable,
    "potentiometer": PotentiometerTable,
    "rheostat": RheostatTable,
    "transformer": TransformerTable,
    "winding": WindingTable,
    "supply": SupplyTable,
    "mains": MainsTable,
    "input": InputTable,
    "output": OutputTable,
    "switch": SwitchTable,
    "selector": SelectorTable,
    "meter": MeterTable,
    "amplifier": AmplifierTable,
}
"""Every kind of part, with its keys."""

SHEETS = {kind: table.sheet for kind, table in PARTS.items() if issubclass(table, DevicePartTable)}
"""Those with a device sheet."""

LIMITS = {kind: sheet.lines for kind, sheet in SHEETS.items()}

MAIN_KEYS = {kind: table.main for kind, table in PARTS.items() if table.main}

WIRING_KEYS = (
    "kind", "nodes", "node", "poles", "positions", "bank", "transformer", "balanced", "input", "absorption_branches",
    "marks", "steps",
)  # fmt: skip
"""Keys that a change cannot touch: they are the circuit's topology."""
