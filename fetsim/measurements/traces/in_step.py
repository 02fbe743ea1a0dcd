"""Bring a long recording into step with what was played, whatever it is: delay, polarity, gain, clock difference.

The model: ``recording(t) = polarity * gain(t) * reference((t - delay) / (1 + clock))`` with noise, hum and distortion
on top, where the gain moves as a compressor moves it. Level changes would pull a correlation aside, since an attack
cuts off the end of what it meets: the correlation of ``gain * x`` with ``x`` has its peak off the true delay by
``sum(gain' x**2) / 2`` over its bend. So the gain is followed over windows of ``GAIN_S`` and put on the reference,
which makes its correlation with the recording even about the true delay again, and moments at which it moves by more
than ``UNSTEADY_DB`` have next to no weight: with 10 dB, 0.3 ms of attack and 0.3 s of release that leaves 0.002 samples
of 0.02 (music between 800 Hz and 3 kHz). What a detector does within a cycle stays, since it is a phase lead: the gain
sinks at each crest by what it rose since the last one.

First the whole delay (``first_guess``), then each block's own, as the peak of its band-limited correlation in which
every frequency has the weight that its coherence deserves (the maximum-likelihood weight of C. Knapp, G. Carter, IEEE
Trans. ASSP 24 (1976) 320; from memory): what hum, noise or distortion rules has none. A line through the blocks' delays
gives delay and clock, the recording is brought to the clock of the reference by it, and the same is done again until
nothing moves.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft, ndimage, stats
from scipy import signal as dsp

from fetsim.errors import InputError
from fetsim.measurements.traces.checks import Samples, positive, samples_of_channels
from fetsim.measurements.traces.clipping import silent
from fetsim.measurements.traces.first_guess import SHORTEST_PIECE, first_guess
from fetsim.measurements.traces.instants import on_clock

LEAST_SAMPLES = 256  # of each and of the overlap
FARTHEST_S = 30.0  # delay looked for, unless told
BLOCKS, LONGEST_BLOCK, SHORTEST_BLOCK = 24, 1 << 15, SHORTEST_PIECE  # least number of blocks, samples of each
GAIN_S = 0.005  # over which the gain is followed
UNSTEADY_DB, UNSTEADY_S = 0.3, 0.01  # by which it may move, and in what time
QUIETEST_DB = -60.0  # re the loudest block: quieter ones have no say
ROUNDS = 8
FARTHEST_OFF = 8  # samples by which a block may still be off at first; of a tone other cycles lie beyond
LEFT = 1e-3  # samples that a moving gain leaves in all blocks (``benchmarks/alignment.py``: 0.0010 in the median)
CLOSE = 1e-3  # samples by which the recording's ends may still move
QUIETEST_BAND = 1e-8  # of the strongest frequency's power; what lies below it is not trusted
LEAST_COHERENCE = 0.5  # of a frequency that has a say; of noise alone it reads 0.1, the mean of few independent values
LEAST_NOISE = 1e-3  # of a frequency's power, so that a few that are nearly pure do not rule
HIGHEST_SHARE = 0.4  # of the rate: above it rate conversion has a say
OUTLIER = 4.0  # robust standard deviations of a block's delay from the line
WEIGHTY = 0.1  # of the largest weight, from which a block has a say in where the line lies at first
NORMAL_MEDIAN = 0.6745  # standard deviations within which half of a normal law lies

Spectra = NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True)
class InStep:
    """Reference and recording in step [shape=(n, channels) each], cut to what both cover.

    The recording is on the clock of the reference and has its polarity; its gain is left as it is.
    """

    reference: Samples
    recording: Samples
    rate_hz: float
    start_s: float
    """Instant of their first sample on the clock of the reference."""
    delay_s: float
    """Of the recording after the reference, at the reference's first sample."""
    delay_error_s: float
    """One standard error, out of how the blocks scatter, and what a moving gain leaves."""
    clock_ppm: float
    """By which the recording is longer than the reference: positive where the recorder's clock is the faster one."""
    clock_error_ppm: float
    polarity: tuple[int, ...]
    """By channel; -1 where it was upside down, and is turned round."""
    gain_db: tuple[float, ...]
    """By channel: least-squares gain from reference to recording."""
    likeness: tuple[float, ...]
    """By channel: normalised correlation, 0..1; what compresses, distorts or filters makes it less than 1."""
    warnings: tuple[str, ...]


def in_step(
    recording: ArrayLike,
    *,
    reference: ArrayLike,
    rate_hz: float,
    max_lag_s: float | None = None,
    near: InStep | None = None,
) -> InStep:
    """Bring ``recording`` [shape=(m, channels)] in step with ``reference`` [shape=(n, channels)], or [shape=(n,)] each.

    All channels have one delay and one clock. ``max_lag_s``: largest delay looked for, either way.
    ``near``: of the same recording to a sound much like this one; the delay is not looked for far from there.

    Raises InputError for channels that are silent, too short or as many as the other has not, and for material that
    does not resemble. A delay that is ambiguous, as that of a tone, is told in ``warnings``.

    >>> import fetsim
    >>> import numpy as np
    >>> played = np.random.default_rng(1).standard_normal(96000)
    >>> found = fetsim.in_step(-0.5 * played[100:], reference=played, rate_hz=48000.0)
    >>> round(found.delay_s * 48000.0, 3), found.polarity, round(found.gain_db[0], 2)
    (-100.0, (-1,), -6.02)
    """
    positive(rate_hz, "rate_hz")
    played, heard = _checked(reference, "reference"), _checked(recording, "recording")
    if played.shape[1] != heard.shape[1]:
        raise InputError(
            f"recording: has {heard.shape[1]} channels, the reference has {played.shape[1]}; choose the channels"
        )
    farthest = round(positive(FARTHEST_S if max_lag_s is None else max_lag_s, "max_lag_s") * rate_hz)
    farthest = max(1, min(farthest, max(len(played), len(heard)) - LEAST_SAMPLES))
    loudest = int(np.argmax(np.std(heard, axis=0)))
    if near is None:
        delay, clock, rivals = first_guess(heard[:, loudest], played[:, loudest], farthest)
    else:
        delay, clock, rivals = near.delay_s * rate_hz, 1e-6 * near.clock_ppm, 0
    errors = (np.inf, np.inf)
    for _ in range(ROUNDS):
        taken = _Overlap.of(played, heard, delay, clock)
        later, faster, errors = _remaining(taken, rate_hz)
        delay, clock = delay + later - faster * taken.start, clock + faster
        if abs(later) + abs(faster) * len(taken.reference) < CLOSE:
            break
    taken = _Overlap.of(played, heard, delay, clock)
    fits = [_fit(x, y) for x, y in zip(taken.reference.T, taken.recording.T, strict=True)]
    signs = np.array([1 if gain >= 0.0 else -1 for gain, _ in fits])
    return InStep(
        reference=taken.reference,
        recording=taken.recording * signs,
        rate_hz=rate_hz,
        start_s=taken.start / rate_hz,
        delay_s=float(delay) / rate_hz,
        delay_error_s=float(np.hypot(errors[0], LEFT)) / rate_hz,
        clock_ppm=1e6 * float(clock),
        clock_error_ppm=1e6 * errors[1],
        polarity=tuple(int(sign) for sign in signs),
        gain_db=tuple(float(20.0 * np.log10(max(abs(gain), 1e-15))) for gain, _ in fits),
        likeness=tuple(float(abs(likeness)) for _, likeness in fits),
        warnings=_warnings(rivals, farthest / rate_hz, abs(delay) >= farthest),
    )


@dataclass(frozen=True)
class _Overlap:
    """Both as far as both reach, the recording read at the instants of the reference."""

    reference: Samples
    recording: Samples
    start: int

    @classmethod
    def of(cls, played: Samples, heard: Samples, delay: float, clock: float) -> "_Overlap":
        start = max(0, int(np.ceil(-delay / (1.0 + clock))))
        first = delay + start * (1.0 + clock)
        stop = min(len(played), start + int((len(heard) - first) / (1.0 + clock)))
        if stop - start < LEAST_SAMPLES:
            raise InputError(
                f"reference and recording: overlap by only {max(0, stop - start)} samples; record for longer"
            )
        read = [on_clock(one, delay_samples=first, clock=clock)[: stop - start] for one in heard.T]
        shortest = min(len(one) for one in read)
        return cls(
            played[start : start + shortest], np.stack([one[:shortest] for one in read], axis=1), start
        )


def _checked(values: ArrayLike, name: str) -> Samples:
    channels = samples_of_channels(values, name)
    if len(channels) < LEAST_SAMPLES:
        raise InputError(f"{name}: has {len(channels)} samples; at least {LEAST_SAMPLES} are needed")
    for number, one in enumerate(channels.T, start=1):
        if silent(one):
            raise InputError(f"{name}: {f'channel {number} ' if channels.shape[1] > 1 else ''}is silent")
    return channels


def _remaining(taken: _Overlap, rate_hz: float) -> tuple[float, float, tuple[float, float]]:
    """Delay at the first sample and clock that are still there, and one standard error of each."""
    size = int(np.clip(len(taken.reference) // BLOCKS * 2, SHORTEST_BLOCK, LONGEST_BLOCK))
    size = min(size, len(taken.reference))
    pairs = [_like(x, y, rate_hz) for x, y in zip(taken.reference.T, taken.recording.T, strict=True)]
    blocks = list(_blocks(pairs, size))
    strength = np.array([block.strength for block in blocks])
    blocks = [
        one for one, kept in zip(blocks, strength >= 10.0 ** (QUIETEST_DB / 10.0) * strength.max(), strict=True) if kept
    ]
    trust = _trust(blocks, rate_hz)
    power = np.sum([np.abs(_smooth(block.cross)) for block in blocks], axis=0)
    weight = trust / np.maximum(power, 1e-12 * np.max(power))
    at = np.array([block.start + 0.5 * (size - 1) for block in blocks])
    found = [block.delay(weight) for block in blocks]
    delay, sharpness = (np.array(column) for column in zip(*found, strict=True))
    sharpness = np.maximum(sharpness, 0.0)
    return _line(at, delay, sharpness / (sharpness + np.median(sharpness) + 1e-300))


def _line(at: Samples, delay: Samples, weight: Samples) -> tuple[float, float, tuple[float, float]]:
    """Weighted least squares without outliers, which the median of all slopes between two blocks tells at first: value
    at 0, slope, one standard error of each."""
    kept = weight > 0.0
    if np.sum(kept) < 3 or np.ptp(at[kept]) == 0.0:
        return float(np.average(delay, weights=np.maximum(weight, 1e-300))), 0.0, (np.inf, np.inf)
    value, slope, errors = 0.0, 0.0, (np.inf, np.inf)
    if np.sum(kept) >= 4:
        told = weight >= WEIGHTY * np.max(weight)
        slope, level, *_ = stats.theilslopes(delay[told], at[told]) if np.ptp(at[told]) else (0.0, np.median(delay))
        off = np.abs(delay - level - slope * at)
        near = off <= OUTLIER * np.median(off[told]) / NORMAL_MEDIAN + CLOSE
        kept = kept & near if np.sum(kept & near) >= 4 else kept
    for _ in range(5):
        w, t, y = weight[kept], at[kept], delay[kept]
        middle = np.average(t, weights=w)
        spread = np.sum(w * (t - middle) ** 2)
        slope = float(np.sum(w * (t - middle) * y) / spread) if np.sum(kept) >= 4 else 0.0
        level = float(np.average(y, weights=w))
        off = delay - level - slope * (at - middle)
        unit = float(np.sum(w * off[kept] ** 2)) / max(int(np.sum(kept)) - 2, 1)
        errors = (float(np.sqrt(unit * (1.0 / np.sum(w) + middle**2 / spread))), float(np.sqrt(unit / spread)))
        value = level - slope * middle
        limit = OUTLIER * float(np.median(np.abs(off[kept]))) / NORMAL_MEDIAN + CLOSE
        wanted = (weight > 0.0) & (np.abs(off) <= limit)
        if np.array_equal(wanted, kept) or np.sum(wanted) < 4:
            break
        kept = wanted
    return value, slope, errors


def _like(reference: Samples, recording: Samples, rate_hz: float) -> tuple[Samples, Samples]:
    """The reference with the gain that it has in the recording, and the recording, faded out where that gain moves."""
    width, apart = (max(3, round(length_s * rate_hz) | 1) for length_s in (GAIN_S, UNSTEADY_S))

    def smooth(values: Samples, width: int) -> Samples:
        once = ndimage.uniform_filter1d(values, width, mode="nearest")
        return np.asarray(ndimage.uniform_filter1d(once, width, mode="nearest"))

    both, own = smooth(recording * reference, width), smooth(reference * reference, width)
    overall = float(recording @ reference) / float(reference @ reference)
    doubt = 1e-4 * np.mean(own)
    gain = (both + doubt * overall) / (own + doubt)
    gain_db = 20.0 * np.log10(np.abs(gain) + 1e-3 * abs(overall))
    moved = np.abs(gain_db - np.concatenate([np.full(apart, gain_db[0]), gain_db])[: len(gain_db)])
    moved = ndimage.maximum_filter1d(moved, 3 * apart, origin=-(apart // 2))
    steady = smooth(1.0 / (1.0 + (moved / UNSTEADY_DB) ** 4), apart) + 1e-3
    return steady * gain * reference, steady * recording


@dataclass(frozen=True)
class _Block:
    """Spectra of a block of all channels [shape=(channels, frequencies)]."""

    start: int
    reference: Spectra
    recording: Spectra
    size: int

    @property
    def strength(self) -> float:
        return float(np.sum(np.abs(self.reference) ** 2))

    @property
    def cross(self) -> Spectra:
        return np.asarray(np.sum(self.recording * np.conj(self.reference), axis=0))

    def delay(self, weight: Samples) -> tuple[float, float]:
        """Peak of the weighted correlation in samples, and its bend there, which is its sharpness."""
        cross = weight * self.cross
        correlation = fft.irfft(cross, self.size)
        near = np.arange(-FARTHEST_OFF, FARTHEST_OFF + 1)
        return _peak(cross, self.size, int(near[np.argmax(correlation[near])]))


def _blocks(pairs: list[tuple[Samples, Samples]], size: int) -> Iterator[_Block]:
    window = dsp.windows.hann(size, sym=False)
    length = len(pairs[0][0])
    count = max(1, -(-(length - size) // (size // 2)) + 1)
    padded = fft.next_fast_len(2 * size, real=True)
    for start in np.unique(np.linspace(0, length - size, count).astype(int)):
        part = slice(start, start + size)
        reference = np.stack([fft.rfft(window * x[part], padded) for x, _ in pairs])
        recording = np.stack([fft.rfft(window * y[part], padded) for _, y in pairs])
        yield _Block(int(start), reference, recording, padded)


def _trust(blocks: list[_Block], rate_hz: float) -> Samples:
    """Inverse variance of the phase at each frequency, out of its coherence over the blocks."""
    cross = sum(np.abs(_smooth(block.cross)) for block in blocks)
    own = sum(_smooth(np.sum(np.abs(block.reference) ** 2, axis=0)) for block in blocks)
    its = sum(_smooth(np.sum(np.abs(block.recording) ** 2, axis=0)) for block in blocks)
    own = own + QUIETEST_BAND * np.max(own)
    coherence = np.clip(cross**2 / np.maximum(own * its, 1e-300), 1e-12, 1.0)
    trust = 1.0 / ((1.0 - coherence) / coherence + LEAST_NOISE)
    low = np.linspace(0.0, 0.5 * rate_hz, len(trust)) <= HIGHEST_SHARE * rate_hz
    return np.asarray(np.where(low & (coherence >= LEAST_COHERENCE), trust, 0.0))


def _smooth(values: NDArray[np.inexact]) -> NDArray[np.inexact]:
    return np.asarray(ndimage.uniform_filter1d(values, 33, mode="nearest"))


def _peak(cross: Spectra, size: int, lag: int) -> tuple[float, float]:
    """Maximum of the band-limited correlation within a sample of ``lag``, and its bend there."""
    omega = 2.0 * np.pi * np.arange(cross.size) / size
    at_lag, fraction, bend = cross * np.exp(1j * omega * lag), 0.0, 0.0
    for _ in range(20):
        turned = at_lag * np.exp(1j * omega * fraction)
        slope, bend = -np.sum(omega * turned.imag), -np.sum(omega**2 * turned.real)
        step = -slope / bend if bend != 0.0 else 0.0
        fraction = float(np.clip(fraction + step, -1.0, 1.0))
        if abs(step) < 1e-9:
            break
    return lag + fraction, -float(bend)


def _fit(reference: Samples, recording: Samples) -> tuple[float, float]:
    """Least-squares gain and normalised correlation, constants removed."""
    x, y = reference - np.mean(reference), recording - np.mean(recording)
    both, own, its = float(x @ y), float(x @ x), float(y @ y)
    return (both / own, both / np.sqrt(own * its)) if own > 0.0 and its > 0.0 else (0.0, 0.0)


def _warnings(rivals: int, farthest_s: float, at_limit: bool) -> tuple[str, ...]:
    told = []
    if rivals:
        told.append(f"the delay is ambiguous: {rivals} others fit nearly as well; give the largest there is")
    if at_limit:
        told.append(f"the delay lies at the limit of the search ({farthest_s:g} s)")
    return tuple(told)
