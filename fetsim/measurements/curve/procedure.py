"""Static curves of a unit: output against input level of a steady tone, for each subset of a bank's switches.

Every level is the periodic steady state itself (``steady``), found from those of its neighbours and by the monodromy of
one not far below; ``wait_s`` gives what a bench reads that stays so long at each rising level. Where the gain reduction
passes 0.5 and 2 dB the steps are halved until they are fine enough for the threshold (the knee of such a loop is a
corner: inside a 1 dB step it would be misplaced by up to 0.25 dB).
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import ClassVar, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from fetsim.engine.assembly import Array
from fetsim.engine.shooting import Monodromy
from fetsim.engine.state import State
from fetsim.errors import ConvergenceError, FetsimError, InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.given import of_unit
from fetsim.measurements.bench.steady import (
    Steady,
    monodromy_at,
    period_of,
    settle,
    start_among,
    tone_level_dbu,
    wait,
)
from fetsim.measurements.bench.subsets import EVERY, switched
from fetsim.measurements.curve.analysis import (
    IEC_THRESHOLD_DB,
    LOW_THRESHOLD_DB,
    EqualCurves,
    StaticCurve,
    equal_curves,
    level_at_reduction,
    ratio_at_reduction,
    static_curve,
)
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.results.result import Result
from fetsim.measurements.traces.checks import Samples, positive, samples
from fetsim.rig.gain_cell import Reference, reference_named
from fetsim.rig.provenance import provenance
from fetsim.rig.request import check_tone, check_work, settling_s
from fetsim.rig.runner import Progress, run_each, unwatched
from fetsim.schematic.unit import Unit

DEFAULT_LEVELS_DBU = tuple(range(-30, 25))
DEFAULT_FREQUENCY_HZ = 1000.0
LOWEST_DBU, HIGHEST_DBU = -100.0, 60.0
THRESHOLDS_DB = (LOW_THRESHOLD_DB, IEC_THRESHOLD_DB)
THRESHOLD_STEP_DB = 0.125  # between the levels around a threshold: leaves 0.03 dB where there is a corner
STATED_REDUCTION_DB = 10.0  # at which a local ratio is always told
CLIPPED_DB = 0.5  # by which the output may fall behind what the FET accounts for
EQUAL_DB = 0.25  # curves that stay as near as this are called nearly equal
WORN_OUT_S = 0.08  # of playing that a level takes: from there on the monodromy, which takes 0.25 s, is taken anew
COMPARED_STEP_DB = 6.0  # between the levels at which all subsets are compared
SAME_LEVEL_DB = 1e-9  # levels no further apart are one


@dataclass(frozen=True, kw_only=True)
class SubsetCurve:
    """The curve with one subset of switches closed; arrays run over the input levels, rising."""

    switches: str
    """As ``S1+S3`` or ``none``; empty for a unit without switches."""
    idle_gain_db: float
    """Small-signal gain from the source to the output at the tone's frequency, at rest."""
    curve: StaticCurve
    """Of the fundamental at the output."""
    ratio_at_10db: float | None
    """Local ratio where the gain reduction is 10 dB; None where it never is."""
    cell_reduction_db: Samples
    """Gain reduction in the FET's divider, mean over the cycle: unlike the output's it knows of no stage that clips."""
    control_v: Samples
    """Mean control voltage; NaN for a unit without a gain cell."""
    clips_dbu: float | None
    """Lowest input level at which the output has lost 0.5 dB more than the FET accounts for: a stage clips."""


@dataclass(frozen=True, kw_only=True)
class SubsetThresholds:
    """Where the gain reduction passes 0.5 and 2 dB with one subset of switches closed, or why it does not."""

    switches: str
    threshold_half_db_dbu: float | Missing
    threshold_2db_dbu: float | Missing


@dataclass(frozen=True, kw_only=True)
class CurveMeasurement(Result):
    """Curves of a unit at one setting of its other controls."""

    ROOM: ClassVar[str] = "curve"

    frequency_hz: float
    method: str
    """How every level was brought to rest, in words."""
    curves: tuple[SubsetCurve, ...]
    present: str
    """The switches as the unit has them closed, named as in ``SubsetCurve``; it need not be among the curves."""
    compared: int
    """Number of subsets looked at for equals; 0 where that was not asked for."""
    equals: tuple[EqualCurves, ...]
    """Groups of switch subsets whose curves are equal or nearly so,"""
    equal_db: float
    """that is, within this at every level compared."""
    thresholds: tuple[SubsetThresholds, ...]
    """Of all subsets compared, refined as those of the curves are."""
    left_out: Mapping[str, str]
    """Switch subset -> why it has no curve: it never comes to rest, say. The others are there all the same."""


@of_unit
def measure_curve(
    unit: Unit,
    *,
    switches: Sequence[str] | str | None = None,
    levels_dbu: ArrayLike = DEFAULT_LEVELS_DBU,
    frequency_hz: float = DEFAULT_FREQUENCY_HZ,
    wait_s: float | None = None,
    compare: bool = True,
    equal_db: float = EQUAL_DB,
    against: Reference = "idle",
    quality: str = "standard",
    progress: Progress = unwatched,
) -> CurveMeasurement:
    """Static curves at rising source levels ``levels_dbu`` [shape=(n,)].

    ``switches``: subsets such as ``["S1", "S2+S3", "none"]``, or ``"every"`` (default: each switch of the bank on its
    own). ``compare`` also looks through all subsets for equal ones, within ``equal_db`` at levels 6 dB apart.
    ``against``: what gain reduction is counted from, the unit at rest or (``"open"``) the FET taken out.
    ``wait_s`` stays that long at every level instead of solving for the steady state; then no step is refined.

    A subset that has no steady state is left out. Raises InputError, UnitError, or ConvergenceError when no subset
    has one.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> found = fetsim.measure_curve(unit, levels_dbu=[-24.0, -16.0, -8.0], wait_s=0.02, quality="draft")
    >>> [round(float(x), 1) for x in found.curves[0].curve.gain_reduction_db[1:]]
    [4.3, 10.8]
    """
    levels = samples(levels_dbu, "levels", at_least=3)
    if np.any(np.diff(levels) <= 0.0) or levels[0] < LOWEST_DBU or levels[-1] > HIGHEST_DBU:
        raise InputError(f"levels: must rise, within {LOWEST_DBU:g} to {HIGHEST_DBU:g} dBu")
    if wait_s is not None:
        positive(wait_s, "wait")
    chosen = switched(unit, switches)
    everything = switched(unit, EVERY) if compare and unit.banks else {}
    coarse = np.append(np.arange(levels[0], levels[-1], COMPARED_STEP_DB), levels[-1])
    bench = Bench(unit, quality, against=reference_named(against))
    check_tone(frequency_hz)
    each_s = settling_s(frequency_hz)
    check_work(
        unit,
        len(chosen) * levels.size * (each_s if wait_s is None else wait_s) + len(everything) * coarse.size * each_s,
        bench.rate_hz, "give fewer levels, switch settings or seconds to wait",
    )  # fmt: skip

    def drawn(name: str, told: Progress) -> _Swept:
        sweep = _Sweep(bench.of_version(chosen[name]), frequency_hz, wait_s)
        points = sweep.rising(levels, told)
        return _Swept(_subset_curve(sweep, points), _compared(sweep, points, coarse) if name in shared else None)

    def compared(name: str, told: Progress) -> _Swept:
        sweep = _Sweep(bench.of_version(everything[name]), frequency_hz, None)
        return _Swept(None, _compared(sweep, sweep.rising(coarse, told), coarse))

    shared = chosen.keys() & everything.keys() if wait_s is None else set()
    jobs: dict[tuple[str, str], Callable[[Progress], _Swept]] = {
        **{("curve", name): partial(drawn, name) for name in chosen},
        **{("compared", name): partial(compared, name) for name in everything if name not in shared},
    }
    done, failed = run_each(jobs, lambda job, told: job(told), progress)
    curves = {name: one.curve for (_, name), one in done.items() if one.curve is not None}
    by_name = {name: one.compared for (_, name), one in done.items() if one.compared is not None}
    found = {name: by_name[name] for name in everything if name in by_name}
    left_out = {name: str(error) for (_, name), error in failed.items()}
    if not curves:
        (_, name), error = next(iter(failed.items()))
        raise type(error)(_named(name, error))
    return CurveMeasurement(
        provenance=provenance(bench.rig),
        frequency_hz=period_of(frequency_hz, bench).frequency_hz,
        method="steady state" if wait_s is None else f"{wait_s:g} s at every rising level",
        curves=tuple(curves.values()),
        present=closed_switches(unit),
        compared=len(found),
        equals=equal_curves({name: outputs for name, (outputs, _) in found.items()}, tolerance_db=equal_db),
        equal_db=equal_db,
        thresholds=tuple(thresholds for _, thresholds in found.values()),
        left_out=left_out,
    )


def closed_switches(unit: Unit) -> str:
    """The closed switches of the unit's bank as ``S1+S3`` or ``none``, its selector's position; empty without one."""
    bank = next(iter(unit.banks.values()), None)
    return "" if bank is None else bank.state


def _named(switches: str, error: FetsimError) -> str:
    return f"switches {switches}: {error}" if switches else str(error)


class _Swept(NamedTuple):
    """What the sweep of one subset is for."""

    curve: SubsetCurve | None
    compared: tuple[Array, SubsetThresholds] | None
    """Output levels [dBu] at the levels at which all subsets are compared, and thresholds."""


class _Point(NamedTuple):
    """One level, and where to go on from."""

    level_dbu: float
    output_dbu: float
    cell_reduction_db: float
    control_v: float
    state: State


class _Sweep:
    """One run of one unit, from level to level."""

    def __init__(self, bench: Bench, frequency_hz: float, wait_s: float | None) -> None:
        self.bench, self.frequency_hz, self.wait_s = bench, frequency_hz, wait_s
        self.period = period_of(frequency_hz, bench)
        cell = bench.unit.gain_cell
        self.control = cell.control_node if cell is not None else None
        self.run = bench.run([self.control] if self.control else [])
        self._near: Monodromy | None = None

    def measure(self, level_dbu: float) -> _Point:
        """Bring one level to rest and read it."""
        tone_v = self.period.tone(level_dbu)
        try:
            found = self._settled(tone_v) if self.wait_s is None else wait(self.run, tone_v, self.wait_s)
        except ConvergenceError as error:
            raise error.at(f"at {level_dbu:g} dBu") from None
        block = found.block
        return _Point(
            level_dbu,
            tone_level_dbu(block.output_v, self.period),
            float(np.mean(block.reduction_db)),
            float(np.mean(block.nodes[self.control])) if self.control else np.nan,
            self.run.state,
        )

    def _settled(self, tone_v: Array) -> Steady:
        """By the monodromy of a level before, which serves until one takes long with it."""
        found = settle(self.run, tone_v, near=self._near)
        if self._near is None or found.played_s > WORN_OUT_S:
            self._near = monodromy_at(self.run, tone_v)
        return found

    def rising(self, levels_dbu: Samples, told: Progress) -> list[_Point]:
        """Level by level: what waits goes on from the level before, as a bench would, what is solved for from where
        the two levels before point to."""
        points: list[_Point] = []
        for number, level in enumerate(levels_dbu, start=1):
            if self.wait_s is None and len(points) > 1:
                self.run.state = _start(points[-2:], float(level))
            points.append(self.measure(float(level)))
            told(number / len(levels_dbu))
        return points

    def between(self, lower: _Point, upper: _Point, level_dbu: float) -> _Point:
        """A level, from between the states of those around it."""
        self.run.state = _start((lower, upper), level_dbu)
        return self.measure(level_dbu)


def _start(points: Sequence[_Point], level_dbu: float) -> State:
    return start_among({point.level_dbu: point.state for point in points}, level_dbu)


def _subset_curve(sweep: _Sweep, points: list[_Point]) -> SubsetCurve:
    idle_db = sweep.bench.rig.idle_gain_db(sweep.period.frequency_hz)
    if sweep.wait_s is None:
        for threshold_db in THRESHOLDS_DB:
            _refine(sweep, points, idle_db + sweep.bench.rig.counted_in_db, threshold_db)
    inputs, outputs, reductions, controls = np.array([point[:4] for point in points]).T
    curve = static_curve(outputs, level_dbu=inputs, idle_gain_db=idle_db + sweep.bench.rig.counted_in_db)
    return SubsetCurve(
        switches=closed_switches(sweep.bench.unit),
        idle_gain_db=idle_db,
        curve=curve,
        ratio_at_10db=ratio_at_reduction(curve, gain_reduction_db=STATED_REDUCTION_DB),
        cell_reduction_db=reductions,
        control_v=controls,
        clips_dbu=_clips(curve, reductions) if sweep.control else None,
    )


def _compared(sweep: _Sweep, points: list[_Point], levels_dbu: Array) -> tuple[Array, SubsetThresholds]:
    """Outputs at these levels, those looked for that are not among the points; thresholds of the points."""
    outputs = []
    for level in levels_dbu:
        lower = max((point for point in points if point.level_dbu <= level + SAME_LEVEL_DB), key=lambda one: one[0])
        if level - lower.level_dbu > SAME_LEVEL_DB:
            upper = min((point for point in points if point.level_dbu > level), key=lambda one: one[0])
            lower = sweep.between(lower, upper, float(level))
        outputs.append(lower.output_dbu)
    return np.array(outputs), _thresholds(sweep, points)


def _thresholds(sweep: _Sweep, points: list[_Point]) -> SubsetThresholds:
    idle_db = sweep.bench.rig.idle_gain_db(sweep.period.frequency_hz) + sweep.bench.rig.counted_in_db
    for threshold_db in THRESHOLDS_DB:
        _refine(sweep, points, idle_db, threshold_db)
    inputs, outputs = np.array([point[:2] for point in points]).T
    low, high = (level_at_reduction(inputs, idle_db + inputs - outputs, wanted_db) for wanted_db in THRESHOLDS_DB)
    return SubsetThresholds(
        switches=closed_switches(sweep.bench.unit), threshold_half_db_dbu=low, threshold_2db_dbu=high
    )


def _clips(curve: StaticCurve, cell_reduction_db: Samples) -> float | None:
    lost = np.flatnonzero(curve.gain_reduction_db - cell_reduction_db > CLIPPED_DB)
    return float(curve.level_dbu[lost[0]]) if lost.size else None


def _refine(sweep: _Sweep, points: list[_Point], idle_db: float, threshold_db: float) -> None:
    """Halve the step in which the gain reduction passes the threshold until it is fine enough."""

    def reached(point: _Point) -> bool:
        return idle_db + point.level_dbu - point.output_dbu >= threshold_db

    above = next((k for k, point in enumerate(points) if reached(point)), 0)
    if above == 0:
        return
    while points[above].level_dbu - points[above - 1].level_dbu > THRESHOLD_STEP_DB:
        middle_dbu = 0.5 * (points[above - 1].level_dbu + points[above].level_dbu)
        points.insert(above, sweep.between(points[above - 1], points[above], middle_dbu))
        above += not reached(points[above])
