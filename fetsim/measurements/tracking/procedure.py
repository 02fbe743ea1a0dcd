"""How the two channels of a pair go together over level: joined, and apart.

A steady tone in both channels, alike in one reading; in the others one side is louder. Joined, both inputs drive the
one circuit that the pair is; apart, each channel is a unit of its own. An image shift is by how much the level
difference at the outputs (left over right, of the fundamental) is larger than at the inputs: where one side is turned
down more than the other, the image leaves it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import ClassVar

import numpy as np

from fetsim.errors import InputError
from fetsim.measurements.bench.bench import Bench, Played
from fetsim.measurements.bench.given import of_unit
from fetsim.measurements.bench.steady import settled_at, tone_level_dbu, whole_period
from fetsim.measurements.results.result import Result
from fetsim.rig.gain_cell import Reference, reference_named
from fetsim.rig.provenance import provenance_of_both
from fetsim.rig.request import check_level, check_work, settling_s
from fetsim.rig.rig import Rig
from fetsim.rig.runner import Progress, run_all, unwatched
from fetsim.schematic.unit import Unit

DEFAULT_LEVELS_DBU = tuple(float(level) for level in range(-30, 21, 5))
DEFAULT_FREQUENCY_HZ = 1000.0
DEFAULT_LOUDER_DB = 6.0
LARGEST_LOUDER_DB = 100.0
LEFT, RIGHT = "left", "right"


@dataclass(frozen=True, kw_only=True)
class Side:
    """One channel under a steady tone."""

    input_dbu: float
    output_dbu: float
    """Of the fundamental."""
    reduction_db: float
    """In the FET's divider, mean over the cycle."""


Sides = tuple[Side, Side]
"""Left, right."""


@dataclass(frozen=True, kw_only=True)
class TrackingPoint:
    """Both channels at one level of the louder one."""

    joined: bool
    level_dbu: float
    alike: Sides
    """The same tone in both;"""
    left_louder: Sides
    """the right one lower,"""
    right_louder: Sides
    """the left one lower."""

    @property
    def tracking_db(self) -> float:
        """By how much more gain reduction the left channel has with the same tone in both."""
        return self.alike[0].reduction_db - self.alike[1].reduction_db

    @property
    def shifts_db(self) -> tuple[float, float, float]:
        """Image shift with the same in both, the left and the right one louder; positive towards the left."""
        alike, left, right = (image_shift_db(sides) for sides in (self.alike, self.left_louder, self.right_louder))
        return alike, left, right


def image_shift_db(sides: Sides) -> float:
    """Level difference, left over right, at the outputs less that at the inputs."""
    left, right = sides
    return (left.output_dbu - right.output_dbu) - (left.input_dbu - right.input_dbu)


@dataclass(frozen=True, kw_only=True)
class TrackingMeasurement(Result):
    """All readings of a pair at one setting."""

    ROOM: ClassVar[str] = "tracking"

    frequency_hz: float
    louder_db: float
    """By how much one side is louder than the other."""
    at_rest_db: float
    """Gain of the left channel over that of the right one, small signals."""
    points: tuple[TrackingPoint, ...]
    """Joined, if they are, then apart; levels rising in each."""


@of_unit
def measure_tracking(
    unit: Unit,
    *,
    levels_dbu: Sequence[float] = DEFAULT_LEVELS_DBU,
    louder_db: float = DEFAULT_LOUDER_DB,
    frequency_hz: float = DEFAULT_FREQUENCY_HZ,
    against: Reference = "idle",
    quality: str = "standard",
    progress: Progress = unwatched,
) -> TrackingMeasurement:
    """Gain reduction of both channels of a pair, and the image shift with the same tone in both and with one side
    ``louder_db`` louder, over the level of the louder side; joined as the pair is, and apart.

    Raises InputError for a unit of one channel or a channel without gain cell, ConvergenceError.

    >>> import fetsim
    >>> from pathlib import Path
    >>> _ = Path("two.toml").write_text('name = "Two"\\npair = { left = "teaching", right = "teaching" }')
    >>> found = fetsim.measure_tracking(fetsim.load_unit("two.toml"), levels_dbu=[-10], quality="draft")
    >>> round(found.points[0].shifts_db[1], 1)  # the left side was 6 dB louder
    -5.2
    """
    if not unit.channels:
        raise InputError(f"{unit.name}: has one channel; tracking is measured between the two of a pair")
    if not 0.0 < louder_db <= LARGEST_LOUDER_DB:
        raise InputError(f"louder: must lie between 0 and {LARGEST_LOUDER_DB:g} dB, not {louder_db:g}")
    levels = sorted({float(level) for level in levels_dbu})
    if not levels:
        raise InputError("levels: give at least one")
    for level in levels:
        check_level(level)
        if not np.isfinite(level):
            raise InputError("levels: silence has no image")
    apart = {name: Bench(unit.alone(name), quality, against=reference_named(against)) for name in unit.channels}
    work_s = 8 * len(levels) * settling_s(frequency_hz)
    check_work(unit, work_s, apart[LEFT].rate_hz, "give fewer levels")
    for bench in apart.values():
        bench.gain_cell  # noqa: B018  where there is none, it says so before anything is played
    whole = Bench(unit.listening(LEFT), quality, against=reference_named(against))
    balances = {"alike": 0.0, "left_louder": louder_db, "right_louder": -louder_db}
    joined = {name: _Joined(whole, lead_db, levels, frequency_hz) for name, lead_db in balances.items()}
    alone = {name: _Alone(bench, [*levels, *(level - louder_db for level in levels)], frequency_hz)
             for name, bench in apart.items()}  # fmt: skip
    jobs: dict[str, _Joined | _Alone] = {**(joined if unit.is_joined else {}), **alone}
    found = run_all(jobs, lambda job, told: job.sides(told), progress)
    points = []
    for is_joined in (True, False)[not unit.is_joined :]:
        for level in levels:
            readings = {
                name: found[name][level] if is_joined else (
                    found[LEFT][level + min(lead_db, 0.0)][0], found[RIGHT][level - max(lead_db, 0.0)][0]
                )
                for name, lead_db in balances.items()
            }
            points.append(TrackingPoint(joined=is_joined, level_dbu=level, **readings))
    rigs = [bench.rig for bench in apart.values()]
    if unit.is_joined:
        rigs = [whole.rig, joined["alike"].right]
    gains = [rig.idle_gain_db(frequency_hz) for rig in rigs]
    return TrackingMeasurement(
        provenance=provenance_of_both(whole.rig), frequency_hz=frequency_hz, louder_db=louder_db,
        at_rest_db=gains[0] - gains[1], points=tuple(points),
    )  # fmt: skip


class _Joined:
    """A pair as one circuit, the left source ``lead_db`` above the right one."""

    def __init__(self, bench: Bench, lead_db: float, levels_dbu: Sequence[float], frequency_hz: float) -> None:
        self._bench = replace(bench, second_share=10.0 ** (-lead_db / 20.0), near=bench.rig if lead_db else None)
        self._lead_db, self._levels, self._frequency_hz = lead_db, levels_dbu, frequency_hz

    @cached_property
    def right(self) -> Rig:
        """The same circuit, listened to at the right channel."""
        rig = self._bench.rig
        return replace(rig, unit=rig.unit.listening(RIGHT), near=rig)

    def sides(self, told: Progress) -> Mapping[float, Sides]:
        """Level of the louder source -> both channels."""
        period = whole_period(self._frequency_hz, self._bench.rate_hz)
        run = self._bench.run([*self.right.watched])
        found = {}
        for number, level in enumerate(self._levels, 1):
            left_dbu = level + min(self._lead_db, 0.0)
            block = settled_at(run, period.tone(left_dbu), f"at {level:g} dBu").block
            heard = (block, Played(rig=self.right, names=block.names, marched=block.marched))
            left, right = (
                Side(input_dbu=input_dbu, output_dbu=tone_level_dbu(one.output_v, period),
                     reduction_db=float(np.mean(one.reduction_db)))
                for input_dbu, one in zip((left_dbu, left_dbu - self._lead_db), heard, strict=True)
            )  # fmt: skip
            found[level] = (left, right)
            told(number / len(self._levels))
        return found


class _Alone:
    """One channel as a unit of its own."""

    def __init__(self, bench: Bench, levels_dbu: Sequence[float], frequency_hz: float) -> None:
        self._bench, self._levels, self._frequency_hz = bench, sorted(set(levels_dbu)), frequency_hz

    def sides(self, told: Progress) -> Mapping[float, Sides]:
        """Level of the source -> the channel, in both places."""
        period = whole_period(self._frequency_hz, self._bench.rate_hz)
        run = self._bench.run()
        found = {}
        for number, level in enumerate(self._levels, 1):
            block = settled_at(run, period.tone(level), f"at {level:g} dBu").block
            side = Side(
                input_dbu=level, output_dbu=tone_level_dbu(block.output_v, period),
                reduction_db=float(np.mean(block.reduction_db)),
            )  # fmt: skip
            found[level] = (side, side)
            told(number / len(self._levels))
        return found
