"""Harmonic distortion of a steady tone: single harmonics, THD with both references, THD+N.

* `harmonics`: amplitudes up to the 10th by exact projection (see `spectrum`). ``thd_f`` = rms of the
  harmonics over the fundamental; ``thd_r`` = over the rms of fundamental and harmonics together, so ``thd_r
  = thd_f / sqrt(1 + thd_f**2)``. IEC 60268-3 refers total harmonic distortion to the total output (from
  memory). They differ by 0.5 % of their value at 10 % THD.
* `thd_plus_noise`: everything but the fundamental, over everything, up to a band limit. In the manner of
  AES17: 997 Hz, a notch of Q 1 to 5, 20 kHz (from memory; the standard was not read and compliance is not
  claimed).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import signal as dsp

from fetsim.errors import InputError
from fetsim.measurements.traces.checks import Samples, positive, samples
from fetsim.measurements.traces.spectrum import LEAST_TONE, tone_frequency, tones

HIGHEST_HARMONIC = 10
AES17_FREQUENCY_HZ = 997.0
AES17_BAND_HZ = 20_000.0
NOTCH_Q = 5.0  # sharp end of the range: takes 0.08 dB off the second harmonic, Q 1 would take 2.6 dB
NOTCH_SETTLING = 20.0  # time constants of the notch left out at the start: 2e-9 of the tone is left
BAND_STOP_DB = 100.0  # of the band-edge filter
BAND_TRANSITION = 0.1  # width of its slope, share of the band edge


@dataclass(frozen=True, kw_only=True)
class Harmonics:
    """Harmonics of a tone; arrays run over `order` = 1, 2, ... up to the last below half the rate."""

    fundamental_hz: float
    order: NDArray[np.intp]
    amplitude: Samples  # peak, in the signal's unit
    phase_rad: Samples  # re a cosine at sample 0
    constant: float
    thd_f: float  # ratio, harmonics to fundamental
    thd_r: float  # ratio, harmonics to the whole
    residual_rms: float  # noise and everything not harmonic
    amplitude_error: float  # one standard error of an amplitude

    @property
    def relative_db(self) -> Samples:
        """Level of every order re the fundamental, dB."""
        with np.errstate(divide="ignore"):
            return np.asarray(20.0 * np.log10(self.amplitude / self.amplitude[0]))


@dataclass(frozen=True, kw_only=True)
class ThdPlusNoise:
    """Result of the notch measurement; rms values in the signal's unit."""

    fundamental_hz: float
    ratio: float  # what is left after the notch, over the whole
    total_rms: float
    residue_rms: float
    band_hz: float  # upper band edge in force
    notch_q: float

    @property
    def level_db(self) -> float:
        """`ratio` in dB."""
        return float(20.0 * np.log10(self.ratio)) if self.ratio > 0.0 else -np.inf


def harmonics(
    signal: ArrayLike,
    *,
    rate_hz: float,
    fundamental_hz: float,
    highest: int = HIGHEST_HARMONIC,
    locked: bool = True,
) -> Harmonics:
    """Harmonics of `signal` [shape=(n,)], a steady tone, up to order `highest` where below rate / 2.

    `locked=False`: the exact frequency is first searched near `fundamental_hz`, for captures whose
    generator and recorder do not share a clock.

    Raises `InputError` when there is no tone there or the record is too short for its harmonics to be told
    apart.
    """
    signal = samples(signal, "signal", at_least=64)
    positive(rate_hz, "rate_hz")
    if highest < 1:
        raise InputError(f"highest: is {highest}; at least the first harmonic must be asked for")
    if not locked:
        fundamental_hz = tone_frequency(signal, rate_hz=rate_hz, near_hz=fundamental_hz)
    order = np.arange(1, highest + 1)
    order = order[order * positive(fundamental_hz, "fundamental_hz") < rate_hz / 2.0]
    if not order.size:
        raise InputError(
            f"fundamental_hz: {fundamental_hz:g} Hz is not below half the rate, {rate_hz / 2.0:g} Hz"
        )
    found = tones(signal, rate_hz=rate_hz, frequencies_hz=list(order * fundamental_hz))
    first = float(found.amplitude[0])
    if first <= max(LEAST_TONE * found.amplitude_error, 1e-12 * abs(found.constant)):
        raise InputError(f"signal: no tone of {fundamental_hz:g} Hz stands out of it")
    thd_f = float(np.sqrt(np.sum(found.amplitude[1:] ** 2))) / first
    return Harmonics(
        fundamental_hz=fundamental_hz,
        order=order,
        amplitude=found.amplitude,
        phase_rad=found.phase_rad,
        constant=found.constant,
        thd_f=thd_f,
        thd_r=thd_f / float(np.sqrt(1.0 + thd_f**2)),
        residual_rms=found.residual_rms,
        amplitude_error=found.amplitude_error,
    )


def thd_plus_noise(
    signal: ArrayLike,
    *,
    rate_hz: float,
    near_hz: float = AES17_FREQUENCY_HZ,
    notch_q: float = NOTCH_Q,
    band_hz: float = AES17_BAND_HZ,
) -> ThdPlusNoise:
    """THD+N of `signal` [shape=(n,)], a steady tone near `near_hz`, re the whole.

    The constant does not count. The band edge is a linear-phase filter (skipped, and `band_hz` of the result
    lowered, where half the rate lies below it), the notch is put exactly on the tone; both rms values are
    taken under a Hann weight, so that parts of a period do not matter.

    Raises `InputError` for a record shorter than the filters' settling and ten periods.
    """
    signal = samples(signal, "signal", at_least=64)
    fundamental = tone_frequency(signal, rate_hz=rate_hz, near_hz=near_hz)
    positive(notch_q, "notch_q")
    if positive(band_hz, "band_hz") <= 2.0 * fundamental:
        raise InputError(f"band_hz: {band_hz:g} Hz leaves out even the second harmonic of {fundamental:g} Hz")
    in_band, band = _band_limited(signal, band_hz, rate_hz)
    settling = int(np.ceil(NOTCH_SETTLING * notch_q / (np.pi * fundamental) * rate_hz))
    if in_band.size < settling + 10.0 * rate_hz / fundamental:
        raise InputError(
            f"signal: {signal.size / rate_hz:.3g} s are too short for the notch to settle; record longer"
        )
    residue = dsp.lfilter(*dsp.iirnotch(fundamental, notch_q, fs=rate_hz), in_band)
    total_rms, residue_rms = _rms(in_band[settling:]), _rms(residue[settling:])
    return ThdPlusNoise(
        fundamental_hz=fundamental,
        ratio=residue_rms / total_rms,
        total_rms=total_rms,
        residue_rms=residue_rms,
        band_hz=band,
        notch_q=notch_q,
    )


def _band_limited(signal: Samples, band_hz: float, rate_hz: float) -> tuple[Samples, float]:
    stop_hz = min(band_hz * (1.0 + BAND_TRANSITION), rate_hz / 2.0)
    if stop_hz <= band_hz * (1.0 + 0.2 * BAND_TRANSITION):
        return signal, min(band_hz, rate_hz / 2.0)
    taps, beta = dsp.kaiserord(BAND_STOP_DB, (stop_hz - band_hz) / (rate_hz / 2.0))
    if signal.size < 2 * taps:
        raise InputError(
            f"signal: {signal.size} samples are too few for the {band_hz:g} Hz band edge; record longer"
        )
    edge = dsp.firwin(taps | 1, 0.5 * (band_hz + stop_hz), window=("kaiser", beta), fs=rate_hz)
    return np.asarray(dsp.oaconvolve(signal, edge, mode="valid")), band_hz


def _rms(signal: Samples) -> float:
    weight = dsp.windows.hann(signal.size, sym=False)
    mean = np.sum(weight * signal) / np.sum(weight)
    return float(np.sqrt(np.sum(weight * (signal - mean) ** 2) / np.sum(weight)))
