"""Values of a real unit as plain data."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, ClassVar

from fetsim.engine.assembly import Array
from fetsim.measurements.results.result import Result
from fetsim.measurements.to_plain import plain
from fetsim.schematic.unit import Unit
from fetsim.studies.builds.asked import Figure
from fetsim.studies.fit.known import Together

DIGITS = 6


@dataclass(frozen=True, kw_only=True)
class Value:
    """One value that was free."""

    name: str
    quantity: str
    before: float
    """As in the file,"""
    value: float
    """and as fitted; of a control its position."""
    low: float
    """Ends of the 95 % interval."""
    high: float
    known: str
    """What was known of it before, in words."""
    learnt: float
    """Share of that spread which the data have taken away; 1 for what was not known at all and is now."""
    at_end: bool
    """Whether it is pressed against an end of its way: then the interval has one side."""
    beyond: bool
    """Whether it lies outside of what was known of it, by more than three standard deviations of that."""
    profiled: bool
    """Whether the interval's ends were looked for each, being of different length."""
    contradicted: tuple[int, ...]
    """Numbers of the readings that contradict each other about it: then nothing is learnt, and the interval is that of
    before."""


@dataclass(frozen=True, kw_only=True)
class Checked:
    """One reading against the model."""

    figure: Figure
    settings: Mapping[str, str]
    read: float
    accuracy: float
    before: float
    """What the unit as in the file gives,"""
    after: float
    """and the fitted one; NaN where it cannot be had."""
    trusted: float
    """Share of its weight that it was left with: 1, less for an outlier."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Residual:
    """One recording against the model."""

    name: str
    settings: Mapping[str, str]
    delay_s: float
    clock_ppm: float
    gain_db: float
    """Of the recording over the model at full scale,"""
    polarity: int
    before_db: float
    """Left over, re the model's output, from 20 Hz on, with level, delay and clock solved for: as in the file,"""
    after_db: float
    """and fitted."""
    noise_db: float
    """Of that what does not go with the model's level in its band: noise and hum."""
    excess: float
    """So many numbers told no more than one would, since errors hang together in time."""
    slice_s: float
    edges_hz: Array
    """Of the bands [shape=(bands + 1,)]."""
    before_cells_db: Array
    """Left over re the model's output in each cell [shape=(slices, bands)],"""
    after_cells_db: Array


@dataclass(frozen=True, kw_only=True, eq=False)
class Fit(Result):
    """What fits best, and how well that is known; the provenance is that of the unit as it was given."""

    ROOM: ClassVar[str] = "fit"
    FLOOR: ClassVar[str] = "studies"

    unit: Unit
    """As in the file."""
    values: tuple[Value, ...]
    """Those that were asked for."""
    changes: Mapping[str, float]
    """All that was fitted, those that only vary along among it."""
    correlations: tuple[tuple[str, str, float], ...]
    """Of pairs that were asked for, the closest first."""
    together: tuple[Together, ...]
    readings: tuple[Checked, ...]
    recordings: tuple[Residual, ...]
    warnings: tuple[str, ...]
    """What to think of before the recordings are believed."""
    others: int
    """How many further values varied along within their tolerances."""
    rounds: int
    evaluations: int
    """Units that were played or read, those for slopes among them."""
    settled: bool
    reasons: tuple[str, ...]
    """Why readings could not be had, and what else should be known."""

    @property
    def box(self) -> Unit:
        """This unit, with all that was fitted, as one writes it: further digits say nothing."""
        written = {name: float(f"{value:.{DIGITS}g}") for name, value in self.changes.items()}
        return self.unit.changed(written) if written else self.unit

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers, texts and lists for JSON; what is not finite is None."""
        whole = {one.name: getattr(self, one.name) for one in fields(self)}
        whole["unit"] = self.unit.name
        whole["readings"] = [{**vars(one), "figure": one.figure.key} for one in self.readings]
        return dict(plain(whole))
