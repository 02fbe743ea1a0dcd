"""Bring a recorded dry/wet pair into step: delay to a fraction of a sample, polarity, gain, what is wrong.

The delay is the place of the largest cross-correlation. It is searched on whole samples first and then on
the band-limited correlation between them (Newton steps on the cross-spectrum, no interpolation formula and
its bias). For a single tone it is therefore the delay that removes the phase shift at that tone, and it is
ambiguous by periods: `max_lag_s` under half a period settles it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft
from scipy import signal as dsp

from fetsim.errors import InputError
from fetsim.measurements.traces.checks import Samples, positive, samples

LEAST_SAMPLES = 256  # of each capture and of the overlap
SILENCE_PEAK = 1e-6  # in the signal's unit, about its mean: -120 dB re full scale
LEAST_CORRELATION = 0.5  # normalised; unrelated material rarely passes 0.3
RIVAL_PEAK = 0.98  # another correlation peak this close to the largest makes the delay ambiguous
DRIFT_SPAN = 4  # the record's first and last 1/4 are aligned on their own to see clock drift
DRIFT_SEARCH = 8  # samples around the common delay
DRIFT_WARNING = 0.25  # samples from one end to the other
FRACTION_TAPS = 129  # of the fractional-delay filter (sinc under a Kaiser window, beta 10)
CLIPPED_RUN = 3  # equal samples in a row at the extreme value
CLIPPED_DROP = 4  # quantising steps by which the run's neighbour must be lower
FINEST_QUANTUM = 2.0**-25  # re the peak: steps finer than of a 24 bit converter count as none


@dataclass(frozen=True)
class AlignedPair:
    """Dry and wet in step [shape=(n,) each]: `wet` is shifted by `-delay_s` and has the polarity of `dry`."""

    dry: Samples
    wet: Samples
    rate_hz: float
    start_s: float  # instant of their first sample on the clock of the dry capture
    delay_s: float  # of the wet recording after the dry one
    polarity: int  # +1, or -1 where the recording was upside down
    gain_db: float  # least-squares gain from dry to wet
    correlation: float  # normalised, 0..1, at that delay
    drift_ppm: float | None  # rate of the wet recorder against the dry one; None where it cannot be told
    dry_clipped: int  # samples
    wet_clipped: int
    warnings: tuple[str, ...]


def align_pair(
    wet: ArrayLike,
    *,
    dry: ArrayLike,
    wet_rate_hz: float,
    dry_rate_hz: float,
    max_lag_s: float | None = None,
    least_correlation: float = LEAST_CORRELATION,
) -> AlignedPair:
    """Align `wet` [shape=(n,)] to `dry` [shape=(m,)], one channel each, and cut both to their overlap.

    `max_lag_s`: largest delay looked for, either way (default: anything that leaves `LEAST_SAMPLES` of
    overlap).

    Raises `InputError` for different rates, captures that are too short or silent, and for material that
    does not correlate (unrelated, or played at another rate than its label says). Clipping, an ambiguous
    delay and clock drift are reported in `warnings`.
    """
    rate_hz = positive(dry_rate_hz, "dry_rate_hz")
    if positive(wet_rate_hz, "wet_rate_hz") != rate_hz:
        raise InputError(
            f"wet: its rate is {wet_rate_hz:g} Hz, dry has {rate_hz:g} Hz; convert one of them first"
        )
    dry, wet = _audible(dry, "dry"), _audible(wet, "wet")
    limit = max(dry.size, wet.size) - LEAST_SAMPLES
    if max_lag_s is not None:
        limit = min(limit, int(positive(max_lag_s, "max_lag_s") * rate_hz))
    delay, rivals = _delay(wet - np.mean(wet), dry - np.mean(dry), limit)
    dry_part, wet_part, start = _overlap(dry, wet, delay)
    if dry_part.size < LEAST_SAMPLES:
        raise InputError(f"dry and wet: overlap by only {dry_part.size} samples; record both for longer")
    gain, correlation = _gain(dry_part, wet_part)
    if abs(correlation) < least_correlation:
        raise InputError(
            f"wet: does not resemble dry (best correlation {abs(correlation):.2f}, {least_correlation:g} is "
            "needed); is it the same take, at the rate its label says?"
        )
    polarity = 1 if gain > 0.0 else -1
    drift = _drift(dry_part, polarity * wet_part)
    dry_clipped, wet_clipped = clipped_samples(dry), clipped_samples(wet)
    warnings = [
        f"{name} is clipped at {count} samples"
        for name, count in (("dry", dry_clipped), ("wet", wet_clipped))
        if count
    ]
    if rivals:
        warnings.append(f"the delay is ambiguous: {rivals} other delays fit nearly as well; give max_lag_s")
    if abs(delay) > limit + 0.5:
        warnings.append(
            f"the delay lies at the limit of the search ({limit} samples); give a larger max_lag_s"
        )
    if drift is not None and abs(drift) * dry_part.size > DRIFT_WARNING:
        warnings.append(
            f"the two recorders' clocks differ by {1e6 * drift:.1f} ppm; the ends are out of step"
        )
    return AlignedPair(
        dry=dry_part,
        wet=polarity * wet_part,
        rate_hz=rate_hz,
        start_s=start / rate_hz,
        delay_s=delay / rate_hz,
        polarity=polarity,
        gain_db=float(20.0 * np.log10(abs(gain))),
        correlation=abs(correlation),
        drift_ppm=None if drift is None else 1e6 * drift,
        dry_clipped=dry_clipped,
        wet_clipped=wet_clipped,
        warnings=tuple(warnings),
    )


def shifted(signal: ArrayLike, *, delay_samples: float) -> Samples:
    """`signal` [shape=(n,)] delayed by a whole and a fractional number of samples, zeros moving in.

    A Kaiser-windowed sinc of `FRACTION_TAPS`; within 2e-6 up to 0.45 of the rate (measured), away from the
    first and last `FRACTION_TAPS` / 2 samples.
    """
    values = samples(signal, "signal")
    whole = int(np.floor(delay_samples + 0.5))
    fraction = delay_samples - whole
    moved = np.zeros_like(values)
    if whole >= 0:
        moved[whole:] = values[: max(values.size - whole, 0)]
    else:
        moved[:whole] = values[-whole:]
    if abs(fraction) < 1e-9:
        return moved
    half = FRACTION_TAPS // 2
    taps = np.sinc(np.arange(-half, half + 1) - fraction) * dsp.windows.kaiser(FRACTION_TAPS, 10.0)
    return np.asarray(dsp.convolve(moved, taps / np.sum(taps), mode="same"))


def clipped_samples(signal: ArrayLike) -> int:
    """Number of samples that sit on a flat top: runs of equal samples at the largest or the smallest value.

    A flat crest of a slow, coarsely quantised sine is not counted: beside it the signal falls by one or two
    quantising steps, beside a clipped crest by more.
    """
    values = samples(signal, "signal")
    quantum = _quantum(values)
    return sum(_flat_top(side, quantum) for side in (values, -values))


def _quantum(values: Samples) -> float:
    """Largest step of which all values are whole multiples (Euclid's algorithm); 0 if there is none."""
    least = FINEST_QUANTUM * float(np.max(np.abs(values)))
    rest = np.diff(np.unique(values))
    rest = rest[rest > least / 16.0]
    while rest.size:
        quantum = float(np.min(rest))
        if quantum < least:
            return 0.0
        rest = np.abs(rest - quantum * np.round(rest / quantum))
        rest = rest[rest > least / 16.0]
        if not rest.size:
            return quantum
    return 0.0


def _flat_top(values: Samples, quantum: float) -> int:
    top = np.max(values)
    edges = np.diff(np.concatenate([[False], values == top, [False]]).astype(np.int8))
    starts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    padded = np.concatenate([[top], values, [top]])
    drop = top - np.minimum(padded[starts], padded[stops + 1])
    return int(np.sum((stops - starts)[(stops - starts >= CLIPPED_RUN) & (drop >= CLIPPED_DROP * quantum)]))


def silent(signal: Samples) -> bool:
    """Whether nothing of `signal` [shape=(n,)] is above `SILENCE_PEAK` beside a constant."""
    return bool(np.max(np.abs(signal - np.mean(signal))) < SILENCE_PEAK)


def _audible(values: ArrayLike, name: str) -> Samples:
    signal = samples(values, name, at_least=1)
    if signal.size < LEAST_SAMPLES:
        raise InputError(f"{name}: has {signal.size} samples; at least {LEAST_SAMPLES} are needed to align")
    if silent(signal):
        raise InputError(
            f"{name}: is silent (nothing above {SILENCE_PEAK:g} of full scale beside a constant)"
        )
    return signal


def _delay(wet: Samples, dry: Samples, limit: int) -> tuple[float, int]:
    """Delay of `wet` in samples, and how many other delays correlate nearly as well."""
    size = fft.next_fast_len(wet.size + dry.size, real=True)
    cross = fft.rfft(wet, size) * np.conj(fft.rfft(dry, size))
    correlation = fft.irfft(cross, size)
    lags = np.arange(-min(limit, dry.size - 1), min(limit, wet.size - 1) + 1)
    height = np.abs(correlation[lags])
    best = int(np.argmax(height))
    peaks, _ = dsp.find_peaks(height, height=RIVAL_PEAK * height[best])
    rivals = int(np.sum(np.abs(peaks - best) > 1))
    return _peak_between_samples(cross, size, int(lags[best])), rivals


def _peak_between_samples(cross: NDArray[np.complex128], size: int, lag: int) -> float:
    """Maximum of the band-limited correlation within a sample of `lag`, by Newton's method on its slope."""
    omega = 2.0 * np.pi * np.arange(cross.size) / size
    at_lag = cross * np.exp(1j * omega * lag)
    fraction = 0.0
    for _ in range(20):
        turned = at_lag * np.exp(1j * omega * fraction)
        slope = -np.sum(omega * turned.imag)
        bend = -np.sum(omega**2 * turned.real)
        step = -slope / bend if bend != 0.0 else 0.0
        fraction = float(np.clip(fraction + step, -1.0, 1.0))
        if abs(step) < 1e-9:
            break
    return lag + fraction


def _overlap(dry: Samples, wet: Samples, delay: float) -> tuple[Samples, Samples, int]:
    """Both signals in step, cut to what both cover, and the first sample of that in `dry`."""
    whole, edge = int(np.floor(delay + 0.5)), FRACTION_TAPS // 2
    wet = shifted(wet, delay_samples=whole - delay)
    start, stop = max(0, edge - whole), min(dry.size, wet.size - edge - whole)
    return dry[start:stop], wet[start + whole : stop + whole], start


def _gain(dry: Samples, wet: Samples) -> tuple[float, float]:
    """Least-squares gain and correlation coefficient, signed by the polarity, constants removed."""
    dry, wet = dry - np.mean(dry), wet - np.mean(wet)
    both, own = float(np.sum(dry * wet)), float(np.sum(dry * dry))
    scale = float(np.sqrt(own * float(np.sum(wet * wet))))
    return (both / own, both / scale) if scale > 0.0 else (0.0, 0.0)


def _drift(dry: Samples, wet: Samples) -> float | None:
    """Change of delay per sample from the first to the last quarter, or None where one is too poor."""
    part = dry.size // DRIFT_SPAN
    if part < LEAST_SAMPLES:
        return None
    delays = []
    for piece in (slice(0, part), slice(dry.size - part, dry.size)):
        x, y = dry[piece] - np.mean(dry[piece]), wet[piece] - np.mean(wet[piece])
        if _gain(x, y)[1] < LEAST_CORRELATION:
            return None
        delays.append(_delay(y, x, DRIFT_SEARCH)[0])
    return (delays[1] - delays[0]) / (dry.size - part)
