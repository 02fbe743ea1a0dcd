"""The steady tone of a step, with what it sets at any value: each looked for from one that is known.

Its steady state at one value, with the monodromy there (``engine/shooting.py``), is where all others are looked for:
from that of a unit of the same topology where builds have one, else from the unit's own.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from fetsim.engine.shooting import Monodromy
from fetsim.engine.state import State
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.operating import LOUD_DBU, QUIET_DBU, level_for_reduction_dbu
from fetsim.measurements.bench.steady import AT_PEAK, Steady, monodromy_at, period_of, phasor, settled_at
from fetsim.rig.rig import Rig
from fetsim.rig.runner import Progress, run_all, unwatched
from fetsim.schematic.unit import AlignmentStep, Unit
from fetsim.studies.trims.readings import of_steady_tone
from fetsim.studies.trims.travel import Travel

CLOSE_DB = 0.05
"""Of the gain reduction at which a harmonic is read: moves the place where it is least by under a thousandth."""
SLOPE = 0.8
"""dB of gain reduction a dB of level, from which the second level is guessed."""
LARGEST_STEP_DB = 6.0
MOST_LEVELS = 8


@dataclass(frozen=True, kw_only=True, eq=False)
class ToneStart:
    """Where a unit of the same topology has the tone of a step; plain data, so that it can be sent to processes."""

    level_dbu: float
    rest: State
    state: State
    """Steady under the tone, what is set standing where it stood;"""
    monodromy: Monodromy | None
    """None where it cannot be had."""


def tone_start(unit: Unit, step: AlignmentStep, quality: str) -> ToneStart:
    """That of a unit for its builds. Raises InputError or ConvergenceError."""
    tones = Tones(unit, step, quality)
    return ToneStart(level_dbu=tones.level_dbu, rest=tones.rest, state=tones.state, monodromy=tones.monodromy)


class Tones:
    """Steady states under the tone of a step; raises InputError or ConvergenceError, as do its methods.

    ``sets``: what is moved, where that is not what the step sets; ``start``: the tone in a unit of the same topology,
    whose bias point is in ``near``.
    """

    def __init__(
        self, unit: Unit, step: AlignmentStep, quality: str, *, sets: str | None = None, near: Rig | None = None,
        start: ToneStart | None = None,
    ) -> None:  # fmt: skip
        self.step, self.bench = step, Bench(unit, quality, near=near)
        self.period = period_of(step.frequency_hz, self.bench)
        self._sets = step.set if sets is None else sets
        self._present = Travel.of(unit, self._sets).present
        self.rest = self.state = self.bench.run().state
        self.monodromy: Monodromy | None = None
        if start is not None:
            self.state = self.rest.with_vector(self.rest.vector() + start.state.vector() - start.rest.vector())
            self.monodromy = start.monodromy
        self.level_dbu = self._level(start)
        if start is None:
            self.second(self._present)
            run = self.bench.run()
            run.state = self.state
            self.monodromy = monodromy_at(run, self._tone(self.level_dbu))

    def second(self, value: float) -> complex:
        """Second harmonic over the fundamental, turned to where the fundamental has no phase, what is set at this
        value; the next one is looked for from there."""
        found, self.state = self._steady(self._at(value), self.level_dbu)
        return self._second_of(found)

    def figure(self, value: float) -> float:
        """The step's reading in its own unit, likewise."""
        bench = self._at(value)
        found, self.state = self._steady(bench, self.level_dbu)
        return of_steady_tone(self.step, bench, found, self.level_dbu)

    def seconds(self, values: Sequence[float], progress: Progress = unwatched) -> dict[float, complex]:
        """Value -> second harmonic, side by side, all looked for from the last steady state."""
        read = run_all(
            {value: value for value in values}, lambda value, _: self._steady(self._at(value), self.level_dbu)[0],
            progress,
        )  # fmt: skip
        return {value: self._second_of(found) for value, found in read.items()}

    def figures(self, values: Sequence[float], progress: Progress = unwatched) -> dict[float, float]:
        """Value -> the step's reading, likewise."""

        def read(value: float) -> float:
            bench = self._at(value)
            return of_steady_tone(self.step, bench, self._steady(bench, self.level_dbu)[0], self.level_dbu)

        return run_all({value: value for value in values}, lambda value, _: read(value), progress)

    def _at(self, value: float) -> Bench:
        unit = self.bench.unit
        return self.bench if value == self._present else self.bench.of_version(unit.changed({self._sets: value}))

    def _tone(self, level_dbu: float) -> np.ndarray:
        return self.period.tone(level_dbu, AT_PEAK)

    def _steady(self, bench: Bench, level_dbu: float) -> tuple[Steady, State]:
        run = bench.run()
        run.state = self.state
        where = f"at {level_dbu:g} dBu, {self.step.frequency_hz:g} Hz"
        return settled_at(run, self._tone(level_dbu), where, self.monodromy), run.state

    def _second_of(self, found: Steady) -> complex:
        volts = found.block.output_v
        first, second = phasor(volts, self.period), phasor(volts, self.period, order=2)
        return second / abs(first) * (abs(first) / first) ** 2

    def _level(self, start: ToneStart | None) -> float:
        """The level that is told, or that with the gain reduction that is: from the start's along straight lines."""
        if self.step.level_dbu is not None:
            return self.step.level_dbu
        wanted_db = self.step.reduction_db
        assert wanted_db is not None  # the reader of the unit asks for one of the two
        slow = partial(level_for_reduction_dbu, self.bench, wanted_db, self.step.frequency_hz)
        if start is None:
            return slow()
        level, slope, before = start.level_dbu, SLOPE, None
        for _ in range(MOST_LEVELS):
            found, self.state = self._steady(self.bench, level)
            reduction_db = float(np.mean(found.block.reduction_db))
            if abs(reduction_db - wanted_db) <= CLOSE_DB:
                return level
            if before is not None and level != before[0]:
                slope = (reduction_db - before[1]) / (level - before[0])
            if not slope > 0.0:
                break
            before = level, reduction_db
            level += float(np.clip((wanted_db - reduction_db) / slope, -LARGEST_STEP_DB, LARGEST_STEP_DB))
            if not QUIET_DBU < level < LOUD_DBU:
                break
        return slow()
