"""What comes of an alignment, as plain numbers."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

from fetsim.measurements.results.result import Result
from fetsim.measurements.traces.checks import Samples
from fetsim.schematic.unit import AlignmentStep


@dataclass(frozen=True, kw_only=True)
class Remedy:
    """A resistor beside a trim that is out of reach, with which it is in reach."""

    part: str
    present_ohm: float
    needed_ohm: float
    """With which the trim just gets there, at the end of its way."""
    ohm: float
    """The next preferred value (E24) beyond."""
    value: float
    """Where the trim stands then,"""
    figure: float
    """and what is read."""


@dataclass(frozen=True, kw_only=True)
class StepTaken:
    """One step; figures are in the unit of what is read (ratios, not per cent)."""

    step: AlignmentStep
    quantity: str
    """Of what is set, as in ``schematic.values``: ``plain`` for the position of a control, 0 to 1 clockwise."""
    level_dbu: float | None
    """Of the tone; None without one."""
    before: float
    """Where it stood,"""
    figure_before: float
    """and what was read."""
    value: float
    """Where it stands: position of a control, value of a part, from its series where it has one."""
    figure: float
    resistances_ohm: Mapping[str, float]
    """Leg of a control's track -> ohms."""
    exact: float
    """Without the series."""
    in_reach: bool
    """Whether the reading can be what it must be; where not, it stands where least is missing."""
    accepted: bool
    """Whether what is read is good enough, after the later steps too: within what the step accepts, or in reach where
    it does not say."""
    moved_by: str
    """One step of it in words: 1 % of the turn, a step of E24."""
    around: tuple[float, float]
    """A step down and up,"""
    figure_around: tuple[float, float]
    """and what is read there."""
    accepted_from: float | None
    """From here"""
    accepted_to: float | None
    """to here the reading is accepted; None where the step does not say, or nothing is."""
    remedies: tuple[Remedy, ...]
    """For one that is out of reach, the least change first."""
    swept: Samples
    """Positions or values, rising, over all of its way; of what must be least, around where it is [shape=(n,)],"""
    figures: Samples
    """and what is read there."""
    figure_after: float | None = None
    """What is read after the later steps, where one of them has moved it out of what is accepted; without a tone."""

    @property
    def is_turn(self) -> bool:
        """Whether a control is set."""
        return self.quantity == "plain"


@dataclass(frozen=True, kw_only=True)
class Alignment(Result):
    """A unit set up as its file says; the provenance is that of the unit as it stands afterwards."""

    ROOM: ClassVar[str] = "trims"
    FLOOR: ClassVar[str] = "studies"

    steps: tuple[StepTaken, ...]
    settings: Mapping[str, str]
    """What was set, as changes of the unit that it began with: name -> value."""

    @property
    def all_accepted(self) -> bool:
        """Whether every reading is good enough."""
        return all(one.accepted for one in self.steps)
