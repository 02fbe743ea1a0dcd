"""Attack and release from a recorded pair: the tone burst that went in (dry) and what came out (wet).

The pair is brought in step (``in_step``). Of a steady tone any delay that is off by whole cycles fits as well, and one
that is off by half a cycle with the other polarity; so this is settled at the first step upwards: only at the right
delay do both recordings rise together. Then the gain at every instant is read off both waveforms
(``envelope.local_gain``), and each step that the dry recording holds is timed in every definition (``timing``). A
stretch runs from the middle between two steps to the middle of the next two, and has to be long enough for the gain to
come to rest in it.

Two things are tried in turn, the second after the first has told how fast the gain moves: a window of half a cycle of
the tone, then one of half the time to 63 % (but no shorter than an eighth of a cycle or what the rate allows), so that
a fast attack is not smeared.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike

from fetsim.errors import InputError
from fetsim.measurements.results.missing import Cause
from fetsim.measurements.results.result import Measured
from fetsim.measurements.timing.analysis import StepTiming, advised, step_timing
from fetsim.measurements.traces.checks import Samples, positive, samples
from fetsim.measurements.traces.clipping import clipped_samples
from fetsim.measurements.traces.crossings import crossing
from fetsim.measurements.traces.envelope import GainTrace, level_envelope, local_gain
from fetsim.measurements.traces.in_step import in_step
from fetsim.measurements.traces.spectrum import tone_frequency
from fetsim.rig.provenance import Program, program

LEAST_STEP_DB = 3.0  # between two levels of the dry recording that count as a step
LEVEL_CYCLES = 1.0  # of the tone in the Hann window that reads the dry level: no ripple at whole half cycles
WIDEST_CYCLES, NARROWEST_CYCLES = 0.5, 0.125  # of the tone in the window that reads the gain
LEAST_WINDOW_SAMPLES = 6.0
WINDOW_SHARE = 0.5  # of the time to 63 %: misreads that time by 0.1 % (see ``local_gain``)
LEAST_STRETCH_S = 2e-3
HALVES_BEFORE, HALVES_AFTER = 3, 1  # half cycles around a step over which both recordings are compared
MOST_HALVES_OFF = 80
TONE_SAMPLES = 8192
ADVICE: Mapping[Cause, str] = {
    "too short": "record longer",
    "too coarse": "raise the rate of the recordings",
    "unsteady": "use a larger step",
    "nothing to measure": "use a larger step",
}


@dataclass(frozen=True, kw_only=True)
class CapturedStep:
    """One step in the recording."""

    at_s: float
    """On the clock of the dry recording."""
    from_db: float
    to_db: float
    """Level of the dry tone, dB re 1 of the recording, rms."""
    window_s: float
    """Over which the gain was read."""
    timing: StepTiming
    time_s: Samples
    """From the step [shape=(n,)], for the trace."""
    gain_db: Samples
    """Wet over dry; NaN where it cannot be told."""


@dataclass(frozen=True, kw_only=True)
class CaptureTiming(Measured):
    """All steps of a recorded pair."""

    ROOM: ClassVar[str] = "capture"

    provenance: Program
    frequency_hz: float
    rate_hz: float
    delay_s: float
    """Of the wet recording after the dry one; taken out."""
    polarity: int
    """-1 where the wet recording was upside down; turned round."""
    correlation: float
    steps: tuple[CapturedStep, ...]
    warnings: tuple[str, ...]


def measure_capture(
    dry: ArrayLike,
    wet: ArrayLike,
    *,
    dry_rate_hz: float,
    wet_rate_hz: float,
    max_lag_s: float | None = None,
) -> CaptureTiming:
    """Time every step of the tone in ``dry`` [shape=(n,)] by the gain from it to ``wet`` [shape=(m,)].

    ``max_lag_s``: largest delay looked for; less than half a cycle of the tone settles which cycle belongs to which.
    Raises InputError for recordings that do not belong together, are too short, silent, of different rates, or hold
    no steady tone that steps.

    >>> import fetsim
    >>> import numpy as np
    >>> time_s = np.arange(24000) / 48000.0
    >>> tone = np.sin(2.0 * np.pi * 1000.0 * time_s) * np.where(time_s < 0.2, 0.01, 0.1)
    >>> found = fetsim.measure_capture(tone, 0.5 * tone, dry_rate_hz=48000.0, wet_rate_hz=48000.0)
    >>> [step.timing.kind for step in found.steps]
    ['none']
    """
    if positive(wet_rate_hz, "wet_rate_hz") != positive(dry_rate_hz, "dry_rate_hz"):
        raise InputError(
            f"wet: its rate is {wet_rate_hz:g} Hz, dry has {dry_rate_hz:g} Hz; convert one of them first"
        )
    dry, wet = samples(dry, "dry"), samples(wet, "wet")
    pair = pair_in_step(dry, wet, dry_rate_hz, max_lag_s)
    frequency_hz = tone_frequency(_loudest(pair.dry), rate_hz=pair.rate_hz)
    if max_lag_s is None:
        pair = _in_the_right_cycle(pair, frequency_hz, dry, wet)
    return CaptureTiming(
        provenance=program(),
        frequency_hz=frequency_hz,
        rate_hz=pair.rate_hz,
        delay_s=pair.delay_s,
        polarity=pair.polarity,
        correlation=pair.likeness,
        steps=steps_of(pair, frequency_hz),
        warnings=(*_clipped(dry, "dry"), *_clipped(wet, "wet"), *pair.warnings),
    )


@dataclass(frozen=True)
class Pair:
    """Dry and wet in step [shape=(n,) each]."""

    dry: Samples
    wet: Samples
    rate_hz: float
    start_s: float
    delay_s: float
    polarity: int
    likeness: float
    warnings: tuple[str, ...]


def pair_in_step(dry: Samples, wet: Samples, rate_hz: float, max_lag_s: float | None) -> Pair:
    """The two in step. Raises InputError where they do not belong together."""
    try:
        found = in_step(wet, reference=dry, rate_hz=rate_hz, max_lag_s=max_lag_s)
    except InputError as error:
        names = {"recording": "wet", "reference": "dry"}
        where, _, text = str(error).partition(": ")
        raise InputError(f"{names.get(where, where)}: {text}") from None
    return Pair(
        dry=found.reference[:, 0], wet=found.recording[:, 0], rate_hz=rate_hz, start_s=found.start_s,
        delay_s=found.delay_s, polarity=found.polarity[0], likeness=found.likeness[0], warnings=found.warnings,
    )  # fmt: skip


def steps_of(pair: Pair, frequency_hz: float) -> tuple[CapturedStep, ...]:
    """Every step of the tone, timed. Raises InputError where there is none, or they are too close together."""
    level = _level_db(pair, frequency_hz)
    edges = _edges(level, pair.rate_hz)
    if not edges:
        raise InputError(_NO_STEP)
    bounds = [0.0, *(0.5 * (a + b) for a, b in pairwise(edges)), pair.dry.size / pair.rate_hz]
    return tuple(
        _timed(pair, level, frequency_hz, edge, start, stop)
        for edge, start, stop in zip(edges, bounds[:-1], bounds[1:], strict=True)
    )


def _clipped(signal: Samples, name: str) -> tuple[str, ...]:
    count = clipped_samples(signal)
    return (f"{name} is clipped at {count} samples",) if count else ()


_NO_STEP = f"dry: holds no step of {LEAST_STEP_DB:g} dB or more; record a tone burst that changes its level at once"


def _loudest(signal: Samples) -> Samples:
    """The loudest stretch of ``TONE_SAMPLES``: enough to tell the tone's frequency, and mostly of one level."""
    energy = np.cumsum(signal * signal)
    start = int(np.argmax(energy[TONE_SAMPLES:] - energy[:-TONE_SAMPLES])) if signal.size > TONE_SAMPLES else 0
    return signal[start : start + TONE_SAMPLES]


def _level_db(pair: Pair, frequency_hz: float) -> Samples:
    return level_envelope(pair.dry, rate_hz=pair.rate_hz, window_s=LEVEL_CYCLES / frequency_hz).level_db


def _in_the_right_cycle(pair: Pair, frequency_hz: float, dry: Samples, wet: Samples) -> Pair:
    """The pair brought in step anew, close to the delay at which the first upward step falls on the same instant in
    both."""
    level = _level_db(pair, frequency_hz)
    rising = [edge for edge in _edges(level, pair.rate_hz) if level[int(edge * pair.rate_hz)] > level[0]]
    late = _late_by(pair, rising[0] * pair.rate_hz, 0.5 * pair.rate_hz / frequency_hz) if rising else 0.0
    whole = round(pair.delay_s * pair.rate_hz + late)
    near = pair_in_step(dry[max(-whole, 0) :], wet[max(whole, 0) :], pair.rate_hz, 0.25 / frequency_hz)
    return replace(
        near,
        delay_s=near.delay_s + whole / pair.rate_hz,
        start_s=near.start_s + max(-whole, 0) / pair.rate_hz,
    )


def _late_by(pair: Pair, edge: float, half_cycle: float) -> float:
    """Samples, in half cycles, by which the wet recording still comes late: best correlation across the edge."""
    middle = round(edge)
    first = max(middle - round(HALVES_BEFORE * half_cycle), 0)
    dry = pair.dry[first : middle + round(HALVES_AFTER * half_cycle)]
    best, best_score = 0.0, -1.0
    for late in half_cycle * np.array(sorted(range(-MOST_HALVES_OFF, MOST_HALVES_OFF + 1), key=abs)):
        start = first + round(late)
        wet = pair.wet[max(start, 0) : start + dry.size]
        if wet.size == dry.size:
            score = abs(np.dot(dry, wet)) / max(np.linalg.norm(dry) * np.linalg.norm(wet), 1e-300)
            if score > best_score:
                best, best_score = float(late), score
    return best


def _edges(level_db: Samples, rate_hz: float) -> list[float]:
    """Instants at which the level passes the mean of the powers on both sides."""
    low, high = np.percentile(level_db, [2.0, 98.0])
    if high - low < LEAST_STEP_DB:
        return []
    middle = 0.5 * (10.0 ** (low / 10.0) + 10.0 ** (high / 10.0))
    power = 10.0 ** (level_db / 10.0)
    above = power >= middle
    time = np.arange(power.size) / rate_hz
    places = np.flatnonzero(above[1:] != above[:-1]) + 1
    return [crossing(time, power, middle, int(place)) for place in places]


def _timed(
    pair: Pair, level_db: Samples, frequency_hz: float, edge_s: float, start_s: float, stop_s: float
) -> CapturedStep:
    rate_hz = pair.rate_hz
    part = slice(int(start_s * rate_hz), int(stop_s * rate_hz))
    step_s = edge_s - part.start / rate_hz
    if part.stop - part.start < LEAST_STRETCH_S * rate_hz:
        raise InputError(f"dry: the steps around {edge_s:.4g} s are too close together; make every level last longer")

    def read(window_s: float) -> tuple[GainTrace, StepTiming]:
        trace = local_gain(
            pair.wet[part], dry=pair.dry[part], rate_hz=rate_hz, window_s=window_s, breaks_s=[step_s]
        )
        return trace, advised(step_timing(trace.gain_db, rate_hz=rate_hz, step_s=step_s), ADVICE)

    narrowest = max(NARROWEST_CYCLES / frequency_hz, LEAST_WINDOW_SAMPLES / rate_hz)
    window_s = max(WIDEST_CYCLES / frequency_hz, narrowest)
    trace, timing = read(window_s)
    if timing.t63_s is not None and WINDOW_SHARE * timing.t63_s < window_s > narrowest:
        window_s = max(WINDOW_SHARE * timing.t63_s, narrowest)
        trace, timing = read(window_s)
    edge = int(edge_s * rate_hz)
    return CapturedStep(
        at_s=pair.start_s + edge_s,
        from_db=float(np.median(level_db[part.start : edge])),
        to_db=float(np.median(level_db[edge : part.stop])),
        window_s=window_s,
        timing=timing,
        time_s=np.arange(trace.gain_db.size) / rate_hz - step_s,
        gain_db=trace.gain_db,
    )
