"""What a recording holds where nothing is played: noise, its spectrum, and hum, line by line.

A stretch is quiet where what was played is nothing, or nearly, and has been so for ``SETTLING_S``: before the first
sound, behind the last one and in pauses. Without such a stretch the quietest moment of the recording still says how
much noise there is at the most.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import signal as dsp

from fetsim.errors import InputError
from fetsim.measurements.traces.checks import Samples, positive, samples
from fetsim.measurements.traces.spectrum import tone_frequency, tones

SETTLING_S = 0.5  # after the last sound: rooms, releases and capacitors come to rest
LEAST_QUIET_S = 0.25  # shorter ones tell no hum
SILENT_DB = -80.0  # re the loudest 20 ms of what was played
FRAME_S = 0.02
MAINS_HZ = (50.0, 60.0)
MAINS_WITHIN = 0.004  # of its frequency: grid and recorder's clock together
LINES = 12  # harmonics of the mains
LEAST_LINE = 5.0  # standard errors of its amplitude
LOW_RATE_HZ = 4000.0  # at which hum is looked for
SEGMENT = 8192  # samples of Welch's method


ReadFrom = Literal["quiet", "bound"]


@dataclass(frozen=True, kw_only=True)
class QuietFloor:
    """Noise and hum of one channel; the unit is that of the recording."""

    read_from: ReadFrom
    """``bound``: there was no quiet stretch, so noise and hum are no more than this."""
    length_s: float
    """Of the stretch."""
    constant: float
    noise_rms: float
    """Without hum and constant, over the whole band."""
    frequency_hz: Samples
    noise_density: Samples
    """Power in 1 Hz at ``frequency_hz`` [shape=(bins,)], hum taken out."""
    mains_hz: float | None
    """None where no hum stands out."""
    hum_hz: Samples
    hum_amplitude: Samples
    """Peak, of each line that stands out [shape=(lines,)]."""

    @property
    def hum_rms(self) -> float:
        """Of all lines."""
        return float(np.sqrt(0.5 * np.sum(self.hum_amplitude**2)))


def quiet_floor(
    recording: ArrayLike,
    *,
    played: ArrayLike,
    rate_hz: float,
    delay_s: float = 0.0,
    settling_s: float = SETTLING_S,
) -> QuietFloor:
    """Noise and hum of ``recording`` [shape=(m,)] where ``played`` [shape=(n,)] is silent, which is in it ``delay_s``
    later. Before ``played`` begins and behind its end nothing is played.

    Raises InputError for a recording too short to tell anything.
    """
    heard, source = samples(recording, "recording"), samples(played, "played")
    frame = max(1, round(FRAME_S * positive(rate_hz, "rate_hz")))
    if len(heard) < 4 * frame:
        raise InputError(f"recording: {len(heard) / rate_hz:.3g} s are too short to tell its noise")
    shift = round(delay_s * rate_hz)
    stretches = list(_quiet(source, shift, len(heard), frame, round(settling_s * rate_hz)))
    long_enough = [part for part in stretches if part.stop - part.start >= LEAST_QUIET_S * rate_hz]
    if long_enough:
        # of several the one with the least power: handling noise makes none of them quieter
        return _floor(min((heard[part] for part in long_enough), key=np.var), rate_hz, "quiet")
    power = dsp.convolve((heard - np.mean(heard)) ** 2, np.ones(4 * frame), mode="valid")
    least = int(np.argmin(power))
    return _floor(heard[least : least + 4 * frame], rate_hz, "bound")


def _quiet(source: Samples, shift: int, length: int, frame: int, settling: int) -> Iterator[slice]:
    """Stretches of the recording in which nothing is played and all is at rest."""
    count = len(source) // frame
    level = np.sqrt(np.mean(source[: count * frame].reshape(count, frame) ** 2, axis=1)) if count else np.zeros(0)
    loud = np.flatnonzero(level > 10.0 ** (SILENT_DB / 20.0) * np.max(level, initial=0.0)) * frame + shift
    if not len(loud):
        yield slice(0, length)
        return
    margin = frame
    yield slice(0, int(np.clip(loud[0] - margin, 0, length)))
    for before, after in pairwise([*loud, length + margin]):
        first, last = int(before) + frame + settling, int(after) - margin
        if last > first:
            yield slice(int(np.clip(first, 0, length)), int(np.clip(last, 0, length)))


def _floor(stretch: Samples, rate_hz: float, read_from: ReadFrom) -> QuietFloor:
    rest = stretch - np.mean(stretch)
    mains_hz, lines_hz, amplitude = None, np.zeros(0), np.zeros(0)
    if read_from == "quiet":
        mains_hz, lines_hz, amplitude, rest = _without_hum(rest, rate_hz)
    frequency, density = dsp.welch(rest, rate_hz, nperseg=min(SEGMENT, len(rest)))
    return QuietFloor(
        read_from=read_from,
        length_s=len(stretch) / rate_hz,
        constant=float(np.mean(stretch)),
        noise_rms=float(np.std(rest)),
        frequency_hz=frequency,
        noise_density=density,
        mains_hz=mains_hz,
        hum_hz=lines_hz,
        hum_amplitude=amplitude,
    )


def _without_hum(rest: Samples, rate_hz: float) -> tuple[float | None, Samples, Samples, Samples]:
    """Mains frequency, lines that stand out with their amplitudes, and what is left without them."""
    fewer = max(1, int(rate_hz / LOW_RATE_HZ))
    low, low_rate_hz = dsp.resample_poly(rest, 1, fewer), rate_hz / fewer
    mains_hz: float | None = None
    lines = np.zeros(0), np.zeros(0), np.zeros(0)
    for nominal in MAINS_HZ:
        found_hz = _mains(low, low_rate_hz, nominal)
        if found_hz is None:
            continue
        fitted = tones(low, rate_hz=low_rate_hz, frequencies_hz=(found_hz * np.arange(1, LINES + 1)).tolist())
        out = fitted.amplitude > LEAST_LINE * fitted.amplitude_error
        if np.sum(fitted.amplitude[out] ** 2) > np.sum(lines[1] ** 2):
            mains_hz, lines = found_hz, (fitted.frequency_hz[out], fitted.amplitude[out], fitted.phase_rad[out])
    time_s = np.arange(len(rest)) / rate_hz
    for frequency_hz, amplitude, phase in zip(*lines, strict=True):
        rest = rest - amplitude * np.cos(2.0 * np.pi * frequency_hz * time_s + phase)
    return mains_hz, lines[0], lines[1], rest


def _mains(low: Samples, rate_hz: float, nominal_hz: float) -> float | None:
    """Frequency of the mains out of the first of its lines that stands out, if one does."""
    for harmonic in (1, 2, 3):
        try:
            found_hz = tone_frequency(low, rate_hz=rate_hz, near_hz=harmonic * nominal_hz) / harmonic
        except InputError:
            continue
        if abs(found_hz / nominal_hz - 1.0) <= MAINS_WITHIN:
            return found_hz
    return None
