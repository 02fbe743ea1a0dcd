"""Noise from a spectral density: weighted rms, and the two laws that it is checked by (4kTR, kT/C)."""

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import signal as dsp
from scipy.constants import Boltzmann

from fetsim.errors import InputError
from fetsim.measurements.traces.checks import Samples, not_negative, positive, same_length, samples

ROOM_TEMPERATURE_K = 300.0
GRID_PER_OCTAVE = 96  # to which a coarser grid is refined, so that the weighting is followed

Weighting = Callable[[ArrayLike], NDArray[np.float64]]


def resistor_noise_density(resistance_ohm: float, *, temperature_k: float = ROOM_TEMPERATURE_K) -> float:
    """Open-circuit noise of a resistor, ``sqrt(4 k T R)``, V per root Hz (Johnson 1928, Nyquist 1928)."""
    resistance = not_negative(resistance_ohm, "resistance_ohm")
    return float(np.sqrt(4.0 * Boltzmann * positive(temperature_k, "temperature_k") * resistance))


def capacitor_noise_rms(capacitance_f: float, *, temperature_k: float = ROOM_TEMPERATURE_K) -> float:
    """Noise of any resistor across a capacitor over all frequencies, ``sqrt(k T / C)``, V rms."""
    capacitance = positive(capacitance_f, "capacitance_f")
    return float(np.sqrt(Boltzmann * positive(temperature_k, "temperature_k") / capacitance))


def weighted_noise_rms(
    density: ArrayLike,
    *,
    frequency_hz: ArrayLike,
    weighting_db: Weighting | None = None,
    low_hz: float | None = None,
    high_hz: float | None = None,
) -> float:
    """Rms of a noise of amplitude `density` [shape=(n,)] per root Hz at rising `frequency_hz`, weighted.

    `weighting_db`: function of frequency in Hz that gives dB (`a_weighting_db`, `itu_468_weighting_db`), or
    None for flat. `low_hz`, `high_hz`: band (default: the whole grid). Between grid points the density is a
    power of frequency, which is exact for white, 1/f and 1/f^2 noise; the weighting is followed on
    `GRID_PER_OCTAVE` points an octave.

    Raises `InputError` for a grid that does not rise from above 0 Hz, a negative density, a band outside
    the grid.
    """
    f, e = samples(frequency_hz, "frequency_hz"), samples(density, "density")
    same_length(f, e, "frequency_hz and density")
    if f[0] <= 0.0 or not np.all(np.diff(f) > 0.0):
        raise InputError("frequency_hz: must start above 0 Hz and rise from point to point")
    if np.any(e < 0.0):
        raise InputError("density: holds a negative value; give the amplitude density per root Hz")
    low = f[0] if low_hz is None else positive(low_hz, "low_hz")
    high = f[-1] if high_hz is None else positive(high_hz, "high_hz")
    if not f[0] <= low < high <= f[-1]:
        raise InputError(f"low_hz, high_hz: must rise and lie within the grid, {f[0]:g} to {f[-1]:g} Hz")
    count = 2 + int(np.ceil(GRID_PER_OCTAVE * np.log2(high / low)))
    grid = np.union1d(np.geomspace(low, high, count)[1:-1], np.append(f[(f > low) & (f < high)], [low, high]))
    tiny = np.finfo(np.float64).tiny
    power = np.exp(2.0 * np.interp(np.log(grid), np.log(f), np.log(np.maximum(e, tiny**0.5))))
    if weighting_db is not None:
        power = np.maximum(power * 10.0 ** (weighting_db(grid) / 10.0), tiny)
    return float(np.sqrt(np.sum(_power_law_areas(grid, power))))


def noise_density(
    signal: ArrayLike, *, rate_hz: float, resolution_hz: float = 5.0
) -> tuple[Samples, Samples]:
    """Frequencies in Hz and amplitude density per root Hz of a noise capture [shape=(n,)] (Welch, Hann).

    The constant and the lowest two lines, which the window mixes with it, are left out. Raises `InputError`
    for a capture shorter than two segments of ``1 / resolution_hz``.
    """
    values = samples(signal, "signal", at_least=64)
    segment = round(positive(rate_hz, "rate_hz") / positive(resolution_hz, "resolution_hz"))
    if values.size < 2 * segment or segment < 16:
        raise InputError(
            f"signal: too short for a resolution of {resolution_hz:g} Hz; record longer or ask for less"
        )
    frequency, power = dsp.welch(values, fs=rate_hz, nperseg=segment, detrend="constant")
    return np.asarray(frequency[2:]), np.asarray(np.sqrt(power[2:]))


def _power_law_areas(x: Samples, y: Samples) -> Samples:
    """Integral of y over each interval, y running as a power of x through both ends."""
    octave = np.log(x[1:] / x[:-1])
    rise = np.log(y[1:] / y[:-1]) + octave  # exponent + 1, times the interval's logarithm
    small = np.abs(rise) < 1e-9
    growth = np.where(small, 1.0 + 0.5 * rise, np.expm1(rise) / np.where(small, 1.0, rise))
    return np.asarray(y[:-1] * x[:-1] * octave * growth)
