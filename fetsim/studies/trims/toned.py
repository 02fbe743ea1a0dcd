"""A step that is read under a tone, for the thousands: a handful of steady states, each looked for from the last one.

What ``study`` sweeps and searches is found here along straight lines. A harmonic goes with what is set nearly in a
straight line as a complex amplitude, though its size does not; so two readings say where it is least, and the third is
there. The tone's level is looked for from that of a unit of the same topology.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial

import numpy as np

from fetsim.engine.state import State
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.operating import LOUD_DBU, QUIET_DBU, level_for_reduction_dbu
from fetsim.measurements.bench.steady import AT_PEAK, Steady, period_of, phasor, settled_at
from fetsim.rig.rig import Rig
from fetsim.schematic.alignment import READINGS
from fetsim.schematic.unit import AlignmentStep, Unit
from fetsim.studies.trims.readings import of_steady_tone
from fetsim.studies.trims.search import find
from fetsim.studies.trims.travel import TURN_STEP, Travel

CLOSE_DB = 0.05
"""Of the gain reduction at which a harmonic is read: moves the place where it is least by under a thousandth."""
SLOPE = 0.8
"""dB of gain reduction a dB of level, from which the second level is guessed."""
LARGEST_STEP_DB = 6.0
MOST_LEVELS = 8
MOST_READINGS = 12
CLOSE = 0.002
"""On the way, for a reading that must have a value: a fifth of what a trim is moved by to see what it does."""
ALIKE = 0.1
"""Of the distance between a step down and a step up: what lies nearer is the same."""
NOT_GOOD_ENOUGH, OUT_OF_REACH = "is not as good as is accepted", "is out of reach"


@dataclass(frozen=True, kw_only=True, eq=False)
class ToneStart:
    """Where a unit of the same topology has the tone of a step; plain data, so that it can be sent to processes."""

    level_dbu: float
    rest: State
    state: State
    """Steady under the tone, what is set standing where it stood."""


def tone_start(unit: Unit, step: AlignmentStep, quality: str) -> ToneStart:
    """That of a unit for its builds. Raises InputError or ConvergenceError."""
    tones = _Tones(unit, step, quality, None, None)
    return ToneStart(level_dbu=tones.level_dbu, rest=tones.rest, state=tones.state)


def set_under_tone(
    unit: Unit, step: AlignmentStep, quality: str, near: Rig | None = None, start: ToneStart | None = None
) -> tuple[float, str]:
    """What a step comes to: position or value, and why it is not as it must be, in a clause, empty where it is.

    ``start``: the tone in a unit of the same topology, whose bias point is in ``near``. Raises InputError or
    ConvergenceError.
    """
    tones, travel = _Tones(unit, step, quality, near, start), Travel.of(unit, step.set, step.series)
    if READINGS[step.read].least:
        return _least(partial(_second, tones), travel, step)
    return _met(lambda value: of_steady_tone(step, tones.bench, tones(value), tones.level_dbu), travel, step)


class _Tones:
    """Steady states under the tone of a step, with what it sets at any value, each looked for from the last one."""

    def __init__(
        self, unit: Unit, step: AlignmentStep, quality: str, near: Rig | None, start: ToneStart | None
    ) -> None:
        self.step, self.bench = step, Bench(unit, quality, near=near)
        self.period = period_of(step.frequency_hz, self.bench)
        self._present = Travel.of(unit, step.set).present
        self.rest = self.state = self.bench.run().state
        if start is not None:
            self.state = self.rest.with_vector(self.rest.vector() + start.state.vector() - start.rest.vector())
        self.level_dbu = self._level(start)
        if start is None:
            self(self._present)

    def __call__(self, value: float) -> Steady:
        unit = self.bench.unit
        there = self.bench if value == self._present else self.bench.of_version(unit.changed({self.step.set: value}))
        return self._steady(there, self.level_dbu)

    def _steady(self, bench: Bench, level_dbu: float) -> Steady:
        run = bench.run()
        run.state = self.state
        tone_v = self.period.tone(level_dbu, AT_PEAK)
        found = settled_at(run, tone_v, f"at {level_dbu:g} dBu, {self.step.frequency_hz:g} Hz")
        self.state = run.state
        return found

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
            reduction_db = float(np.mean(self._steady(self.bench, level).block.reduction_db))
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


def _second(tones: _Tones, value: float) -> complex:
    """Second harmonic over the fundamental, turned to where the fundamental has no phase."""
    volts, period = tones(value).block.output_v, tones.period
    first, second = phasor(volts, period), phasor(volts, period, order=2)
    return second / abs(first) * (abs(first) / first) ** 2


def _least(read: Callable[[float], complex], travel: Travel, step: AlignmentStep) -> tuple[float, str]:
    low, high = travel.ends
    known: dict[float, complex] = {}
    place, wanted = travel.start, [travel.present, _beside(travel)]
    while wanted and len(known) < MOST_READINGS:
        known |= {value: read(value) for value in wanted}
        place = float(np.clip(_nearest_to_zero(known, travel), low, high))
        wanted = [one for one in travel.preferred(travel.value(place)) if not _is_known(one, known, travel)]
    value = min(known, key=lambda one: abs(known[one]))
    if step.accepted is not None:
        return value, "" if abs(known[value]) <= step.accepted else NOT_GOOD_ENOUGH
    return value, OUT_OF_REACH if place in (low, high) else ""


def _nearest_to_zero(known: dict[float, complex], travel: Travel) -> float:
    """On the way, along the straight line through the two least readings."""
    one, other = sorted(known, key=lambda value: abs(known[value]))[:2]
    way, slope = travel.way(one), (known[other] - known[one]) / (travel.way(other) - travel.way(one))
    return way if slope == 0.0 else way - (known[one] * slope.conjugate()).real / abs(slope) ** 2


def _met(read: Callable[[float], float], travel: Travel, step: AlignmentStep) -> tuple[float, str]:
    assert step.must_be is not None
    goal, known = step.must_be, dict[float, float]()

    def missed(way: float) -> float:
        value = travel.value(way)
        if value not in known:
            known[value] = read(value) - goal
        return known[value]

    found = find(missed, travel.start, travel.ends, TURN_STEP, CLOSE)
    value = min(travel.preferred(travel.value(found.way)), key=lambda one: abs(missed(travel.way(one))))
    near_enough = step.accepted is None or abs(missed(travel.way(value))) <= step.accepted
    return value, "" if found.reached and near_enough else NOT_GOOD_ENOUGH if found.reached else OUT_OF_REACH


def _beside(travel: Travel) -> float:
    below, above = travel.around(travel.present)
    return above if above != travel.present else below


def _is_known(value: float, known: Iterable[float], travel: Travel) -> bool:
    """Whether one has been read that is as good as the same."""
    below, above = travel.around(value)
    return any(abs(value - one) < ALIKE * (above - below) for one in known)
