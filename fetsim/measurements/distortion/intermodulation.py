"""Intermodulation of two tones, every choice of formula named.

* `smpte_imd`: a low tone of four times the amplitude of a high one (60 Hz + 7 kHz after SMPTE, 250 Hz + 8
  kHz after DIN). Order n has the side tones high -/+ (n-1) low. ``order_2``, ``order_3``: *sum* of the pair
  over the high tone, which is the amplitude modulation of the high tone in per cent of it (IEC 60268-3's
  modulation distortion, from memory); ``summed`` = root of the sum of squares of the orders; ``side_tones``
  = root of the sum of squares of all side tones over the high tone, which reads 3 dB less for pure
  amplitude modulation.
* `difference_tone_imd`: two equal tones (19 + 20 kHz). ``order_2`` = tone at the difference over the *sum
  of both amplitudes*; ``order_3`` = sum of the two tones at 2 f1 - f2 and 2 f2 - f1 over the same (IEC
  60268-3's reference, from memory); ``summed`` = root of the sum of their squares.

Frequencies and level ratios: a measurement vendor's page on intermodulation standards (ni.com).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fetsim.errors import InputError
from fetsim.measurements.traces.checks import Samples, positive, samples
from fetsim.measurements.traces.spectrum import LEAST_TONE, tones

SMPTE_LOW_HZ, SMPTE_HIGH_HZ = 60.0, 7_000.0
SMPTE_AMPLITUDE_RATIO = 4.0  # low over high, at the input
DIFFERENCE_LOWER_HZ, DIFFERENCE_UPPER_HZ = 19_000.0, 20_000.0
SIDE_PAIRS = 3  # of which two are reported; the third is fitted so that it cannot leak into them
LOW_HARMONICS = 5  # fitted for the same reason
LEAST_SPACINGS = 5.0  # periods of the tones' spacing in the record


@dataclass(frozen=True, kw_only=True)
class Intermodulation:
    """Intermodulation as ratios; amplitudes (peak, in the signal's unit) of the two test tones as found."""

    lower_hz: float
    upper_hz: float
    lower_amplitude: float
    upper_amplitude: float
    order_2: float
    order_3: float
    summed: float
    side_tones: float | None  # SMPTE only
    residual_rms: float


def smpte_imd(
    signal: ArrayLike, *, rate_hz: float, low_hz: float = SMPTE_LOW_HZ, high_hz: float = SMPTE_HIGH_HZ
) -> Intermodulation:
    """SMPTE-style intermodulation of `signal` [shape=(n,)].

    Raises `InputError` for a record of fewer than `LEAST_SPACINGS` periods of the low tone, tones that
    cannot be placed below half the rate, and a missing test tone.
    """
    signal = _long_enough(signal, rate_hz, low_hz)
    if high_hz <= (LOW_HARMONICS + SIDE_PAIRS) * low_hz:
        raise InputError(f"high_hz: {high_hz:g} Hz is too close to the harmonics of {low_hz:g} Hz")
    pairs = np.arange(1, SIDE_PAIRS + 1)
    below, above = high_hz - pairs * low_hz, high_hz + pairs * low_hz
    lows = low_hz * np.arange(1, LOW_HARMONICS + 1)
    found = tones(signal, rate_hz=rate_hz, frequencies_hz=[*lows, high_hz, *below, *above])
    low, high = found.amplitude[0], found.amplitude[LOW_HARMONICS]
    _present(low, high, found.amplitude_error)
    side = found.amplitude[LOW_HARMONICS + 1 :].reshape(2, SIDE_PAIRS)[:, :2] / high
    order_2, order_3 = np.sum(side, axis=0)
    return Intermodulation(
        lower_hz=low_hz,
        upper_hz=high_hz,
        lower_amplitude=float(low),
        upper_amplitude=float(high),
        order_2=float(order_2),
        order_3=float(order_3),
        summed=float(np.hypot(order_2, order_3)),
        side_tones=float(np.sqrt(np.sum(side**2))),
        residual_rms=found.residual_rms,
    )


def difference_tone_imd(
    signal: ArrayLike,
    *,
    rate_hz: float,
    lower_hz: float = DIFFERENCE_LOWER_HZ,
    upper_hz: float = DIFFERENCE_UPPER_HZ,
) -> Intermodulation:
    """Difference-tone intermodulation of `signal` [shape=(n,)]; errors as for `smpte_imd`."""
    spacing = upper_hz - lower_hz
    if not 0.0 < spacing < lower_hz / 2.0:
        raise InputError(f"upper_hz: {upper_hz:g} Hz must lie above {lower_hz:g} Hz, by less than half of it")
    signal = _long_enough(signal, rate_hz, spacing)
    wanted = [lower_hz, upper_hz, spacing, lower_hz - spacing, upper_hz + spacing]
    neighbours = [2.0 * spacing, lower_hz - 2.0 * spacing, upper_hz + 2.0 * spacing]  # orders 4 and 5
    extra = [tone for tone in neighbours if 0.0 < tone < rate_hz / 2.0]
    found = tones(signal, rate_hz=rate_hz, frequencies_hz=[*wanted, *extra])
    lower, upper, second, third_below, third_above = found.amplitude[:5]
    _present(lower, upper, found.amplitude_error)
    reference = lower + upper
    order_2, order_3 = second / reference, (third_below + third_above) / reference
    return Intermodulation(
        lower_hz=lower_hz,
        upper_hz=upper_hz,
        lower_amplitude=float(lower),
        upper_amplitude=float(upper),
        order_2=float(order_2),
        order_3=float(order_3),
        summed=float(np.hypot(order_2, order_3)),
        side_tones=None,
        residual_rms=found.residual_rms,
    )


def _long_enough(signal: ArrayLike, rate_hz: float, spacing_hz: float) -> Samples:
    values = samples(signal, "signal", at_least=64)
    periods = values.size / positive(rate_hz, "rate_hz") * positive(spacing_hz, "the tones' spacing")
    if periods < LEAST_SPACINGS:
        raise InputError(
            f"signal: holds {periods:.1f} periods of {spacing_hz:g} Hz, {LEAST_SPACINGS:g} are needed; "
            "record longer"
        )
    return values


def _present(lower: float, upper: float, error: float) -> None:
    if min(lower, upper) <= LEAST_TONE * error or min(lower, upper) < 1e-3 * max(lower, upper):
        raise InputError("signal: the two test tones do not stand out of it; is it the right capture?")
