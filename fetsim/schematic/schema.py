"""The keys of a unit file: those of the unit itself here, those of parts and of device sheets in files of their own."""

from typing import Annotated, Any, Literal

from pydantic import Field

from fetsim.schematic.alignment import StepTable
from fetsim.schematic.fields import Celsius, Form, Fraction, Name, Node, Ohm, Rail, Table, Text, TwoNodes, Within
from fetsim.schematic.part_tables import LIMITS, MAIN_KEYS, PARTS, SHEETS, WIRING_KEYS
from fetsim.schematic.passive_tables import CoreTable, HeatedTable, ResistiveTable, ValuedTable
from fetsim.schematic.sheet_tables import SheetTable

__all__ = [
    "LIMITS", "MAIN_KEYS", "PARTS", "SHEETS", "UNIT_KEYS", "WIRING_KEYS", "AlteredTable", "BankTable", "BasedTable",
    "ChannelTable", "ControlTable", "CoreTable", "GainCellTable", "HeatedTable", "MatchedTable", "PairTable",
    "PairedTable", "ResistiveTable", "SheetTable", "StageTable", "StepTable", "UnitTable", "ValuedTable",
]  # fmt: skip


class ControlTable(Table):
    """A knob or trimmer, [controls]."""

    about: Text = Field(default="", description="what it does")
    position: Fraction = Field(description="0 fully counter-clockwise to 1 fully clockwise")
    role: Literal["panel", "trim"] = Field(default="panel", description="on the panel, or a trimmer inside")


class BankTable(Table):
    """Switches that belong together, [switches]; any subset may be closed."""

    about: Text = Field(default="", description="what they do")
    closed: Annotated[tuple[Name, ...], Form('a list of switches, as ["S1", "S3"]')] = Field(
        default=(), description="those that are closed"
    )


class MatchedTable(Table):
    """Parts that were matched to each other, [matched]; all of one kind, and each in one group at the most."""

    parts: Annotated[tuple[Name, ...], Field(min_length=2), Form('a list of parts, as ["R55", "R56"]')] = Field(
        description="their designators; fetsim spread draws for all of them the same way off their values"
    )
    within: Annotated[float, Within("share", 0.0, 0.5)] = Field(
        default=0.0, description="how far each may lie from what they have in common"
    )


class GainCellTable(Table):
    """Where the gain reduction happens, [gain_cell]."""

    fet: Name = Field(description="the JFET that does it")
    control_node: Node = Field(description="node of the control voltage, the one at the timing capacitor")
    tap_node: Node | None = Field(
        default=None,
        description="node from which the sidechain is fed; left out: the output of the stage behind the FET's",
    )
    rectifier_nodes: Annotated[tuple[Node, ...], Form('a list of nodes, as ["a", "b"]')] = Field(
        default=(),
        description="driven sides of the rectifier; left out: found by walking back from the control node to the first "
        "diodes or emitters",
    )


class ChannelTable(Table):
    """One channel of a pair, [channels.left] or [channels.right]; its parts, nodes and controls bear its name in
    front."""

    gain_cell: GainCellTable | None = Field(default=None, description="where its gain reduction happens")


class ChannelsTable(Table):
    """Two channels in one unit, [channels]."""

    left: ChannelTable = Field(description="the first one; what belongs to it is named left_R1, left_ctl ...")
    right: ChannelTable = Field(description="the second one; what belongs to it is named right_R1, right_ctl ...")


class StageTable(Table):
    """A named group of parts, [stages.NAME]; stages meet by sharing nodes."""

    about: Text = Field(default="", description="what the stage does")
    output_node: Node | None = Field(
        default=None, description="node at which its output is measured; left out: the one shared with the next stage"
    )
    parts: Annotated[dict[str, Any], Form("a table of parts")] = Field(description="designator -> part")


class UnitTable(Table):
    """The top of a unit file.

    Its tables of named things are read one by one, so that each mistake stays alone.
    """

    name: Text = Field(description="what the unit is called")
    about: Text = Field(default="", description="what the unit is")
    source: Text = Field(default="", description="where its values come from")
    temperature_c: Celsius = Field(
        default=25.0, description="temperature in degrees Celsius of all parts that have none of their own"
    )
    full_scale_dbu: Annotated[float, Within("plain", -60.0, 60.0)] = Field(
        default=18.0, description="level in dBu at input and output that 0 dBFS in a file stands for"
    )
    gain_cell: GainCellTable | None = Field(default=None, description="where the gain reduction happens")
    channels: ChannelsTable | None = Field(
        default=None, description="of a unit with two channels; a file that pairs two units has them by itself"
    )
    joined: Annotated[tuple[TwoNodes, ...], Form('pairs of nodes, as [["left_ctl", "right_ctl"]]')] = Field(
        default=(), description="nodes of both channels that are joined straight"
    )
    bridges: Annotated[dict[str, Ohm], Form('a table, as { "q1b-q1c" = "100" }')] = Field(
        default_factory=dict, description="faults between two nodes, a hyphen between them: their resistance"
    )
    controls: Annotated[dict[str, Any], Form("a table of controls")] = Field(
        default_factory=dict, description="name -> control"
    )
    switches: Annotated[dict[str, Any], Form("a table of banks")] = Field(
        default_factory=dict, description="name -> bank of switches"
    )
    matched: Annotated[dict[str, Any], Form("a table of groups")] = Field(
        default_factory=dict, description="name -> parts that were matched to each other"
    )
    probes: Annotated[dict[Name, Node], Form('a table of nodes, as { divider = "dr" }')] = Field(
        default_factory=dict, description="names for nodes worth watching"
    )
    rails: Annotated[dict[Node, Rail], Form('a table of nodes and volts, as { vp = "15V" }')] = Field(
        default_factory=dict,
        description="rails that mains feed, each with about the voltage that it is meant to stand at; one that comes "
        "to less than half of it is a mistake in the supply",
    )
    stages: Annotated[dict[str, Any], Form("a table of stages")] = Field(description="name -> stage with its parts")
    alignment: Annotated[dict[str, Any], Form("a table of steps")] = Field(
        default_factory=dict, description="name -> step of setting the unit up on the bench"
    )
    devices: Annotated[dict[str, Any], Form("a table of device sheets")] = Field(
        default_factory=dict, description="name -> device sheet, beside those of the library"
    )


class AlteredTable(Table):
    """What a file that does not write its unit whole may say of the parts that are there."""

    taken_out: Annotated[tuple[Name, ...], Form('a list of names, as ["R4", "C1"]')] = Field(
        default=(),
        description="parts, controls, switch banks, probes, rails, alignment steps and device sheets that go",
    )
    rewired: Annotated[dict[str, Any], Form('a table, as { R31 = ["po", "x"], J1 = { gate = "g2" } }')] = Field(
        default_factory=dict, description="part -> its nodes, or those of its terminals that move"
    )
    changed: Annotated[dict[str, Any], Form('a table of changes, as { C16 = "220n" }')] = Field(
        default_factory=dict, description="name -> value, as for --change"
    )


class BasedTable(AlteredTable):
    """Top of a file whose unit starts from another one.

    Beside these keys it has a name of its own, and may hold whatever a whole unit file holds: that is added.
    """

    based_on: Text = Field(description="the unit that it starts from: a shipped one, or a file as seen from this one")


class PairedTable(Table):
    """Which unit each channel is, [pair]."""

    left: Text = Field(description="a shipped unit, or a file as seen from this one")
    right: Text = Field(description="the same one or another")


class PairTable(AlteredTable):
    """Top of a file that makes a pair of two units, or twice of one.

    Names in it are those of the pair: left_C16 and right_C16 are the two C16. Beside these keys it has a name of its
    own, and may hold whatever a whole unit file holds: that is added, as the parts that join the channels.
    """

    pair: PairedTable = Field(description="the unit of each channel")


UNIT_KEYS = ("name", "about", "temperature_c", "full_scale_dbu")
"""Settings of a whole unit."""
