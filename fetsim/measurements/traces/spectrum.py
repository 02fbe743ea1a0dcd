"""Amplitudes of tones at exactly given frequencies, whatever the length of the record.

A joint least-squares fit of a constant and of one cosine and sine per frequency, under a Hann weight. For a
signal made of just these tones the answer is exact although the record holds no whole number of periods;
what else is in the signal (hum, noise) is rejected as by a Hann window. Fits to one tone are IEEE Std
1057's three-parameter fit, `tone_frequency` its four-parameter fit with harmonics (from memory).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft
from scipy import signal as dsp

from fetsim.errors import InputError
from fetsim.measurements.traces.checks import Samples, positive, samples

Phasors = NDArray[np.complex128]

BLOCK = 512  # samples held as columns at a time; few, so that BLAS keeps to one thread (ten times as fast)
LARGEST_CONDITION = 1e2  # of the normalised normal matrix: more and two tones cannot be told apart
LEAST_PERIODS = 3.0  # of the slowest tone; under a Hann weight less leaves it mixed with the constant
LEAST_TONE = 10.0  # standard errors of an amplitude; the largest of a million noise lines stays under 6
LEAST_PEAK = 8.0  # of a tone's spectral line over the rms of its neighbours; noise stays under 5
NEIGHBOURS = 32  # spectral lines on either side
FREQUENCY_HARMONICS = 4  # taken along while a fundamental's frequency is fitted
FREQUENCY_ROUNDS = 12
FREQUENCY_TOLERANCE = 1e-12  # relative


@dataclass(frozen=True)
class Tones:
    """Tones found in a record: peak amplitudes in the signal's unit, phases re a cosine at sample 0."""

    frequency_hz: Samples
    amplitude: Samples
    phase_rad: Samples
    constant: float
    residual_rms: float  # of what the tones leave over, under the same weight
    amplitude_error: float  # one standard error of each amplitude, taking the residual for white noise


def tones(signal: ArrayLike, *, rate_hz: float, frequencies_hz: Sequence[float]) -> Tones:
    """Amplitudes of the tones at `frequencies_hz` in `signal` [shape=(n,)].

    Raises `InputError` for a frequency at or above half the rate, and for a record too short to hold
    `LEAST_PERIODS` of the slowest tone or to tell two of the tones apart.
    """
    signal = samples(signal, "signal", at_least=16)
    frequency = np.asarray(frequencies_hz, dtype=np.float64)
    _check_frequencies(frequency, signal.size, positive(rate_hz, "rate_hz"))
    omega = 2.0 * np.pi * frequency / rate_hz
    solution = _solve(signal, omega)
    residual = 0.0
    for columns, weight, part in _columns(signal, omega):
        residual += float(np.sum(weight * (part - columns @ solution) ** 2))
    phasors = _phasors(solution, omega.size) * np.exp(-1j * omega * 0.5 * (signal.size - 1))
    residual_rms = float(np.sqrt(residual / (0.5 * signal.size)))  # a Hann weight sums to half the length
    return Tones(
        frequency_hz=frequency,
        amplitude=np.abs(phasors),
        phase_rad=np.angle(phasors),
        constant=float(solution[0]),
        residual_rms=residual_rms,
        amplitude_error=residual_rms * float(np.sqrt(3.0 / signal.size)),  # Hann: 1.5 bins of noise bandwidth
    )


def tone_frequency(signal: ArrayLike, *, rate_hz: float, near_hz: float | None = None) -> float:
    """Exact frequency of the tone nearest to `near_hz` (within 5 %), or of the strongest one.

    The spectrum's peak, then Gauss-Newton steps on a harmonic signal with free frequency. In noise of r rms
    a tone of amplitude A is placed to about ``r / A / duration / sqrt(n)`` Hz.

    Raises `InputError` where there is no tone to lock on to.
    """
    signal = samples(signal, "signal", at_least=64)
    positive(rate_hz, "rate_hz")
    spectrum = _hann_spectrum(signal - np.mean(signal))
    axis = np.arange(spectrum.size) * rate_hz / signal.size
    allowed = axis >= LEAST_PERIODS * rate_hz / signal.size
    if near_hz is not None:
        width = max(0.05 * positive(near_hz, "near_hz"), 2.0 * rate_hz / signal.size)
        allowed &= np.abs(axis - near_hz) <= width
    if not np.any(allowed):
        raise InputError(
            f"signal: {signal.size / rate_hz:.3g} s are too short for a tone"
            + (f" near {near_hz:g} Hz" if near_hz is not None else "")
        )
    peak = int(np.argmax(np.where(allowed, spectrum, -1.0)))
    if spectrum[peak] == 0.0:
        raise InputError("signal: no steady tone stands out of it; it is silent")
    frequency, fitted = _refined(signal, float(axis[peak]), rate_hz)
    rest = _hann_spectrum(signal - np.mean(signal) - fitted)
    around = rest[max(0, peak - NEIGHBOURS) : peak + NEIGHBOURS + 1]
    if spectrum[peak] < LEAST_PEAK * np.sqrt(np.mean(around**2)):
        raise InputError(f"signal: no steady tone stands out of it (the best guess was {frequency:.4g} Hz)")
    return frequency


def _refined(signal: Samples, start_hz: float, rate_hz: float) -> tuple[float, Samples]:
    """Frequency of the tone near `start_hz` by Gauss-Newton, and the fitted tone with its harmonics."""
    frequency = start_hz
    for _ in range(FREQUENCY_ROUNDS):
        count = max(1, min(FREQUENCY_HARMONICS, int(0.499 * rate_hz / frequency)))
        omega = np.asarray(2.0 * np.pi * frequency / rate_hz * np.arange(1, count + 1), dtype=np.float64)
        series = _phasors(_solve(signal, omega), count)
        step = float(_solve(signal, omega, slope_of=series)[-1]) * rate_hz / (2.0 * np.pi)
        frequency += step
        if not abs(frequency - start_hz) < 2.0 * rate_hz / signal.size:
            raise InputError(f"signal: no steady tone near {start_hz:.4g} Hz")
        if abs(step) < FREQUENCY_TOLERANCE * frequency:
            break
    time = np.arange(signal.size) - 0.5 * (signal.size - 1)
    return frequency, np.sum((np.exp(1j * np.outer(time, omega)) * series).real, axis=1)


def _hann_spectrum(signal: Samples) -> Samples:
    return np.asarray(np.abs(fft.rfft(signal * dsp.windows.hann(signal.size, sym=False))))


def _check_frequencies(frequency: Samples, size: int, rate_hz: float) -> None:
    if frequency.ndim != 1 or not frequency.size:
        raise InputError("frequencies_hz: give at least one frequency")
    if not np.all(np.isfinite(frequency)) or np.min(frequency) <= 0.0 or np.max(frequency) >= rate_hz / 2.0:
        raise InputError(f"frequencies_hz: must lie above 0 and below half the rate, {rate_hz / 2.0:g} Hz")
    if size * float(np.min(frequency)) / rate_hz < LEAST_PERIODS:
        raise InputError(
            f"signal: {size / rate_hz:.3g} s hold fewer than {LEAST_PERIODS:g} periods of "
            f"{np.min(frequency):g} Hz"
        )


def _solve(signal: Samples, omega: Samples, *, slope_of: Phasors | None = None) -> Samples:
    """Weighted least squares: constant, cosines, sines [shape=(2 m + 1,)], time from the record's middle.

    With `slope_of`, the phasors of a harmonic series that an earlier fit has found, one more unknown is
    added: the change of the fundamental's omega.
    """
    width = 2 * omega.size + 1 + (slope_of is not None)
    normal, right = np.zeros((width, width)), np.zeros(width)
    for columns, weight, part in _columns(signal, omega, slope_of=slope_of):
        weighted = columns * weight[:, None]
        normal += columns.T @ weighted
        right += weighted.T @ part
    diagonal = np.diag(normal)
    if np.any(diagonal <= 0.0):
        raise InputError("signal: no steady tone there")
    scale = 1.0 / np.sqrt(diagonal)
    scaled = normal * np.outer(scale, scale)
    stiffness = np.linalg.eigvalsh(scaled)
    if stiffness[-1] > LARGEST_CONDITION * stiffness[0]:
        raise InputError("signal: too short to tell the tones apart; record longer")
    return np.asarray(scale * np.linalg.solve(scaled, scale * right))


def _phasors(solution: Samples, count: int) -> Phasors:
    return np.asarray(solution[1 : 1 + count] - 1j * solution[1 + count : 1 + 2 * count])


def _columns(
    signal: Samples, omega: Samples, *, slope_of: Phasors | None = None
) -> Iterator[tuple[Samples, Samples, Samples]]:
    """Blocks of the design matrix with their Hann weights and samples."""
    middle = 0.5 * (signal.size - 1)
    for start in range(0, signal.size, BLOCK):
        part = signal[start : start + BLOCK]
        time = start + np.arange(part.size) - middle
        angle = np.outer(time, omega)
        columns = [np.ones((time.size, 1)), np.cos(angle), np.sin(angle)]
        if slope_of is not None:
            turning = np.exp(1j * angle) @ (1j * omega / omega[0] * slope_of)
            columns.append((time * turning.real)[:, None])
        yield np.hstack(columns), np.cos(np.pi * time / signal.size) ** 2, part
