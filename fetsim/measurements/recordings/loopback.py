"""The interface on its own: its output wired to its input, and what was played recorded that way.

Its gain says which level at the unit's output a sample stands for, once it is known which level at the unit's input the
played file's full scale is: with the interface's own response between them both are the same volts. The response is
taken where the played material covers it (coherence of ``LEAST_COHERENCE`` and more), and held beyond: where there is
no telling, nothing is corrected.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import fft
from scipy import signal as dsp

from fetsim.errors import InputError
from fetsim.measurements.recordings.sound import Sound, check_clipping, check_length, read_sound
from fetsim.measurements.traces.checks import Samples
from fetsim.measurements.traces.in_step import in_step
from fetsim.measurements.traces.quiet import QuietFloor, quiet_floor

LEAST_COHERENCE = 0.9
SMOOTHED = 1.0 / 6.0  # octave
SEGMENT = 16384  # samples of Welch's method: 3 Hz at 48 kHz


@dataclass(frozen=True, kw_only=True)
class Loopback:
    """An interface from the file that it plays to the file that it records, one channel."""

    name: str
    rate_hz: float
    gain_db: float
    """From samples played to samples recorded."""
    delay_s: float
    clock_ppm: float
    polarity: int
    frequency_hz: Samples
    response_db: Samples
    """Re its gain [shape=(frequencies,)],"""
    phase_rad: Samples
    """and its phase, re its delay and polarity, unwrapped."""
    trusted: tuple[float, float]
    """Hz, from and to: beyond it the material held too little."""
    residual_db: float
    """Of what its gain and response leave over, its noise and distortion, re the recording."""
    floor: QuietFloor

    def taken_out(self, recording: Samples) -> Samples:
        """``recording`` [shape=(n,)] as volts at the interface's input in the unit of what it plays."""
        padded = fft.next_fast_len(len(recording) + SEGMENT, real=True)
        at_hz = fft.rfftfreq(padded, 1.0 / self.rate_hz)
        gain_db = self.gain_db + np.interp(at_hz, self.frequency_hz, self.response_db)
        phase = np.interp(at_hz, self.frequency_hz, self.phase_rad)
        inverse = self.polarity * 10.0 ** (-gain_db / 20.0) * np.exp(-1j * phase)
        return np.asarray(fft.irfft(fft.rfft(recording, padded) * inverse, padded)[: len(recording)])


def load_loopback(dry: str | Path, recorded: str | Path, *, channel: int | None = None) -> Loopback:
    """Read what the interface made of ``dry`` without a unit. Raises InputError.

    >>> import fetsim
    >>> import numpy as np, soundfile
    >>> played = 0.1 * np.random.default_rng(1).standard_normal(96000)
    >>> soundfile.write("dry.wav", played, 48000, subtype="FLOAT")
    >>> soundfile.write("loop.wav", 0.5 * played, 48000, subtype="FLOAT")
    >>> round(fetsim.load_loopback("dry.wav", "loop.wav").gain_db, 2)
    -6.02
    """
    played, heard = read_sound(Path(dry)), read_sound(Path(recorded))
    check_length(played)
    check_length(heard)
    check_clipping(heard)
    if heard.rate_hz != played.rate_hz:
        raise InputError(f"{recorded}: its rate is {heard.rate_hz} Hz, {dry} has {played.rate_hz} Hz; record it anew")
    played, heard = played.channel(1), heard.channel(1 if channel is None else channel)
    if np.array_equal(played.samples, heard.samples):
        raise InputError(f"{recorded}: is what was played; record the interface with its output wired to its input")
    try:
        return loopback(played, heard)
    except InputError as error:
        raise InputError(f"{recorded}: {str(error).partition(': ')[2]}") from None


def loopback(played: Sound, heard: Sound) -> Loopback:
    """An interface out of one channel of each. Raises InputError."""
    rate_hz = float(played.rate_hz)
    pair = in_step(heard.samples[:, 0], reference=played.samples[:, 0], rate_hz=rate_hz)
    return loopback_in_step(
        pair.reference[:, 0], pair.recording[:, 0], name=heard.path.name, rate_hz=rate_hz, delay_s=pair.delay_s,
        clock_ppm=pair.clock_ppm, polarity=pair.polarity[0],
        floor=quiet_floor(
            heard.samples[:, 0], played=played.samples[:, 0], rate_hz=rate_hz, delay_s=pair.delay_s
        ),
    )  # fmt: skip


def loopback_in_step(
    played: Samples,
    heard: Samples,
    *,
    name: str,
    rate_hz: float,
    delay_s: float,
    clock_ppm: float,
    polarity: int,
    floor: QuietFloor,
    broadband: slice | None = None,
) -> Loopback:
    """An interface out of what it played and recorded [shape=(n,) each], in step and the right way up already.

    ``broadband``: the part that holds all frequencies, from which the response is read; None: all of it.

    Raises InputError where it holds too much noise.
    """
    size = min(SEGMENT, len(played) // 4)
    x, y = (played, heard) if broadband is None else (played[broadband], heard[broadband])
    frequency, cross = dsp.csd(x, y, rate_hz, nperseg=size)
    cross, own, its = (
        _smooth(one) for one in (cross, *(dsp.welch(one, rate_hz, nperseg=size)[1] for one in (x, y)))
    )
    coherence = np.abs(cross) ** 2 / np.maximum(own * its, 1e-300)
    gain = float(played @ heard) / float(played @ played)
    response = cross / np.maximum(own, 1e-300) / gain
    first, last = _longest_run(coherence >= LEAST_COHERENCE)
    held = response[np.clip(np.arange(len(response)), first, last)]
    return Loopback(
        name=name,
        rate_hz=rate_hz,
        gain_db=float(20.0 * np.log10(gain)),
        delay_s=delay_s,
        clock_ppm=clock_ppm,
        polarity=polarity,
        frequency_hz=frequency,
        response_db=20.0 * np.log10(np.abs(held)),
        phase_rad=np.unwrap(np.angle(held)) * (frequency > 0.0),
        trusted=(float(frequency[first]), float(frequency[last])),
        residual_db=float(20.0 * np.log10(max(float(np.std(heard - gain * played)), 1e-15) / float(np.std(heard)))),
        floor=floor,
    )


def _smooth(spectrum: np.ndarray) -> np.ndarray:
    """Each place as the mean over ``SMOOTHED`` octaves around it."""
    place = np.arange(len(spectrum))
    low = np.ceil(place * 2.0 ** (-0.5 * SMOOTHED)).astype(int)
    high = np.minimum(np.floor(place * 2.0 ** (0.5 * SMOOTHED)).astype(int) + 1, len(spectrum))
    total = np.concatenate([[0.0], np.cumsum(spectrum)])
    return np.asarray((total[high] - total[low]) / (high - low))


def _longest_run(good: np.ndarray) -> tuple[int, int]:
    """First and last place of the longest stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], good.astype(int), [0]])))
    if not len(edges):
        raise InputError("loop-back: has too much noise to tell its response; raise the level")
    starts, stops = edges[::2], edges[1::2]
    longest = int(np.argmax(stops - starts))
    return int(starts[longest]), int(stops[longest] - 1)
