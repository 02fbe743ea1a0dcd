"""All that is known of one real unit: readings and recordings, each at the settings it was made at, as data."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import combinations

import numpy as np

from fetsim.audio.player import check_rate
from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.measurements.curve.procedure import DEFAULT_FREQUENCY_HZ as CURVE_HZ
from fetsim.measurements.timing.procedure import DEFAULT_FREQUENCY_HZ as STEP_HZ
from fetsim.schematic.unit import Unit
from fetsim.studies.builds.asked import Figure
from fetsim.studies.observed.readings import Reading, step_of

LEAST_S = 0.25
"""A recording is at least so long."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Recording:
    """What went into a real unit and what came out of it; ``wet`` may be later, louder, upside down and noisy."""

    dry: Array
    """[shape=(n,), 1.0 = full scale of the unit at its input]"""
    wet: Array
    """[shape=(m,), 1.0 = full scale]"""
    rate_hz: float
    settings: Mapping[str, str] = field(default_factory=dict)
    """What the unit was set to, as changes take it."""
    gain_sigma_db: float | None = None
    """How well the level of ``wet`` is known (one standard deviation); None: not at all."""
    name: str = "recording"
    warnings: tuple[str, ...] = ()
    """What to think of before it is believed."""

    def __post_init__(self) -> None:
        check_rate(self.rate_hz, self.name)
        for what, samples in (("dry", self.dry), ("wet", self.wet)):
            if samples.ndim != 1 or not np.isfinite(samples).all():
                raise InputError(f"{self.name}: {what} must be one channel of finite samples")
            if len(samples) < LEAST_S * self.rate_hz:
                raise InputError(f"{self.name}: {what} lasts {len(samples) / self.rate_hz:.3g} s; {LEAST_S:g} s is the "
                                 "least")  # fmt: skip
            if not np.any(samples):
                raise InputError(f"{self.name}: {what} is silent")


@dataclass(frozen=True, kw_only=True, eq=False)
class Observations:
    """Of one unit, at the values that its file has."""

    unit: Unit
    """As it is believed to be; settings go on top of it."""
    readings: tuple[Reading, ...] = ()
    recordings: tuple[Recording, ...] = ()
    curve_hz: float = CURVE_HZ
    """Of the steady tones of readings,"""
    step_hz: float = STEP_HZ
    """and of the steps."""
    before_dbu: float | None = None
    level_dbu: float | None = None
    """Levels of the steps; None: those that the readings were taken at, or 10 dB under and over the unit's own
    threshold."""

    def __post_init__(self) -> None:
        if self.recordings and self.unit.channels:
            raise InputError(f"{self.unit.name}: is a pair; take one channel of it, as a unit of its own")
        for one, other in combinations(self.recordings, 2):
            if np.array_equal(one.wet, other.wet):
                raise InputError(f"{one.name} and {other.name}: are one recording; give it once")

    @cached_property
    def step_dbu(self) -> tuple[float | None, float | None]:
        """Levels before and in the steps. Raises InputError where readings were taken at several."""
        before, level = step_of(self.readings) or (None, None)
        given = (self.before_dbu, self.level_dbu)
        return (before if given[0] is None else given[0]), (level if given[1] is None else given[1])

    def only(self, kind: str) -> "Observations":
        """With its ``readings`` or its ``recordings`` alone."""
        return replace(self, readings=()) if kind == "recordings" else replace(self, recordings=())

    @cached_property
    def at_settings(self) -> dict[tuple[tuple[str, str], ...], tuple[int, ...]]:
        """Settings -> numbers of the readings taken there."""
        found: dict[tuple[tuple[str, str], ...], list[int]] = {}
        for number, one in enumerate(self.readings):
            found.setdefault(tuple(one.settings.items()), []).append(number)
        return {key: tuple(numbers) for key, numbers in found.items()}

    def figures(self, numbers: tuple[int, ...]) -> tuple[Figure, ...]:
        """Those that are worked out by the figures of builds: all but volts, which a meter loads."""
        found = (self.readings[number].figure for number in numbers)
        return tuple({one.key: one for one in found if one.kind != "volts"}.values())
