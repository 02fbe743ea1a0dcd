"""What a unit file says, as data: parts in stages, controls, switch banks, probes. Frozen and picklable.

Numbers are SI units under the same key as in the unit file (``values["value"]`` of a resistor is ohm,
``"leakage"`` of a transformer is henry). The dictionaries are shared between versions of a unit: read them,
never write into them.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from fetsim.engine.circuit import GROUND, PROGRAM
from fetsim.schematic.stepped import step_at, step_text
from fetsim.schematic.values import Tolerance

CHANNELS = ("left", "right")
"""Of a unit with two of them, in the order of a stereo file; what belongs to one bears its name in front."""


def channel_of(name: str) -> str:
    """The channel that a name begins with, as ``left_C16`` does; empty for one without."""
    front, line, _ = name.partition("_")
    return front if line and front in CHANNELS else ""


def of_one_channel(channels: Iterable[str]) -> str:
    """How a name of one channel is written, as a clause behind a name that is none; nothing where there are none."""
    fronts = " or ".join(f"{channel}_" for channel in channels)
    return f"; those of one channel begin with {fronts}" if fronts else ""


def bridge_ends(name: str, nodes: Iterable[str]) -> tuple[str, str] | None:
    """The two nodes that a bridge is named after, ``q1b-q1c``; None for a name that is none of one."""
    known = {*nodes, GROUND}
    cuts = (k for k, letter in enumerate(name) if letter == "-")
    pairs = ((name[:k], name[k + 1 :]) for k in cuts)
    return next(((a, b) for a, b in pairs if a in known and b in known and a != b), None)


@dataclass(frozen=True)
class Limits:
    """Smallest, typical and largest value on a datasheet, SI units; None where the sheet gives none.

    Negative voltages stand as on the sheet: the one nearest to zero is the minimum.
    """

    minimum: float | None
    typical: float | None
    maximum: float | None
    at: str
    """Under which conditions, in words."""


@dataclass(frozen=True)
class Device:
    """A device sheet.

    The figures that the simulation uses, at ``reference_temperature_c``, and the type's limits.
    """

    name: str
    kind: str
    polarity: str
    """``n``/``p`` for a JFET, ``npn``/``pnp`` for a bipolar transistor, empty for a diode."""
    figures: Mapping[str, float]
    limits: Mapping[str, Limits]
    ratings: Mapping[str, float]
    reference_temperature_c: float
    about: str
    source: str


@dataclass(frozen=True)
class Defect:
    """One thing that is wrong with a part; its words stand in ``fault_words``."""

    word: str
    place: str
    """Where on the part; empty where it has no places."""
    amount: float
    """Ohm, share or dB; 0 where it takes none."""


@dataclass(frozen=True)
class Part:
    """One part of the schematic."""

    designator: str
    kind: str
    stage: str
    nodes: Mapping[str, str]
    """Terminal -> node; a switch has ``1a``, ``1b``, ``2a``, ... for its poles."""
    values: Mapping[str, float]
    """Key of the unit file -> number in SI units."""
    tolerance: Tolerance | None = None
    ratings: Mapping[str, float] = field(default_factory=dict)
    """``power_rating`` W, ``voltage_rating`` V, ``current_rating`` A, where given."""
    device: Device | None = None
    """Its sheet, with the figures that belong to this part alone already put in."""
    figures: Mapping[str, float] = field(default_factory=dict)
    """Those figures of its sheet that belong to this part alone."""
    branches: tuple[tuple[float, float], ...] = ()
    """Of a capacitor's absorption, where they are told one by one: share of its capacitance, time constant in
    seconds."""
    control: str | None = None
    taper: str | None = None
    steps: tuple[float, ...] = ()
    """Of a stepped attenuator, which has no taper: its contacts [dB], rising."""
    direction: str | None = None
    """``falling``: the wiper moves down the track as the control turns clockwise; ``rising``: up."""
    bank: str | None = None
    """Of a switch; a selector is a bank for itself, of its own name."""
    positions: tuple[str, ...] = ()
    """Of a selector, in their order,"""
    position: str | None = None
    """and the one it has."""
    transformer: str | None = None
    """Of a winding: on whose core it is."""
    marks: tuple[tuple[float, float], ...] = ()
    """Of a meter's scale: gain reduction in dB, rising, and the share of the full-scale current at which it stands."""
    balanced: bool = False
    input: str = PROGRAM
    """Of an input: what drives it."""
    about: str = ""
    source: str = ""
    fault: str = ""
    """What is wrong with it, as it was written,"""
    defects: tuple[Defect, ...] = ()
    """and one by one."""


@dataclass(frozen=True)
class Stage:
    """A named group of parts; stages meet by sharing nodes."""

    name: str
    about: str
    parts: tuple[Part, ...]
    output_node: str | None = None
    """Where its output is measured, if the file says so."""


@dataclass(frozen=True)
class Control:
    """A knob or trimmer: position 0 (fully counter-clockwise) to 1 (fully clockwise)."""

    name: str
    position: float
    role: str
    """``panel`` or ``trim``."""
    about: str


@dataclass(frozen=True)
class SwitchBank:
    """Switches that belong together, any subset closed; or a selector, of whose positions it has one."""

    name: str
    switches: tuple[str, ...]
    """Designators of the switches, names of the positions."""
    closed: tuple[str, ...]
    about: str
    exclusive: bool = False
    """Whether it is a selector."""

    @property
    def state(self) -> str:
        """What is closed, as ``S1+S3`` or ``none``; a selector's position."""
        return "+".join(self.closed) or "none"

    @property
    def told(self) -> str:
        """Its name and all that can be chosen, as ``curve (S1, S2, S3)``."""
        return f"{self.name} ({', '.join(self.switches)})"


@dataclass(frozen=True)
class Matched:
    """Parts of one kind that were matched: whatever one of them is off by, the others are too."""

    parts: tuple[str, ...]
    within: float
    """How far each may lie from what they have in common, as a share of its value."""


@dataclass(frozen=True)
class GainCell:
    """Which FET does the gain reduction, and the node of its control voltage."""

    fet: str
    control_node: str
    tap_node: str | None = None
    """Where the sidechain is fed from, if the file says so,"""
    rectifier_nodes: tuple[str, ...] = ()
    """and the driven sides of the rectifier."""


@dataclass(frozen=True, kw_only=True)
class AlignmentStep:
    """One step of setting the unit up on the bench; see ``alignment`` for what may be read."""

    name: str
    set: str
    """What is set: a control, a part, or a key of one."""
    series: str | None
    """Preferred values that the part comes in; None: any value."""
    read: str
    """A name in ``alignment.READINGS``."""
    at: tuple[str, ...]
    """The node or the two nodes that it is read at, or the part."""
    level_dbu: float | None
    """Of the tone at the source,"""
    reduction_db: float | None
    """or the gain reduction that it brings about before the step; None: there is no tone."""
    frequency_hz: float
    must_be: float | None
    """In the unit of the reading; None: least."""
    accepted: float | None
    """How far off, either way, is good enough; of what must be least, up to where it is."""
    settings: Mapping[str, str]
    """How controls and switches stand while it is taken, as changes take it; all others as they are."""
    about: str


@dataclass(frozen=True)
class UnitData:
    """A whole unit at one setting."""

    name: str
    about: str
    source: str
    temperature_c: float
    full_scale_dbu: float
    """Level at input and output that 0 dBFS in a file stands for."""
    gain_cell: GainCell | None
    """Of a pair: that of the channel listened to."""
    controls: Mapping[str, Control]
    banks: Mapping[str, SwitchBank]
    probes: Mapping[str, str]
    """Name -> node; every node can be probed by its own name too."""
    rails: Mapping[str, float]
    """Node -> about how many volts it stands at; what a unit with mains is fed from."""
    stages: tuple[Stage, ...]
    path: Path = field(compare=False)
    """The file it was read from."""
    text: str = field(repr=False, compare=False)
    """That file's text, for writing a changed unit with its comments kept."""
    document: Mapping[str, Any] = field(repr=False, compare=False)
    """The unit as nested tables, changes included: what ``changed`` edits and reads again."""
    matched: Mapping[str, Matched] = field(default_factory=dict)
    """Name -> parts that were matched to each other."""
    alignment: Mapping[str, AlignmentStep] = field(default_factory=dict)
    """Steps by name, in their order."""
    rises_k: Mapping[str, float] = field(default_factory=dict, repr=False, compare=False)
    """By how much parts are warmer than what is around them; worked out by whoever runs the unit (``rig.heat``)."""
    channels: Mapping[str, GainCell | None] = field(default_factory=dict)
    """Of a pair: channel -> its gain cell; empty for a unit of one channel."""
    channel: str = ""
    """Of a pair: the one whose input, output and gain cell are the unit's; every name counts for the whole pair."""
    joined: tuple[tuple[str, str], ...] = ()
    """Nodes of both channels that are joined straight."""
    bridges: Mapping[str, tuple[str, str, float]] = field(default_factory=dict)
    """Faults between two nodes: name -> both nodes, ohm."""
    ready: tuple[str, ...] = ()
    """Elements that are there for faults to come, so that a unit with one of them is of the same topology; see
    ``faulty``."""

    @cached_property
    def parts(self) -> dict[str, Part]:
        """All parts by designator, in the order of the file."""
        return {part.designator: part for stage in self.stages for part in stage.parts}

    @cached_property
    def nodes(self) -> tuple[str, ...]:
        """All nodes but ground, in the order in which the parts name them."""
        names = dict.fromkeys(node for part in self.parts.values() for node in part.nodes.values())
        return tuple(name for name in names if name != GROUND)

    def state_of(self, part: Part) -> str:
        """``closed`` or ``open``; a selector's position; empty for any other part."""
        bank = None if part.bank is None else self.banks[part.bank]
        if bank is None or bank.exclusive:
            return "" if bank is None else bank.state
        return "closed" if part.designator in bank.closed else "open"

    def stepped(self, control: str) -> Part | None:
        """The stepped attenuator that a control turns; None where it turns none."""
        return next((part for part in self.parts.values() if part.control == control and part.steps), None)

    def standing(self, control: str) -> str:
        """Where a control stands, as a change takes it: ``0.45``, or ``-12 dB`` of a stepped attenuator."""
        position, part = self.controls[control].position, self.stepped(control)
        return f"{position:g}" if part is None else step_text(part.steps[step_at(part.steps, position, part.direction)])

    @property
    def input(self) -> Part:
        """The part that is the input of the program."""
        return next(one for one in self._own("input") if one.input == PROGRAM)

    def driven_by(self, part: Part) -> str:
        """What drives an input: the program, for the second channel of a pair that channel, or its own by name."""
        channel = channel_of(part.designator)
        return channel if part.input == PROGRAM and channel in self.second_channels else part.input

    @property
    def second_channels(self) -> tuple[str, ...]:
        """Channels whose sound comes in at an input of this name; that of the first one is the program."""
        return tuple(self.channels)[1:]

    @property
    def inputs(self) -> tuple[str, ...]:
        """Names of all inputs, the program's first."""
        fed = (self.driven_by(part) for part in self.parts.values() if part.kind == "input")
        return tuple(dict.fromkeys((PROGRAM, *self.second_channels, *fed)))

    @property
    def other_inputs(self) -> tuple[str, ...]:
        """Names of those that are no channel's."""
        return self.inputs[1 + len(self.second_channels) :]

    @property
    def mains(self) -> tuple[Part, ...]:
        """The parts that are mains."""
        return tuple(part for part in self.parts.values() if part.kind == "mains")

    @property
    def rail_makers(self) -> dict[str, str]:
        """Rail -> the stage that makes it: that of its supply, or of the first mains part."""
        supplies = {part.nodes["node"]: part.stage for part in self.parts.values() if part.kind == "supply"}
        return {**{rail: part.stage for part in self.mains[:1] for rail in self.rails}, **supplies}

    @property
    def output(self) -> Part:
        """The part that is the output, with its load."""
        return next(iter(self._own("output")))

    def own_name(self, name: str) -> str:
        """A name without a channel means the channel listened to, where the pair has none such of its own."""
        if not self.channel or any(name in known for known in (self.parts, self.nodes, self.probes, self.banks)):
            return name
        return f"{self.channel}_{name}"

    def _own(self, kind: str) -> list[Part]:
        """Parts of a kind, of a pair those in the channel listened to."""
        found = [one for one in self.parts.values() if one.kind == kind]
        return [one for one in found if not self.channel or channel_of(one.designator) == self.channel]
