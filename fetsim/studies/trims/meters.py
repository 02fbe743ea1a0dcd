"""A step's reading at any value of what is set: at rest, or under a steady tone."""

from abc import ABC, abstractmethod
from collections.abc import Sequence
from copy import copy
from dataclasses import replace
from functools import partial
from typing import Self

from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.operating import level_for_reduction_dbu
from fetsim.rig.rig import Rig
from fetsim.rig.runner import Progress, run_all, unwatched
from fetsim.schematic.unit import AlignmentStep, Unit
from fetsim.studies.trims.readings import missed_at_rest, read_at_rest, read_under_tone
from fetsim.studies.trims.resting import Resting, Rests


class Meter(ABC):
    """The reading of one step."""

    level_dbu: float | None = None
    """Of the tone; None without one."""

    def __init__(self, step: AlignmentStep, sets: str | None) -> None:
        self.step = step
        self.sets = step.set if sets is None else sets
        """What is moved: what the step sets, or something else."""

    @property
    def goal(self) -> float:
        """What the reading must be."""
        assert self.step.must_be is not None  # steps that look for a least have no meter
        return self.step.must_be

    def aiming_at(self, goal: float) -> Self:
        """The same with another goal."""
        other = copy(self)
        other.step = replace(self.step, must_be=goal)
        return other

    @abstractmethod
    def figures(self, values: Sequence[float], progress: Progress = unwatched) -> list[float]:
        """Readings at these values. Raises ConvergenceError."""

    @abstractmethod
    def missed(self, value: float) -> float:
        """By how much the reading at a value misses the goal (see ``missed_at_rest``). Raises ConvergenceError."""


class RestMeter(Meter):
    """Readings without a tone."""

    def __init__(self, unit: Unit, step: AlignmentStep, sets: str | None = None) -> None:
        super().__init__(step, sets)
        self._rests = Rests(Rig(unit), self.sets)
        self._known: dict[float, Resting] = {}

    def figures(self, values: Sequence[float], progress: Progress = unwatched) -> list[float]:
        return [read_at_rest(self.step, self._at(float(value))) for value in values]

    def missed(self, value: float) -> float:
        return missed_at_rest(self.step, self._at(value))

    def _at(self, value: float) -> Resting:
        if value not in self._known:
            self._known[value] = self._rests(value)
        return self._known[value]


class ToneMeter(Meter):
    """Readings under a steady tone, many side by side."""

    def __init__(self, unit: Unit, step: AlignmentStep, quality: str, sets: str | None = None) -> None:
        super().__init__(step, sets)
        self._bench = Bench(unit, quality)
        self._known: dict[float, float] = {}
        level = step.level_dbu
        if level is None and step.reduction_db is not None:
            level = level_for_reduction_dbu(self._bench, step.reduction_db, step.frequency_hz)
        assert level is not None  # the reader of the unit asks for one of the two
        self.level_dbu = self._level = level

    def figures(self, values: Sequence[float], progress: Progress = unwatched) -> list[float]:
        wanted = {value: partial(self._read, value) for value in map(float, values) if value not in self._known}
        self._known.update(run_all(wanted, lambda read, _: read(), progress) if wanted else {})
        return [self._known[float(value)] for value in values]

    def missed(self, value: float) -> float:
        return self.figures([value])[0] - self.goal

    def _read(self, value: float) -> float:
        bench = self._bench.of_version(self._bench.unit.changed({self.sets: value}))
        return read_under_tone(self.step, bench, self._level)
