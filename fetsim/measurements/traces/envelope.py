"""Level and gain against time, read off a waveform without delay and without smearing a 40 us attack.

Three readers, from the sharpest to the most general:

* `local_gain`: dry and wet waveforms, gain at every instant. In a short window around each sample the gain
  is a polynomial in time, fitted by least squares to ``wet = gain * dry``. No analytic signal is formed,
  because that needs a gain slower than the tone (Bedrosian's theorem) and a fast attack is not. A window
  may be a fraction of a cycle: where the dry tone crosses zero its neighbours carry the fit.
* `tone_envelope`: one waveform of a tone of known frequency; amplitude and phase by quadrature
  demodulation, as a local least-squares fit of cosine, sine and constant, so no filter delay and no ripple
  at twice the tone.
* `level_envelope`: any material; root mean square under a symmetric Hann window.

Windows are symmetric (zero phase) and shrink at the ends of the signal. They also never straddle an instant
named in `breaks_s`: name the instant of the test step there and nothing from before it leaks into the
attack.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike

from fetsim.errors import InputError
from fetsim.measurements.traces.checks import Samples, positive, same_length, samples

QUIETEST_DRY_DB = -80.0  # dB re the loudest window: below this the dry signal says nothing about gain
LEAST_INDEPENDENCE = 1e-7  # share of a regressor not explained by the others; less is not solved for
MOST_WRONG_SIGN = 0.1  # share of readings with negative gain from which on the polarity is called reversed
LEVEL_FLOOR_DB = -300.0  # dB re 1: what silence reads


@dataclass(frozen=True)
class GainTrace:
    """Gain against time [shape=(n,)]; NaN where the dry signal was too quiet to tell."""

    gain_db: Samples
    rate_hz: float
    window_s: float

    @property
    def valid_share(self) -> float:
        """Part of the trace that holds a reading, 0..1."""
        return float(np.mean(np.isfinite(self.gain_db)))


@dataclass(frozen=True)
class ToneTrace:
    """Amplitude (peak, in the signal's unit) and phase (re a cosine at sample 0) of a tone against time."""

    amplitude: Samples
    phase_rad: Samples
    rate_hz: float
    window_s: float

    @property
    def level_db(self) -> Samples:
        """Level of the tone's root mean square, dB re 1 of the signal's unit."""
        floor = 10.0 ** (LEVEL_FLOOR_DB / 20.0)
        return np.asarray(20.0 * np.log10(np.maximum(self.amplitude / np.sqrt(2.0), floor)))


@dataclass(frozen=True)
class LevelTrace:
    """Level against time [shape=(n,)], dB re 1 of the signal's unit, root mean square."""

    level_db: Samples
    rate_hz: float
    window_s: float


def local_gain(
    wet: ArrayLike,
    *,
    dry: ArrayLike,
    rate_hz: float,
    window_s: float,
    breaks_s: Sequence[float] = (),
    order: int = 2,
) -> GainTrace:
    """Gain of `wet` over `dry` at every sample, dB.

    `wet`, `dry` [shape=(n,)]: brought in step (see `in_step`), same polarity. `window_s`: length of the fit.
    `order`: degree of the polynomial in time that stands for the gain inside the window (2: value, slope,
    bend).

    Range of validity (measured on a 9 dB change by ``exp(-t/tau)``, tones of 1 and 5 kHz at several
    phases): a window of half a tau misreads the gain by at most 0.02 dB, one of one tau by 0.1 dB, one of
    two tau by 0.5 dB; the time to 63 % by 0.1, 0.6 and 8 %. A phase shift between dry and wet makes the
    gain ripple at twice the tone: 0.1 rad by 0.7 dB peak with a window of half a cycle, 1.4 dB with a
    quarter, 0.01 rad by a tenth of that; so align first, or take as dry the unit's own output with its
    sidechain off. Noise of 40 dB under the tone spreads the reading by 0.04 dB rms (5 kHz, half a cycle,
    192 kHz), several times that near a zero crossing when the window is shorter. Harmonic distortion of the
    wet signal reads as ripple too, which is what it is.

    Raises `InputError` for unequal lengths, a window of fewer samples than the fit needs, or reversed
    polarity.
    """
    wet = samples(wet, "wet", at_least=8)
    dry = samples(dry, "dry", at_least=8)
    same_length(wet, dry, "dry and wet")
    window = _flat_window(window_s, rate_hz, parameters=order + 1)
    terms = [(power, dry) for power in range(order + 1)]
    gain = np.full(wet.size, np.nan)
    for part in _segments(wet.size, breaks_s, rate_hz):
        solution, independence = _local_fit(wet, terms, part, window)
        gain[part] = np.where(independence > LEAST_INDEPENDENCE, solution[0], np.nan)

    energy = _moving_sum(dry * dry, window)
    gain[energy <= energy.max() * 10.0 ** (QUIETEST_DRY_DB / 10.0)] = np.nan
    read = np.isfinite(gain)
    if not np.any(read):
        raise InputError("dry: is silent; there is nothing to measure a gain against")
    if np.mean(gain[read] < 0.0) > MOST_WRONG_SIGN:
        raise InputError(
            "wet: is not in step with dry (reversed polarity or misaligned); use in_step first"
        )
    with np.errstate(invalid="ignore", divide="ignore"):
        gain_db = np.where(gain > 0.0, 20.0 * np.log10(gain), np.nan)
    return GainTrace(gain_db=gain_db, rate_hz=rate_hz, window_s=window_s)


def tone_envelope(
    signal: ArrayLike,
    *,
    rate_hz: float,
    frequency_hz: float,
    cycles: float = 1.0,
    breaks_s: Sequence[float] = (),
) -> ToneTrace:
    """Amplitude and phase of a tone of known frequency at every sample.

    Range of validity: one cycle or more rejects a constant and, at whole cycles, every harmonic; half a
    cycle still rejects odd harmonics of a symmetric waveform, but the fit then leaves the constant out. The
    amplitude is an average over the window: a gain falling by ``exp(-t/tau)`` reads ``sinh(x)/x`` of what
    is left to go, x = window / (2 tau): 1 % high at a window of half a tau, 17 % at two. For an attack
    faster than a cycle use `local_gain`.
    """
    signal = samples(signal, "signal", at_least=8)
    positive(frequency_hz, "frequency_hz")
    if frequency_hz >= positive(rate_hz, "rate_hz") / 2.0:
        raise InputError(f"frequency_hz: {frequency_hz:g} Hz is not below half the rate of {rate_hz:g} Hz")
    if not cycles >= 0.5:
        raise InputError(f"cycles: is {cycles:g}; the quadrature fit needs at least half a cycle")
    window = _flat_window(cycles / frequency_hz, rate_hz, parameters=3)
    angle = 2.0 * np.pi * frequency_hz / rate_hz * np.arange(signal.size)
    terms = [(0, np.cos(angle)), (0, np.sin(angle))]
    if cycles >= 1.0:
        terms.append((0, np.ones(signal.size)))
    phasor = np.full(signal.size, np.nan, dtype=np.complex128)
    for part in _segments(signal.size, breaks_s, rate_hz):
        solution, independence = _local_fit(signal, terms, part, window)
        phasor[part] = np.where(independence > LEAST_INDEPENDENCE, solution[0] - 1j * solution[1], np.nan)
    return ToneTrace(
        amplitude=np.abs(phasor),
        phase_rad=np.angle(phasor),
        rate_hz=rate_hz,
        window_s=cycles / frequency_hz,
    )


def level_envelope(signal: ArrayLike, *, rate_hz: float, window_s: float) -> LevelTrace:
    """Root mean square level of any material at every sample, dB re 1.

    The squared signal is averaged under a symmetric Hann window of `window_s`, which is renormalised at the
    ends. Range of validity: the power of an abrupt step passes half its height at the step itself and takes
    0.48 of the window from 10 to 90 %; a tone of f Hz leaves no ripple when ``window_s`` is 1/f, 1.5/f, 2/f
    and so on.
    """
    signal = samples(signal, "signal")
    width = positive(window_s, "window_s") * positive(rate_hz, "rate_hz")
    half = int(width / 2.0)
    window = 0.5 + 0.5 * np.cos(2.0 * np.pi * np.arange(-half, half + 1) / width)
    power = _moving_sum(signal * signal, window)
    weight = _moving_sum(np.ones(signal.size), window)
    floor = 10.0 ** (LEVEL_FLOOR_DB / 10.0)
    level_db = 10.0 * np.log10(np.maximum(power / weight, floor))
    return LevelTrace(level_db=level_db, rate_hz=rate_hz, window_s=window_s)


def _moving_sum(values: Samples, kernel: Samples) -> Samples:
    """Sum of `values` under `kernel` centred on every sample; beyond the ends the values count as zero."""
    from scipy import signal as dsp  # takes most of a second and 25 MB: not before something is to be summed

    half = kernel.size // 2
    return np.asarray(dsp.correlate(values, kernel, mode="full")[half : half + values.size])


def _flat_window(window_s: float, rate_hz: float, *, parameters: int) -> Samples:
    """Weights of a flat window of any length: the outermost two samples count in part (trapezoid rule)."""
    width = positive(window_s, "window_s") * positive(rate_hz, "rate_hz")
    half = int(np.ceil((width - 1.0) / 2.0))
    if 2 * half + 1 < parameters + 2:
        raise InputError(
            f"window_s: {window_s:g} s holds {2 * half + 1} samples at {rate_hz:g} Hz, the fit needs "
            f"{parameters + 2}; widen the window or raise the rate"
        )
    window = np.ones(2 * half + 1)
    window[[0, -1]] = 0.5 * (width - (2 * half - 1))
    return window


def _segments(size: int, breaks_s: Sequence[float], rate_hz: float) -> list[slice]:
    """Stretches between breaks; the first sample at or after a break opens the next stretch."""
    inner = {int(np.ceil(instant * rate_hz - 1e-6)) for instant in breaks_s}
    borders = [0, *sorted(border for border in inner if 0 < border < size), size]
    return [slice(start, stop) for start, stop in pairwise(borders)]


def _local_fit(
    target: Samples, terms: list[tuple[int, Samples]], part: slice, window: Samples
) -> tuple[list[Samples], Samples]:
    """Least squares of `target` on the terms in a window around every sample of `part`.

    A term (p, u) is the regressor ``k**p u[n + k]``, k = -1..1 across the window. Samples outside `part`
    count as zero in the regressors and the target alike, so they have no say and the window is cut there.
    """
    offset = np.linspace(-1.0, 1.0, window.size)
    columns = [(power, values[part]) for power, values in terms]
    goal = target[part]
    matrix = [[_moving_sum(u * v, window * offset ** (p + q)) for q, v in columns] for p, u in columns]
    right = [_moving_sum(u * goal, window * offset**p) for p, u in columns]
    return _solve_small(matrix, right)


def _solve_small(matrix: list[list[Samples]], right: list[Samples]) -> tuple[list[Samples], Samples]:
    """Solve one small symmetric positive system per sample, all at once, by elimination.

    Also returns the smallest ratio of a pivot to its diagonal entry: the share of that regressor which the
    ones before it leave unexplained (1: orthogonal, 0: singular).
    """
    size = len(right)
    a = [[entry.copy() for entry in row] for row in matrix]
    b = [entry.copy() for entry in right]
    independence = np.ones_like(b[0])
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        for i in range(size):
            independence = np.minimum(independence, np.nan_to_num(a[i][i] / matrix[i][i], nan=0.0))
            for j in range(i + 1, size):
                factor = a[j][i] / a[i][i]
                b[j] = b[j] - factor * b[i]
                a[j] = [a[j][k] - factor * a[i][k] for k in range(size)]
        solution = [b[0]] * size
        for i in reversed(range(size)):
            rest = b[i]
            for k in range(i + 1, size):
                rest = rest - a[i][k] * solution[k]
            solution[i] = rest / a[i][i]
    return solution, independence
