"""The keys of parts that a hand turns or an eye reads: tracks, switches, selectors, meters."""

from typing import Annotated, Literal

from pydantic import Field

from fetsim.schematic.fields import (
    Form,
    Fraction,
    Marks,
    Name,
    Node,
    Ohm,
    Steps,
    Table,
    Taper,
    TwoNodes,
    Within,
)
from fetsim.schematic.passive_tables import PartTable, RatedTable, ResistiveTable


class TrackNodes(Table):
    top: Node = Field(description="end of the track that the wiper reaches fully clockwise (direction rising)")
    wiper: Node = Field(description="wiper")
    bottom: Node = Field(description="the other end of the track")


class TurningTable(ResistiveTable):
    """What potentiometers and rheostats share: a control with its taper, or a fixed electrical fraction."""

    main = "value"

    value: Ohm = Field(description="resistance of the whole track")
    taper: Taper = Field(default="linear", description="law of the wiper's way along the track as the control turns")
    control: Name | None = Field(
        default=None, description="the control in [controls] that turns it; or give a fixed fraction"
    )
    direction: Literal["rising", "falling"] = Field(
        default="rising", description="which way the wiper moves along the track as the control turns clockwise"
    )
    gang_error: Annotated[float, Within("decibel", -20.0, 20.0)] | None = Field(
        default=None,
        examples=["1dB"],
        description="how much more of its track this section of a gang uses than its law says, as 20 lg of the ratio",
    )
    gang_tolerance: Annotated[float, Within("decibel", 0.0, 20.0)] | None = Field(
        default=None,
        examples=["2dB"],
        description="how far gang_error may lie either way in another sample; fetsim spread draws within it",
    )
    fraction: Fraction | None = Field(
        default=None, description="fixed position of the wiper, 0 (bottom) to 1 (top), instead of the control's"
    )


class PotentiometerTable(TurningTable):
    """A potentiometer with all three terminals in use."""

    example = (
        'P1 = { kind = "potentiometer", value = "10k", taper = "log", control = "level", '
        'nodes = { top = "a", wiper = "b", bottom = "0" } }'
    )

    nodes: TrackNodes
    steps: Steps = Field(
        default=(), description="of a stepped attenuator, instead of a taper: where its contacts stand, in dB of the "
        "whole chain, from fully counter-clockwise"
    )


class RheostatTable(TurningTable):
    """A variable resistor: the part of a track that the wiper has come along."""

    example = 'P2 = { kind = "rheostat", value = "47k", taper = "log", control = "level", nodes = ["a", "b"] }'

    nodes: TwoNodes = Field(description="end of the track and wiper")


class SwitchTable(PartTable):
    """A switch of one or more poles, all open or all closed."""

    example = 'S1 = { kind = "switch", bank = "curve", poles = [["a", "b"], ["c", "0"]] }'

    bank: Name = Field(description="the bank in [switches] that it belongs to")
    poles: Annotated[tuple[TwoNodes, ...], Field(min_length=1), Form('pairs of nodes, as [["a", "b"], ["c", "d"]]')] = (
        Field(description="the two nodes of each pole")
    )


class PoleTable(Table):
    """One pole of a selector."""

    common: Node = Field(description="node of its moving contact")
    contacts: tuple[str, ...] = Field(
        description='nodes of its fixed contacts, in the order of the positions; "" where nothing is connected'
    )


class SelectorTable(PartTable):
    """A switch of several positions, one of which it always has, with one or more poles."""

    example = (
        'SW1 = { kind = "selector", positions = ["soft", "hard"], position = "soft", '
        'poles = [{ common = "a", contacts = ["b", "c"] }] }'
    )
    main = "position"

    positions: Annotated[tuple[Name, ...], Field(min_length=2), Form('a list of names, as ["soft", "hard"]')] = Field(
        description="its positions, in their order"
    )
    position: Name = Field(description="where it stands: one of them")
    poles: Annotated[
        tuple[PoleTable, ...], Field(min_length=1), Form('tables, as [{ common = "a", contacts = ["b", "c"] }]')
    ] = Field(description="each pole's moving contact and its fixed ones")


class MeterTable(RatedTable):
    """A moving-coil meter; one whose scale has marks in dB is the unit's gain-reduction meter."""

    example = (
        'M1 = { kind = "meter", resistance = "650", full_scale_current = "500uA", nodes = ["a", "0"], '
        'marks = [["0dB", "95%"], ["10dB", "50%"], ["20dB", "10%"]] }'
    )
    ends = ("plus", "minus")

    nodes: TwoNodes = Field(description="its terminals; current into the first one takes the pointer up")
    resistance: Ohm = Field(description="resistance of the coil, whose inductance is left out")
    full_scale_current: Annotated[float, Within("ampere", 1e-7, 10.0)] = Field(
        examples=["500uA"], description="current that takes the pointer to the end of the scale"
    )
    rise_time: Annotated[float, Within("second", 0.01, 10.0)] | None = Field(
        default=None, examples=["300ms"], description="in which it first passes 99 % of a step; that of the standard "
        "volume indicator (IEC 60268-17), 300 ms, if left out"
    )
    overshoot: Annotated[float, Within("share", 1e-3, 0.5)] | None = Field(
        default=None, examples=["1.25%"], description="by which it passes a step; 1.25 %, as that one, if left out"
    )
    marks: Marks = Field(
        default=(), description="where the scale has which gain reduction, as shares of the full-scale current"
    )
