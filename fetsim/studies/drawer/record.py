"""What a drawer of FETs comes to, as plain numbers."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, ClassVar

from fetsim.measurements.results.result import Result
from fetsim.measurements.to_plain import plain
from fetsim.measurements.traces.checks import Samples
from fetsim.studies.builds.asked import Figure
from fetsim.studies.drawer.fets import MeasuredFet

DESCRIBED = ("key", "heading", "unit", "quantity", "meaning")
"""What is told of a figure in JSON."""


@dataclass(frozen=True, kw_only=True)
class FetFound:
    """One FET in its place, the unit's trims set for it."""

    fet: MeasuredFet
    set: Mapping[str, float]
    """What the alignment sets -> position of a control, value of a part."""
    changed: Mapping[str, float]
    """Resistor beside a trim -> ohms that it had to become."""
    figures: Mapping[str, float]
    """As ``studies/builds`` has them; NaN where ``told`` says why."""
    reduction_db: Samples
    """Gain reduction over the levels [dB; shape=(levels,)]."""
    changes: Mapping[str, str]
    """What puts it in and sets the trims, as changes of the unit."""
    told: tuple[str, ...]
    """What could not be done or had, in clauses."""
    differences: Mapping[str, float]
    """Figure -> how far it is from the reference's, in the scale by which it counts; NaN where it cannot be had."""
    unlikeness: float
    """Root of the mean of their squares; infinite for a FET that has not all of them."""


@dataclass(frozen=True, kw_only=True)
class Pair:
    """Two FETs for two channels."""

    one: str
    other: str
    tracking_db: float
    """Difference of their gain reductions over the levels, rms,"""
    worst_db: float
    """and the largest,"""
    worst_dbu: float
    """at this level."""
    attack_ratio: float
    """Attack of the one over that of the other; NaN where one has none."""
    release_ratio: float


@dataclass(frozen=True, kw_only=True)
class Drawer(Result):
    """All FETs, the likest to the reference first; the provenance is that of the unit as it was given."""

    ROOM: ClassVar[str] = "drawer"
    FLOOR: ClassVar[str] = "studies"

    apart: str
    """Channel of a joined pair that was measured alone; empty for other units."""
    reference: str
    """What the FETs are compared with: the present FET, one of the list, or a target."""
    level_dbu: Samples
    """Source levels of the curves [shape=(levels,)]."""
    thd_dbu: float
    """Of the tone at which the linearising part is selected and THD is read."""
    quantities: Mapping[str, str]
    """What the alignment sets -> its quantity, as in ``schematic.values``: ``plain`` for the position of a control."""
    asked: tuple[Figure, ...]
    """The figures in their order."""
    present: FetFound
    """The reference itself."""
    fets: tuple[FetFound, ...]
    pairs: tuple[Pair, ...]
    """The best of all pairs, the least tracking error first."""
    left_out: tuple[str, ...]
    """Columns of the list that were not read."""

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, texts and lists for JSON; what is not finite is None."""
        whole = {one.name: getattr(self, one.name) for one in fields(self)}
        whole["asked"] = [{name: getattr(one, name) for name in DESCRIBED} for one in self.asked]
        return dict(plain(whole))
