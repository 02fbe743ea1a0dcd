"""What the faults of a unit come to, as plain numbers."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, ClassVar

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.measurements.results.result import Result
from fetsim.measurements.to_plain import plain
from fetsim.schematic.faults import Fault
from fetsim.studies.builds.asked import Figure
from fetsim.studies.observed.readings import Reading


@dataclass(frozen=True, kw_only=True)
class Symptoms:
    """One row: a fault, or an age."""

    name: str
    values: Mapping[str, float]
    """Figure -> value; NaN where ``reasons`` says why."""
    node_v: Mapping[str, float]
    """Node -> volts at rest, against ground."""
    reasons: Mapping[str, str]
    word: str
    """What is wrong, in a phrase."""


@dataclass(frozen=True, kw_only=True)
class FaultsFound(Result):
    """Every single fault of a unit that was simulated."""

    ROOM: ClassVar[str] = "faults"
    FLOOR: ClassVar[str] = "studies"

    figures: tuple[Figure, ...]
    nodes: tuple[str, ...]
    """Those whose volts at rest are told."""
    sound: Symptoms
    """The unit as it is, ready for all faults."""
    spread: Mapping[str, float]
    """Figure or ``volts@NODE`` -> standard deviation over ``builds`` drawn from its tolerances, trims in reach."""
    builds: int
    faults: tuple[Fault, ...]
    """In the order of ``rows``: as in the file, or the likeliest first where something is reported."""
    rows: tuple[Symptoms, ...]
    told_by: tuple[str, ...]
    """What the groups go by: figures that were, or could be, read."""
    groups: tuple[int, ...]
    """Of each row; those of group 0 cannot be told from the sound unit."""
    reported: tuple[Reading, ...]
    misses: tuple[float, ...]
    """Of each row, rms in accuracies and tolerances; empty where nothing is reported."""
    shares: tuple[float, ...]
    """Of each row in all that could explain what is reported, 0 to 1; likewise."""
    sound_miss: float | None
    ages: tuple[float, ...]
    aged: tuple[Symptoms, ...]
    """The unit at each of the ``ages``, 0 to 1."""
    cautions: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, texts, lists and tables; what is not finite is None."""
        whole = {one.name: getattr(self, one.name) for one in fields(self)}
        described = ("key", "heading", "unit", "quantity", "meaning")
        whole["figures"] = [{name: getattr(one, name) for name in described} for one in self.figures]
        whole["reported"] = [{"figure": one.name, "value": one.value, "accuracy": one.accuracy}
                             for one in self.reported]  # fmt: skip
        return dict(plain(whole))

    def column(self, name: str) -> Array:
        """A figure, or ``volts@NODE``, of all rows [shape=(rows,)]."""
        return column(self.rows, name)


def column(rows: tuple[Symptoms, ...], name: str) -> Array:
    """The same of any rows; NaN where there is none."""
    node = name.partition("@")[2] if name.startswith("volts@") else ""
    return np.array([row.values.get(name, row.node_v.get(node, np.nan)) for row in rows], dtype=np.float64)
