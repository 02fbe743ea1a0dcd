"""Attack and release of a unit on tone bursts: every definition of ``timing``, over a grid of settings.

The trace of gain reduction comes from the FET's channel (``gain_cell``), sample by sample of the internal rate and with
no envelope detector in between; or, as on hardware, from the output: the burst is played a second time 60 dB lower,
where nothing compresses, and the ratio of both outputs is taken (``envelope.local_gain``), so that phase shifts and
ringing of transformers cancel.

An attack faster than the tone depends on where in the cycle the step falls, so it is measured at several phases and
told as a range. A release is slow against the cycle; one phase is the default (on the Dunlin four phases spread its
63 % time by 0.1 % at 5 kHz).

Where the gain itself ripples within the cycle (a FET without linearising network, a control voltage without smoothing)
the trace is averaged over one cycle, centred, and then resolves nothing shorter: the result says so.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from math import prod
from typing import ClassVar, NamedTuple

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.errors import FetsimError, InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.bursts import Level, Step, known_levels, level_near, play_step, steady_level
from fetsim.measurements.bench.given import of_unit
from fetsim.measurements.bench.operating import threshold_dbu
from fetsim.measurements.bench.steady import period_of
from fetsim.measurements.results.missing import Cause, Missing
from fetsim.measurements.results.result import Result
from fetsim.measurements.timing.analysis import StepTiming, advised, step_timing
from fetsim.measurements.traces.envelope import local_gain
from fetsim.rig.gain_cell import Reference, reference_named
from fetsim.rig.provenance import provenance
from fetsim.rig.request import check_tone, check_work, settling_s
from fetsim.rig.runner import Progress, run_all, run_each, unwatched
from fetsim.schematic.unit import Unit

DEFAULT_FREQUENCY_HZ = 5000.0
AROUND_THRESHOLD_DB = 10.0  # default step: from so much under the 0.5 dB threshold to so much over it
PHASES = 8
MOST_SETTINGS = 5000  # of a grid
LEAST_NEIGHBOURS = 4  # settings with one step: so many are worth a monodromy of each level
RECORD_S = 1.0  # of a burst and its release, about
SILENCE_DBU = -np.inf
FET, OUTPUT = "fet", "output"
READ_OFF = (FET, OUTPUT)  # where the gain reduction is read
RIPPLE_SHARE = 0.02  # rms within the cycle over the change: more and the trace is averaged over a cycle
LOWERED_DB = 60.0  # by which the burst is lowered to see the unit without gain reduction
WINDOW_CYCLES = 0.25  # of the fit that reads the gain off the output
MOST_SAMPLES = 100_000  # in an analysed trace; longer ones are averaged in groups
KEPT_POINTS = 500  # of a trace in the result, close together near the step
FIGURES = (
    "t63_s", "t90_s", "t10_90_s", "within_2db_s", "within_3db_s", "within_4db_s", "tau_s", "slow_tau_s",
)  # fmt: skip
ADVICE: Mapping[Cause, str] = {
    "too short": "the gain is at its end by then, so this is no exponential",  # the trace runs until it rests
    "too coarse": "take a higher test frequency or a finer quality",
    "unsteady": "take a larger step",
    "nothing to measure": "take a larger step",
}


@dataclass(frozen=True, kw_only=True)
class Spread:
    """One figure over the phases; None where no phase gives it."""

    at_zero: float | None
    """With the step where the tone crosses zero upwards."""
    least: float | None
    most: float | None
    missing: int
    """Phases that do not give it."""
    reason: Missing | None
    """Why the first of those does not; None where all give it."""


@dataclass(frozen=True, kw_only=True)
class StepAnswer:
    """How the gain reduction answers to steps one way."""

    kind: str
    """``attack``, ``release`` or ``none``."""
    reduction_before_db: float
    """Steady gain reduction, mean over the cycle."""
    reduction_after_db: float
    spreads: Mapping[str, Spread]
    """Figure of ``timing.StepTiming`` -> its spread over the phases."""
    resolution_s: float
    """Shortest time that the trace shows."""
    averaged: bool
    """Whether the trace is the mean over one cycle, because the gain ripples within it."""
    phases_deg: tuple[float, ...]
    timings: tuple[StepTiming, ...]
    """Phase by phase."""
    time_s: Array
    """From the step, for the trace [shape=(m,)]; close together near the step."""
    reduction_db: Array
    """The trace with the step at phase zero."""
    reduction_least_db: Array
    """Least and most over the phases at the same time after the step."""
    reduction_most_db: Array


@dataclass(frozen=True, kw_only=True)
class SettingTiming:
    """One setting of the grid."""

    setting: Mapping[str, str]
    """Name -> value of what is varied; empty for a single setting."""
    before_dbu: float
    """Source level before the attack; -inf for silence."""
    level_dbu: float
    attack: StepAnswer
    release: StepAnswer


@dataclass(frozen=True, kw_only=True)
class TimingMeasurement(Result):
    """Attack and release of a unit at one or more settings."""

    ROOM: ClassVar[str] = "timing"

    frequency_hz: float
    read_off: str
    """``fet``: from the FET's channel; ``output``: from the output's envelope."""
    settings: tuple[SettingTiming, ...]
    left_out: Mapping[str, str]
    """Setting of the grid -> why it has no times: it never comes to rest, say. The others are there all the same."""


@of_unit
def measure_timing(
    unit: Unit,
    *,
    before_dbu: float | None = None,
    level_dbu: float | None = None,
    frequency_hz: float = DEFAULT_FREQUENCY_HZ,
    vary: Mapping[str, Sequence[str | float]] | None = None,
    phases: int = PHASES,
    release_phases: int = 1,
    read_off: str = FET,
    against: Reference = "idle",
    quality: str = "standard",
    progress: Progress = unwatched,
) -> TimingMeasurement:
    """Attack from ``before_dbu`` to ``level_dbu`` (levels at the source; -inf for silence) and release back again.

    By default the step goes from 10 dB under the unit's 0.5 dB threshold to 10 dB over it; it is the same for all
    settings, except that each subset of a bank that is varied has its own. ``vary``: name of a control, part or bank
    -> values; all combinations are measured. ``phases`` of the attack's step within the cycle, evenly spread.
    ``against``: what gain reduction is counted from, the unit at rest or (``"open"``) the FET taken out; no time and
    no default level depends on it.

    A setting of the grid that cannot be measured is left out. Raises InputError, UnitError, or ConvergenceError when
    no setting has a steady state.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> found = fetsim.measure_timing(unit, before_dbu=-20.0, level_dbu=-5.0, phases=1, quality="draft")
    >>> f"{1000.0 * found.settings[0].release.spreads['t63_s'].at_zero:.0f} ms"
    '74 ms'
    """
    _check(before_dbu, level_dbu, phases, release_phases, read_off, unit)
    grid = _combinations(vary or {})
    check_tone(frequency_hz)
    check_work(
        unit, len(grid) * (phases + release_phases) * (RECORD_S + settling_s(frequency_hz)),
        Bench(unit, quality).rate_hz, "vary fewer things, or take fewer phases",
    )  # fmt: skip
    middle = Bench(unit, quality, against=reference_named(against))
    levels: dict[tuple[str, ...], tuple[float, float] | FetsimError] = {}
    jobs, failed = {}, {}
    for setting in grid:
        version = _changed(unit, setting)
        banks = {name: value for name, value in setting.items() if name in unit.banks}
        key = tuple(str(value) for value in banks.values())
        if key not in levels:
            levels[key] = _attempted(middle.of_version(_changed(unit, banks)), before_dbu, level_dbu, frequency_hz)
        found = levels[key]
        if isinstance(found, FetsimError):
            failed[setting_in_words(setting)] = found
        else:
            jobs[setting_in_words(setting)] = (version, setting, found)
    of_step = {step: [version for version, _, its in jobs.values() if its == step] for _, _, step in jobs.values()}
    known, _ = run_each(
        {step: (step, its[len(its) // 2]) for step, its in of_step.items() if len(its) >= LEAST_NEIGHBOURS},
        lambda job, _: known_levels(middle.of_version(job[1]), job[0], frequency_hz),
    )

    def one(job: tuple[Unit, dict[str, str | float], tuple[float, float]], told: Progress) -> SettingTiming:
        version, setting, (low, high) = job
        bench = middle.of_version(version)
        near_quiet, near_loud = known.get((low, high), (None, None))
        quiet = level_near(bench, low, frequency_hz, None, near_quiet)
        loud = level_near(bench, high, frequency_hz, quiet.run, near_loud)
        answers = run_all(
            {"attack": (quiet, loud, phases), "release": (loud, quiet, release_phases)},
            lambda step, its: _answer(*step, frequency_hz, read_off, its), told,
        )  # fmt: skip
        return SettingTiming(
            setting={name: str(value) for name, value in setting.items()}, before_dbu=low, level_dbu=high, **answers
        )

    measured, unmeasured = run_each(jobs, one, progress)
    failed |= unmeasured
    if not measured:
        name, error = next(iter(failed.items()))
        raise type(error)(f"{name}: {error}" if name else str(error))
    return TimingMeasurement(
        provenance=provenance(middle.rig),
        frequency_hz=period_of(frequency_hz, middle).frequency_hz,
        read_off=read_off,
        settings=tuple(measured.values()),
        left_out={name: str(error) for name, error in failed.items()},
    )


def _check(
    before_dbu: float | None, level_dbu: float | None, phases: int, release_phases: int, read_off: str, unit: Unit
) -> None:
    if read_off not in READ_OFF:
        raise InputError(f"read_off: unknown place {read_off[:20]!r}; choose from {', '.join(READ_OFF)}")
    if read_off == FET and unit.gain_cell is None:
        raise InputError(f"{unit.name}: has no [gain_cell]; read the gain reduction off the output instead")
    if read_off == OUTPUT and before_dbu == SILENCE_DBU:
        raise InputError("before: out of silence there is no output to read a gain from; give a level in dBu")
    if min(phases, release_phases) < 1 or max(phases, release_phases) > 360:
        raise InputError("phases: give a number from 1 to 360")
    if before_dbu is not None and level_dbu is not None and not before_dbu < level_dbu:
        raise InputError(f"before, level: the level must rise, from {before_dbu:g} dBu it goes to {level_dbu:g} dBu")


def _combinations(vary: Mapping[str, Sequence[str | float]]) -> list[dict[str, str | float]]:
    for name, values in vary.items():
        if not values:
            raise InputError(f"vary: {name} has no values")
    count = prod(len(values) for values in vary.values())
    if count > MOST_SETTINGS:
        raise InputError(f"vary: these are {count} settings; {MOST_SETTINGS} at the most, so give fewer values")
    return [dict(zip(vary, values, strict=True)) for values in product(*vary.values())]


def setting_in_words(setting: Mapping[str, str | float]) -> str:
    """As ``attack=0.5, release=1``; empty for a single setting."""
    return ", ".join(f"{name}={value}" for name, value in setting.items())


def _changed(unit: Unit, setting: Mapping[str, str | float]) -> Unit:
    """The unit at a setting of the grid. Raises InputError that names it."""
    try:
        return unit.changed(setting) if setting else unit
    except FetsimError as error:
        raise InputError(f"vary: {setting_in_words(setting)}: {error}") from None


def _attempted(
    bench: Bench, before_dbu: float | None, level_dbu: float | None, frequency_hz: float
) -> tuple[float, float] | FetsimError:
    try:
        return step_levels_dbu(bench, before_dbu, level_dbu, frequency_hz)
    except FetsimError as error:
        return error


def step_levels_dbu(
    bench: Bench, before_dbu: float | None, level_dbu: float | None, frequency_hz: float
) -> tuple[float, float]:
    """Source levels of a step: those given, else 10 dB under and over the unit's own threshold. Raises InputError."""
    low, high = before_dbu, level_dbu
    if low is None or high is None:
        try:
            threshold = threshold_dbu(replace(bench, against="idle"), frequency_hz)
        except InputError as error:
            raise InputError(f"{error}; without a threshold, give the levels before and after the step") from None
        low = threshold - AROUND_THRESHOLD_DB if low is None else low
        high = threshold + AROUND_THRESHOLD_DB if high is None else high
    if not low < high:
        raise InputError(f"before, level: the level must rise, from {low:.1f} dBu it goes to {high:.1f} dBu")
    return low, high


def _answer(
    before: Level, after: Level, phases: int, frequency_hz: float, read_off: str, told: Progress
) -> StepAnswer:
    read = _cell_trace if read_off == FET else _output_reader(before, after, frequency_hz)
    cycle_s = 1.0 / frequency_hz
    change_db = abs(after.reduction_db - before.reduction_db)
    averaged = max(before.ripple_db, after.ripple_db) > RIPPLE_SHARE * change_db > 0.0

    def phase(number: int, least_s: float) -> _Phase:
        step = play_step(before, after, frequency_hz, number / phases, least_s)
        trace = read(step)
        if averaged:
            trace = averaged_over(trace, round(cycle_s * step.rate_hz))
        thin, rate_hz, step_s = thinned(trace, step)
        timing = step_timing(
            -thin, rate_hz=rate_hz, step_s=step_s, gain_before_db=-before.reduction_db,
            gain_after_db=-after.reduction_db, resolution_s=cycle_s if averaged else None,
        )  # fmt: skip
        time_s = np.arange(trace.size) / step.rate_hz - step.step_s
        return _Phase(step.phase_deg, advised(timing, ADVICE), time_s, trace)

    first = phase(0, 0.0)  # says how long the others are to last at least
    told(1.0 / phases)
    least_s = float(first.time_s[-1])
    others = {number: number for number in range(1, phases)}
    found = run_all(
        others, lambda number, _: phase(number, least_s), lambda share: told((1.0 + (phases - 1) * share) / phases)
    )
    each = [first, *found.values()]
    timings = [one.timing for one in each]
    time_s = _close_near_zero(first.time_s)
    bundle = np.array([np.interp(time_s, one.time_s, one.trace) for one in each])
    return StepAnswer(
        kind=timings[0].kind,
        reduction_before_db=before.reduction_db,
        reduction_after_db=after.reduction_db,
        spreads={name: _spread(timings, name) for name in FIGURES},
        resolution_s=timings[0].resolution_s,
        averaged=averaged,
        phases_deg=tuple(one.phase_deg for one in each),
        timings=tuple(timings),
        time_s=time_s,
        reduction_db=bundle[0],
        reduction_least_db=np.min(bundle, axis=0),
        reduction_most_db=np.max(bundle, axis=0),
    )


class _Phase(NamedTuple):
    """A step at one phase, and the trace of gain reduction around it."""

    phase_deg: float
    timing: StepTiming
    time_s: Array
    """From the step."""
    trace: Array


def _spread(timings: Sequence[StepTiming], name: str) -> Spread:
    found = [getattr(timing, name) for timing in timings]
    given = [value for value in found if value is not None]
    return Spread(
        at_zero=found[0],
        least=min(given, default=None),
        most=max(given, default=None),
        missing=len(found) - len(given),
        reason=next((timing.reasons[name] for timing in timings if name in timing.reasons), None),
    )


def _cell_trace(step: Step) -> Array:
    return step.reduction_db


def _output_reader(before: Level, after: Level, frequency_hz: float) -> Callable[[Step], Array]:
    """Reads gain reduction off the output, beside the output of the same burst where nothing compresses."""
    bench = before.run.bench
    quiet = steady_level(bench, before.level_dbu - LOWERED_DB, frequency_hz)

    def read(step: Step) -> Array:
        lowered = quiet.run.branch().play(10.0 ** (-LOWERED_DB / 20.0) * step.emf_v)
        found = local_gain(
            step.output_v, dry=10.0 ** (LOWERED_DB / 20.0) * lowered.output_v, rate_hz=step.rate_hz,
            window_s=WINDOW_CYCLES / frequency_hz, breaks_s=[step.step_s],
        )  # fmt: skip
        return bench.rig.counted_in_db - found.gain_db

    return read


def averaged_over(trace: Array, cycle: int) -> Array:
    """Mean over one cycle around every sample; shorter at the ends."""
    ones = np.ones(cycle)
    return np.asarray(np.convolve(trace, ones, mode="same") / np.convolve(np.ones(trace.size), ones, mode="same"))


def thinned(trace: Array, step: Step) -> tuple[Array, float, float]:
    """Means of groups of samples where there are very many: trace, its rate, and the step on its clock."""
    group = -(-trace.size // MOST_SAMPLES)
    whole = trace[: trace.size // group * group].reshape(-1, group)
    return np.mean(whole, axis=1), step.rate_hz / group, step.step_s - 0.5 * (group - 1) / step.rate_hz


def _close_near_zero(time_s: Array) -> Array:
    """Instants out of an even grid: a few before the step, then denser towards the step, down to every sample."""
    period = time_s[1] - time_s[0]
    late = np.geomspace(period, time_s[-1], KEPT_POINTS)
    return np.concatenate([np.linspace(time_s[0], 0.0, 20), np.unique(np.round(late / period)) * period])
