"""The nominal unit of many builds: where its figures lie, and the steady states from which theirs are looked for, each
with its monodromy."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

from fetsim.audio.arrays import real_number
from fetsim.engine.shooting import Monodromy
from fetsim.engine.state import State
from fetsim.errors import InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.bursts import LONGEST_S as STEP_S
from fetsim.measurements.bench.bursts import Level, steady_level
from fetsim.measurements.bench.steady import LONGEST_S as SETTLING_S
from fetsim.measurements.bench.steady import monodromy_at, period_of
from fetsim.measurements.curve.procedure import THRESHOLDS_DB
from fetsim.measurements.needle.meter import meter_of
from fetsim.measurements.timing.procedure import step_levels_dbu
from fetsim.rig.quality import quality_named
from fetsim.rig.request import check_tone
from fetsim.schematic.unit import Unit
from fetsim.studies.builds.asked import STEP_DB, Figure
from fetsim.studies.builds.knee import Knee, LevelMeter, nominal_knee
from fetsim.studies.builds.patience import Patience

MARCHED = ("knee", "tone", "step")
"""Groups of figures that are played in time."""
OF_CELL = ("loss", "gate", "threshold", "threshold_2db", "control", "attack", "release")
"""Kinds of figures that a unit without gain cell has not."""


@dataclass(frozen=True, eq=False)
class Start:
    """Steady at one level: what the search for a build's steady state begins with."""

    state: State
    """At phase zero of the tone."""
    monodromy: Monodromy | None


@dataclass(frozen=True, kw_only=True, eq=False)
class Nominal:
    """What a build starts from; plain data, so that it can be sent to other processes. None where nobody needs it."""

    unit: Unit
    figures: tuple[Figure, ...]
    """What is asked of every build."""
    quality: str
    curve_hz: float
    step_hz: float
    before_dbu: float | None
    """Source level before the attack and after the release,"""
    level_dbu: float | None
    """and between them: the same for all builds."""
    rest: State | None
    knee: Knee | None
    tones: Mapping[float, Start]
    """Level [dBu, rising] -> steady there."""
    quiet: Start | None
    """The same at ``before_dbu``"""
    loud: Start | None
    """and at ``level_dbu``."""
    patience: Patience | None = None
    """With builds that may be broken; None where all are waited for."""

    @cached_property
    def bench(self) -> Bench:
        """The nominal unit itself."""
        return Bench(self.unit, self.quality)

    def __getstate__(self) -> dict[str, object]:
        return {name: value for name, value in vars(self).items() if name != "bench"}

    @property
    def marches(self) -> bool:
        """Whether anything is played in time."""
        return self.rest is not None

    @property
    def settling_s(self) -> float:
        """How long a level may take to come to rest."""
        return SETTLING_S if self.patience is None else self.patience.settling_s

    @property
    def step_s(self) -> float:
        """How long an attack or a release may take."""
        return STEP_S if self.patience is None else self.patience.step_s

    @property
    def identity(self) -> tuple[object, ...]:
        """All that the figures of a build depend on besides the build itself, for ``studies/cache.py``."""
        levels = (self.curve_hz, self.step_hz, self.before_dbu, self.level_dbu)
        return (self.unit.digest, [one.key for one in self.figures], self.quality, *levels, self.patience)

    def of(self, group: str) -> tuple[Figure, ...]:
        """The figures of one group that are asked for."""
        return tuple(one for one in self.figures if one.group == group)

    def carried(self, state: State, rest: State) -> State:
        """A state of the nominal unit as a start for a build that is at rest at ``rest``: as far from there as it is
        from the nominal rest. What devices remember stays the build's own."""
        assert self.rest is not None
        return rest.with_vector(rest.vector() + state.vector() - self.rest.vector())


def check_figures(unit: Unit, figures: Iterable[Figure]) -> None:
    """Raises InputError for a unit that has not what the figures are about."""
    kinds = {one.kind for one in figures}
    if kinds & set(OF_CELL) and unit.gain_cell is None:
        raise InputError(f"{unit.name}: has no [gain_cell], so there is no gain reduction to measure")
    if "needle" in kinds and meter_of(unit) is None:
        raise InputError(f"figure: needle: {unit.name} has no meter with a scale in dB")


def nominal_of(
    unit: Unit,
    figures: tuple[Figure, ...],
    *,
    quality: str,
    curve_hz: float,
    step_hz: float,
    before_dbu: float | None,
    level_dbu: float | None,
) -> Nominal:
    """Measure what the builds are to start from.

    Raises InputError for a unit that has not what the figures are about, and ConvergenceError for one that does not
    come to rest.
    """
    for name, hertz in (("curve_hz", curve_hz), ("step_hz", step_hz)):
        check_tone(real_number(hertz, name))
    quality_named(quality)
    bench = Bench(unit, quality)
    groups = {one.group for one in figures}
    check_figures(unit, figures)
    rest = bench.run().state if groups & set(MARCHED) else None
    quiet = loud = None
    if "step" in groups:
        before_dbu, level_dbu = step_levels_dbu(bench, before_dbu, level_dbu, step_hz)
        before = steady_level(bench, before_dbu, step_hz)
        quiet, loud = (_start(one, step_hz) for one in (before, steady_level(bench, level_dbu, step_hz, before.run)))
    else:
        before_dbu = level_dbu = None
    meter = LevelMeter(bench, curve_hz) if groups & {"knee", "tone"} else None
    return Nominal(
        unit=unit, figures=figures, quality=quality, curve_hz=curve_hz, step_hz=step_hz, before_dbu=before_dbu,
        level_dbu=level_dbu, rest=rest, quiet=quiet, loud=loud,
        knee=nominal_knee(meter, rest, THRESHOLDS_DB) if meter and rest and "knee" in groups else None,
        tones=_tones(meter, rest, figures) if meter and rest else {},
    )  # fmt: skip


def levels_of(figures: Iterable[Figure]) -> list[float]:
    """Levels of the tones that figures need, rising [dBu]."""
    levels: set[float] = set()
    for one in figures:
        if one.level_dbu is not None:
            half = 0.5 * STEP_DB if one.kind == "ratio" else 0.0
            levels |= {one.level_dbu - half, one.level_dbu + half}
    return sorted(levels)


def _tones(meter: LevelMeter, rest: State, figures: tuple[Figure, ...]) -> dict[float, Start]:
    found: dict[float, Start] = {}
    state = rest
    for level in levels_of(figures):
        point = meter(level, state)
        state = point.state
        found[level] = Start(state, meter.monodromy(point))
    return found


def _start(level: Level, frequency_hz: float) -> Start:
    period = period_of(frequency_hz, level.run.bench)
    return Start(level.run.state, monodromy_at(level.run, period.tone(level.level_dbu)))
