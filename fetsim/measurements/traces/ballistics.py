"""How a needle would show a trace: the standard volume indicator as a second-order low-pass.

ANSI C16.5 / IEC 60268-17, second-hand: 99 % of a step in 300 ms (10 % either way) and an overshoot of 1 to
1.5 %; the rectifier is full-wave and takes the average, not the rms. Damping and natural frequency follow
from those two figures; 300 ms is no time constant. The needle is stepped by the exact solution of its
equation for an input that is straight between samples (first-order hold), so any rate will do and a slow
log reads the same as audio.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy import signal as dsp
from scipy.optimize import brentq

from fetsim.errors import InputError
from fetsim.measurements.traces.checks import Samples, positive, samples

VU_OVERSHOOT = 0.0125  # middle of 1 to 1.5 %
VU_RISE_S = 0.300
VU_REACHED = 0.99  # of a step, after VU_RISE_S
SINE_FORM_FACTOR = np.pi / (2.0 * np.sqrt(2.0))  # rms over rectified average of a sine, 1.1107
LOWEST_VU_DB = -60.0  # what a needle at rest reads


@dataclass(frozen=True)
class Needle:
    """A moving-coil needle as ``y'' + 2 damping w y' + w^2 y = w^2 x``."""

    damping: float
    natural_rad_s: float


@lru_cache(maxsize=16)
def needle_for(*, overshoot: float = VU_OVERSHOOT, rise_s: float = VU_RISE_S) -> Needle:
    """The needle that first passes 99 % of a step after `rise_s` and overshoots by the ratio `overshoot`.

    ``overshoot = exp(-pi damping / sqrt(1 - damping^2))``; the natural frequency is found by root search.
    Raises `InputError` for an overshoot outside 0.1 to 50 %.
    """
    positive(rise_s, "rise_s")
    if not 1e-3 <= overshoot <= 0.5:
        raise InputError(f"overshoot: is {overshoot:g}; the ratio must lie between 0.001 and 0.5")
    log_overshoot = np.log(overshoot)
    damping = float(-log_overshoot / np.hypot(np.pi, log_overshoot))
    peak_at = np.pi / np.sqrt(1.0 - damping**2)  # in units of 1 / natural_rad_s; the rise lies before it
    reached_at = brentq(lambda t: _step_response(t, damping) - VU_REACHED, 1e-6, peak_at, xtol=1e-14)
    return Needle(damping=damping, natural_rad_s=float(reached_at) / rise_s)


def needle_reading(
    trace: ArrayLike, *, rate_hz: float, needle: Needle | None = None, start: float | None = None
) -> Samples:
    """Deflection of `needle` (default: the volume indicator) driven by `trace` [shape=(n,)], same unit.

    `trace`: gain reduction in dB, rectified audio, anything. `start`: where the needle rests at sample 0
    (default: at the first value of the trace).
    """
    values = samples(trace, "trace", at_least=1)
    needle = needle_for() if needle is None else needle
    if not 0.0 < needle.damping < 1.0:
        raise InputError(
            f"needle: its damping is {needle.damping:g}; it must lie between 0 and 1 (an overshoot)"
        )
    rest = float(values[0]) if start is None else start
    step_s = 1.0 / positive(rate_hz, "rate_hz")
    # One of two conjugate poles: z' = pole z + residue x, deflection = 2 Re z, solved over straight pieces.
    swing = needle.natural_rad_s * np.sqrt(1.0 - needle.damping**2)
    pole = complex(-needle.damping * needle.natural_rad_s, swing)
    residue = needle.natural_rad_s**2 / (2j * swing)
    hold = np.expm1(pole * step_s) / pole
    ramp = (np.expm1(pole * step_s) - pole * step_s) / (pole**2 * step_s)
    b = residue * np.array([ramp, hold - ramp])
    a = np.array([1.0, -np.exp(pole * step_s)])
    driven, _ = dsp.lfilter(b, a, values - rest, zi=[-b[0] * (values[0] - rest)])
    return np.asarray(rest + 2.0 * driven.real)


def vu_reading(audio: ArrayLike, *, rate_hz: float, zero_vu_rms: float) -> Samples:
    """Volume-indicator reading of `audio` [shape=(n,)], dB re 0 VU, the needle starting at rest.

    `zero_vu_rms`: rms, in the unit of the audio, of the sine that reads 0 VU. The full-wave average is
    scaled to agree on a sine; a square wave of the same rms reads 0.91 dB more. Rectifying samples folds
    the rectifier's overtones; for a tone of f Hz the reading is off by at most (2 f / rate)^2 or so of its
    value, 0.01 dB for 1 kHz at 48 kHz.
    """
    values = samples(audio, "audio", at_least=1)
    scale = SINE_FORM_FACTOR / positive(zero_vu_rms, "zero_vu_rms")
    deflection = needle_reading(scale * np.abs(values), rate_hz=rate_hz, start=0.0)
    return np.asarray(20.0 * np.log10(np.maximum(deflection, 10.0 ** (LOWEST_VU_DB / 20.0))))


def _step_response(time: float, damping: float) -> float:
    """Of a needle of natural frequency 1 rad/s."""
    swing = np.sqrt(1.0 - damping**2)
    return float(
        1.0 - np.exp(-damping * time) * (np.cos(swing * time) + damping / swing * np.sin(swing * time))
    )
