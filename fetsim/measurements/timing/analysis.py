"""Attack and release times of a step, in every definition at once, from a trace of gain in dB.

The input of a step test jumps at once, so the output is off its final level by exactly as much as the gain
still has to go; a trace of gain therefore serves definitions worded for the output too. Which definition is
meant changes the figure by a factor of three, so none is called "the" attack time:

* `t63_s`, `t90_s`: from the step until 63.2 % (1 - 1/e) or 90 % of the change of gain *in dB* has happened;
  `t10_90_s`: between 10 and 90 % of it. Common practice, no source.
* `within_2db_s`: from the step until the output stays within 2 dB of its final level. After IEC 60118-2,
  from memory.
* `within_3db_s` (attack) and `within_4db_s` (release): the same with 3 and 4 dB. After ANSI S3.22; 4 dB
  second-hand from a vendor's page quoting the 1996 edition, 3 dB from memory. Those standards also fix the
  levels of the step and were not read, so none of these figures claims compliance.
* `tau_s`, `slow_tau_s`: time constants of exponentials fitted to the trace in dB (see `decay`).

Crossings are read as `crossings` says. A figure that the trace does not support is None, and `reasons` says
why under the same name: never a wrong number. What to do about it is for those to say who know where the trace
comes from.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from fetsim.errors import InputError
from fetsim.measurements.results.missing import Cause, Missing, with_advice
from fetsim.measurements.traces.checks import Samples, not_negative, positive, samples, samples_with_gaps
from fetsim.measurements.traces.crossings import (
    UNREST_MARGIN,
    Approach,
    Reading,
    crossing,
    resolved,
    time_between,
    time_to,
    time_within,
)
from fetsim.measurements.traces.decay import fit_decay

FULL_TIME_CONSTANT = 1.0 - np.exp(-1.0)  # share of the change after one time constant
LOW_SHARE, HIGH_SHARE = 0.1, 0.9
IEC_BAND_DB = 2.0
ANSI_ATTACK_BAND_DB = 3.0
ANSI_RELEASE_BAND_DB = 4.0

SMALLEST_CHANGE_DB = 0.1  # less is not called gain reduction
TAIL_SHARE = 0.2  # part of the stretch before and after the step over which "steady" is judged
SETTLED_SHARE = 0.005  # drift over the tail, share of the change, that still counts as steady
SETTLED_DB = 0.001  # and in any case (traces are often printed with three decimals)
LEAST_TAIL = 8  # readings
LEAST_SAMPLES_TO_RESOLVE = 2.0  # sample periods; a shorter time is not resolved
FIT_FROM = 0.1  # share of the change from which exponentials are fitted, so that a late onset does no harm


@dataclass(frozen=True, kw_only=True)
class StepTiming:
    """Answer of a gain to one step; times from the step, None where `reasons` says why instead."""

    kind: str  # "attack" (gain falls), "release" (gain rises) or "none"
    step_s: float | None
    gain_before_db: float | None
    gain_after_db: float | None
    t63_s: float | None
    t90_s: float | None
    t10_90_s: float | None
    within_2db_s: float | None
    within_3db_s: float | None  # attack only
    within_4db_s: float | None  # release only
    tau_s: float | None  # of the only or the faster stage
    slow_tau_s: float | None  # of the slower stage, where the trace calls for two
    slow_share: float | None  # its part of what is left to go when a tenth of the change has happened
    misfit_db: float | None  # rms distance of the trace from the fitted exponentials
    resolution_s: float  # shortest time that the trace could have shown
    reasons: Mapping[str, Missing]

    @property
    def change_db(self) -> float | None:
        """Change of gain, negative for an attack."""
        if self.gain_before_db is None or self.gain_after_db is None:
            return None
        return self.gain_after_db - self.gain_before_db


def step_timing(
    gain_db: ArrayLike,
    *,
    rate_hz: float,
    step_s: float | None = None,
    gain_before_db: float | None = None,
    gain_after_db: float | None = None,
    resolution_s: float | None = None,
) -> StepTiming:
    """Every attack or release figure of the step in `gain_db` [shape=(n,)], NaN where the trace has gaps.

    `step_s`: instant of the input's step, from sample 0. When it is not given, the instant at which the
    gain departs from its earlier value is taken; that is late by about 1 % of the time constant, more in
    noise. `gain_before_db`, `gain_after_db`: steady gains where they are known better than from the trace's
    own tails. `resolution_s`: shortest time that the trace can show (default two sample periods).

    The capture must run for 6.3 time constants to count as settled; the final gain is then known to 0.4 %
    of the change and `t63_s` is at most 0.6 % short.

    Raises `InputError` for a trace of fewer than 16 readings or a step outside it.
    """
    gain = samples_with_gaps(gain_db, "gain_db", at_least=16)
    least = LEAST_SAMPLES_TO_RESOLVE / positive(rate_hz, "rate_hz")
    resolution_s = least if resolution_s is None else max(not_negative(resolution_s, "resolution_s"), least)
    kept = np.flatnonzero(np.isfinite(gain))
    if kept.size < max(16, gain.size / 2):
        raise InputError(
            f"gain_db: only {kept.size} of {gain.size} samples hold a reading; too few to time a step"
        )
    time, trace = kept / rate_hz, gain[kept]
    if step_s is None:
        step_s = _departure(time, trace)
        if step_s is None:
            none = _no_change(f"no change of gain of {SMALLEST_CHANGE_DB} dB or more was found")
            return _timing(dict.fromkeys(_FIGURES, none), resolution_s)
    elif not 0.0 <= step_s < gain.size / rate_hz:
        raise InputError(f"step_s: {step_s:g} s is outside the trace of {gain.size / rate_hz:g} s")

    earlier, later = time < step_s - resolution_s, time >= step_s
    if np.count_nonzero(later) < LEAST_TAIL:
        short = _too_short(f"only {np.count_nonzero(later)} readings after the step")
        return _timing(dict.fromkeys(_FIGURES, short), resolution_s, step_s=step_s)
    before, after = _tail(trace[earlier], gain_before_db), _tail(trace[later], gain_after_db)
    change_db = after.gain_db - before.gain_db
    unrest_db = max(before.unrest_db, after.unrest_db)
    unsteady_start = _unsteady(before, change_db, "before the step")
    unsteady_end = _unsteady(after, change_db, "at the end of the capture")
    least_db = max(SMALLEST_CHANGE_DB, UNREST_MARGIN * unrest_db)
    kind = "attack" if change_db < 0.0 else "release"
    readings: dict[str, Reading]
    still = abs(change_db) < least_db
    untimed = unsteady_start or (unsteady_end if still or np.isnan(change_db) else None)
    if untimed is None and still:
        untimed = _no_change(
            f"no gain reduction to time: the gain changes by {change_db:.3f} dB, less than {least_db:.3g} dB"
        )
    if untimed is not None:
        kind, readings = "none", dict.fromkeys(_FIGURES, untimed)
    else:
        approach = Approach(
            time_s=time[later] - step_s,
            progress=(trace[later] - before.gain_db) / change_db,
            size_db=abs(change_db),
            unrest_db=unrest_db,
            resolution_s=resolution_s,
        )
        crossings = dict.fromkeys(_CROSSINGS, unsteady_end) if unsteady_end else _crossings(approach, kind)
        readings = {**crossings, **_time_constants(approach)}
    return _timing(
        readings,
        resolution_s,
        kind=kind,
        step_s=step_s,
        gain_before_db=None if unsteady_start else before.gain_db,
        gain_after_db=None if unsteady_end else after.gain_db,
    )


def advised(timing: StepTiming, advice: Mapping[Cause, str]) -> StepTiming:
    """The same with what to do about figures that are missing, by the cause."""
    return replace(timing, reasons={name: with_advice(why, advice) for name, why in timing.reasons.items()})


def find_step(level_db: ArrayLike, *, rate_hz: float, smallest_step_db: float = 1.0) -> float:
    """Instant at which a level trace (`level_envelope` of the dry signal) steps from first to last level.

    The crossing of the mean of both powers, which is where a symmetric rms window puts the middle of an
    abrupt step. Raises `InputError` when first and last level are closer than `smallest_step_db`.
    """
    level = samples(level_db, "level_db", at_least=16)
    positive(rate_hz, "rate_hz")
    edge = max(4, level.size // 20)
    first, last = float(np.median(level[:edge])), float(np.median(level[-edge:]))
    if abs(last - first) < smallest_step_db:
        raise InputError(
            f"level_db: first and last level differ by {abs(last - first):.2f} dB; no step of "
            f"{smallest_step_db:g} dB or more was found"
        )
    power = 10.0 ** (level / 10.0)
    start, stop = 10.0 ** (first / 10.0), 10.0 ** (last / 10.0)
    progress = (power - start) / (stop - start)
    return crossing(np.arange(level.size) / rate_hz, progress, 0.5, int(np.argmax(progress >= 0.5)))


_CROSSINGS = ("t63_s", "t90_s", "t10_90_s", "within_2db_s", "within_3db_s", "within_4db_s")
_FIGURES = (*_CROSSINGS, "tau_s", "slow_tau_s", "slow_share", "misfit_db")


class _Tail(NamedTuple):
    """Last part of a stretch: its gain, its drift, how restless it is (rms), how sure the drift is."""

    gain_db: float
    drift_db: float
    unrest_db: float
    doubt_db: float
    readings: int


def _timing(
    readings: Mapping[str, Reading],
    resolution_s: float,
    *,
    kind: str = "none",
    step_s: float | None = None,
    gain_before_db: float | None = None,
    gain_after_db: float | None = None,
) -> StepTiming:
    figures = {name: None if isinstance(reading, Missing) else reading for name, reading in readings.items()}
    reasons = {name: reading for name, reading in readings.items() if isinstance(reading, Missing)}
    return StepTiming(
        kind=kind,
        step_s=step_s,
        gain_before_db=gain_before_db,
        gain_after_db=gain_after_db,
        resolution_s=resolution_s,
        reasons=reasons,
        **figures,
    )


def _tail(stretch: Samples, known_db: float | None) -> _Tail:
    tail = stretch[-max(LEAST_TAIL, int(TAIL_SHARE * stretch.size)) :]
    if tail.size < LEAST_TAIL:
        return _Tail(np.nan if known_db is None else known_db, 0.0, 0.0, 0.0, tail.size)
    axis = np.linspace(-0.5, 0.5, tail.size)
    drift, middle = np.polyfit(axis, tail, 1)
    unrest = float(np.std(tail - middle - drift * axis))
    if known_db is not None:
        return _Tail(known_db, 0.0, unrest, 0.0, tail.size)
    return _Tail(float(middle), float(drift), unrest, unrest * np.sqrt(12.0 / tail.size), tail.size)


def _too_short(text: str) -> Missing:
    return Missing(cause="too short", text=text)


def _no_change(text: str) -> Missing:
    return Missing(cause="nothing to measure", text=text)


def _unsteady(tail: _Tail, change_db: float, where: str) -> Missing | None:
    """Why the gain in `tail` is not a steady one, or nothing."""
    if np.isnan(tail.gain_db):
        return _too_short(f"only {tail.readings} readings {where}, the steady gain there is unknown")
    allowed = max(SETTLED_DB, SETTLED_SHARE * abs(change_db), UNREST_MARGIN * tail.doubt_db)
    if abs(tail.drift_db) <= allowed:
        return None
    return _too_short(
        f"not settled {where}: the gain still moves by {abs(tail.drift_db):.3g} dB over the last {tail.readings} "
        "readings"
    )


def _departure(time: Samples, trace: Samples) -> float | None:
    """Instant at which the trace leaves its first value for good, or None when it never does."""
    edge = max(LEAST_TAIL, trace.size // 20)
    before, after = float(np.mean(trace[:edge])), float(np.mean(trace[-edge:]))
    unrest = float(np.std(trace[:edge]))
    change = after - before
    if abs(change) < max(SMALLEST_CHANGE_DB, UNREST_MARGIN * unrest):
        return None
    progress = (trace - before) / change
    threshold = max(0.01, min(0.5, 4.0 * unrest / abs(change)))
    halfway = int(np.argmax(progress >= 0.5))
    behind = np.flatnonzero(progress[:halfway] < threshold)
    return crossing(time, progress, threshold, int(behind[-1]) + 1) if behind.size else float(time[0])


def _crossings(approach: Approach, kind: str) -> dict[str, Reading]:
    attack = kind == "attack"
    ansi_attack, ansi_release = ANSI_ATTACK_BAND_DB, ANSI_RELEASE_BAND_DB
    return {
        "t63_s": time_to(approach, FULL_TIME_CONSTANT),
        "t90_s": time_to(approach, HIGH_SHARE),
        "t10_90_s": time_between(approach, LOW_SHARE, HIGH_SHARE),
        "within_2db_s": time_within(approach, IEC_BAND_DB),
        "within_3db_s": time_within(approach, ansi_attack) if attack else _defined_for("an attack"),
        "within_4db_s": _defined_for("a release") if attack else time_within(approach, ansi_release),
    }


def _defined_for(step: str) -> Missing:
    return Missing(cause="not defined", text=f"defined for {step} only")


def _time_constants(approach: Approach) -> dict[str, Reading]:
    """Exponentials fitted from the instant at which a tenth of the observed change has happened."""
    start = int(np.searchsorted(approach.monotone, FIT_FROM))
    trace_db = approach.size_db * approach.progress[start:]
    decay = fit_decay(approach.time_s[start:], trace_db, noise_rms=approach.unrest_db)
    return {
        "tau_s": resolved(decay.tau_s, approach.resolution_s),
        "slow_tau_s": decay.slow_tau_s,
        "slow_share": decay.slow_share,
        "misfit_db": decay.misfit_rms,
    }
