"""A step's reading at any value of what is set: at rest, or under a steady tone."""

from abc import ABC, abstractmethod
from collections.abc import Sequence
from copy import copy
from dataclasses import replace
from typing import Self

from fetsim.rig.rig import Rig
from fetsim.rig.runner import Progress, unwatched
from fetsim.schematic.unit import AlignmentStep, Unit
from fetsim.studies.trims.readings import missed_at_rest, read_at_rest
from fetsim.studies.trims.resting import Resting, Rests
from fetsim.studies.trims.tones import Tones


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
        self._tones = Tones(unit, step, quality, sets=sets)
        self._known: dict[float, float] = {}
        self.level_dbu = self._tones.level_dbu

    def figures(self, values: Sequence[float], progress: Progress = unwatched) -> list[float]:
        wanted = list(dict.fromkeys(value for value in map(float, values) if value not in self._known))
        self._known.update(self._tones.figures(wanted, progress) if wanted else {})
        return [self._known[float(value)] for value in values]

    def missed(self, value: float) -> float:
        return self.figures([value])[0] - self.goal
