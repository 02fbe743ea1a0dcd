"""How loud a programme is: loudness blocks, rms, largest sample, true peak, and whether it is a tone.

Loudness is ITU-R BS.1770 by pyloudnorm with the filters whose coefficients are those printed in the standard (its
default high-pass reads 0.041 LU low). The meter takes whole arrays; here it gets 5 s at a time, each with a second
of what came before for its filters to settle (1e-100 is left of any earlier sound), and the gate is applied to the
blocks of all of them. True peak after Annex 2 of BS.1770 (from memory): the largest of the samples four times
oversampled; a tone at 0.45 of the sample rate can still read 0.55 dB low.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from fetsim.audio.levels import FLOOR_DB
from fetsim.audio.oversampling import RateChange
from fetsim.engine.assembly import Array

BLOCK_S, HOP_S = 0.4, 0.1
STRETCH_S, PREROLL_S = 5, 1
MOST_CHANNELS = 5  # that BS.1770 gives weights to: L, R, C, Ls, Rs
ABSOLUTE_GATE_LUFS, RELATIVE_GATE_LU = -70.0, -10.0
OVERSAMPLING = 4
STRETCH_BLOCKS = round(STRETCH_S / HOP_S)
BLOCK_FRAMES = 1 << 16
SPECTRUM_S = 30  # of sound at a time
TONAL_BIN_HZ = 5.0  # resolution of the spectrum that is looked at,
TONAL_BINS = 12  # and how many of its bins
TONAL_SHARE = 0.99  # hold this share of the power of a tone or a few


@dataclass(frozen=True)
class ProgrammeLevels:
    """Levels of a programme of any length; 1.0 = full scale."""

    block_lufs: Array
    """Loudness of every whole gating block of 400 ms, every 100 ms; empty where there is none."""
    mean_square: float
    """Over all channels."""
    peak: float
    true_peak: float

    @property
    def rms_dbfs(self) -> float:
        """A full-scale sine is 0 dBFS (AES17)."""
        return max(10.0 * float(np.log10(2.0 * self.mean_square)), FLOOR_DB) if self.mean_square > 0.0 else FLOOR_DB

    def loudness_lufs(self, gain_db: float = 0.0) -> float | None:
        """Integrated loudness after a gain; None where no block passes the gate."""
        return integrated_lufs(self.block_lufs + gain_db)


def integrated_lufs(block_lufs: Array) -> float | None:
    """Gated mean of block loudnesses [shape=(n,)]: those above -70 LUFS, then those no more than 10 LU under their
    mean."""
    loud = block_lufs[block_lufs >= ABSOLUTE_GATE_LUFS]
    if not loud.size:
        return None
    return _mean_lufs(loud[loud > _mean_lufs(loud) + RELATIVE_GATE_LU])


def measure_levels(samples: Array, rate_hz: int) -> ProgrammeLevels:
    """Look at ``samples`` [shape=(frames, channels)], which may lie on disk, block by block."""
    upward = RateChange(rate_hz, OVERSAMPLING * rate_hz, samples.shape[1])
    square = peak = between = 0.0
    for block, last in blocks(samples):
        square += float(np.sum(block * block))
        peak = max(peak, float(np.max(np.abs(block))))
        between = max(between, float(np.max(np.abs(upward.push(block, last)), initial=0.0)))
    return ProgrammeLevels(loudness_blocks(samples, rate_hz), square / samples.size, peak, max(peak, between))


def loudness_blocks(samples: Array, rate_hz: int) -> Array:
    """Loudness of every whole block of ``samples`` [shape=(frames, channels)]; empty with over five channels."""
    meter = LoudnessMeter(rate_hz, samples.shape[1])
    for block, _ in blocks(samples):
        meter.push(block)
    return meter.finish()


class LoudnessMeter:
    """Loudness of every whole gating block of a programme that comes piece by piece."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz, self._measured = rate_hz, channels <= MOST_CHANNELS
        self._held: list[Array] = []
        self._start = self._end = 0  # frames of the programme between which pieces are held
        self._found: list[float] = []

    @cached_property
    def _meter(self) -> Any:
        from pyloudnorm import Meter  # takes most of a second: not before something is to be measured

        return Meter(self._rate_hz, filter_class="DeMan", block_size=BLOCK_S, overlap=1.0 - HOP_S / BLOCK_S)

    def push(self, block: Array) -> None:
        """The next piece [shape=(n, channels), 1.0 = full scale]."""
        if not self._measured:
            return
        self._held.append(np.array(block, dtype=np.float64))
        self._end += len(block)
        while self._count() - len(self._found) >= STRETCH_BLOCKS:
            self._measure(STRETCH_BLOCKS)

    def finish(self) -> Array:
        """One loudness every 100 ms [shape=(n,)]; empty with over five channels, or less than a block."""
        left = self._count() - len(self._found)
        if left > 0:
            self._measure(left)
        return np.array(self._found)

    def _count(self) -> int:
        """Whole gating blocks so far."""
        length_s = self._end / self._rate_hz
        return int((length_s - BLOCK_S) / HOP_S + 1e-6) + 1 if self._end >= BLOCK_S * self._rate_hz else 0

    def _measure(self, count: int) -> None:
        first = len(self._found)
        lead = min(first, round(PREROLL_S / HOP_S))
        start, end = self._frame(first - lead), round(((first + count - 1) * HOP_S + BLOCK_S) * self._rate_hz)
        held = np.concatenate(self._held)
        with np.errstate(divide="ignore", invalid="ignore"):  # silence is minus infinity
            self._meter.integrated_loudness(held[start - self._start : end - self._start])
        self._found.extend(self._meter.blockwise_loudness[lead : lead + count])
        keep = self._frame(max(first + count - round(PREROLL_S / HOP_S), 0))
        self._held, self._start = [held[keep - self._start :].copy()], keep

    def _frame(self, block: int) -> int:
        return round(block * HOP_S * self._rate_hz)


def is_tonal(samples: Array, rate_hz: int) -> bool:
    """Whether nearly all of the power of ``samples`` [shape=(frames, channels)] lies in a few narrow lines."""
    from scipy.signal import welch  # slow to import

    width = min(round(rate_hz / TONAL_BIN_HZ), len(samples))
    power = np.zeros(width // 2 + 1)
    for stretch, _ in blocks(samples, max(SPECTRUM_S * rate_hz, width)):
        if len(stretch) >= width:  # the last one may not fill a window
            power += len(stretch) * np.sum(welch(stretch, rate_hz, nperseg=width, axis=0)[1], axis=1)
    total = float(np.sum(power))
    return total > 0.0 and float(np.sum(np.sort(power)[-TONAL_BINS:])) >= TONAL_SHARE * total


def blocks(samples: Array, frames: int = BLOCK_FRAMES) -> Iterator[tuple[Array, bool]]:
    """Double-precision blocks [shape=(n, channels)], and whether each is the last."""
    for start in range(0, len(samples), frames):
        yield np.asarray(samples[start : start + frames], dtype=np.float64), start + frames >= len(samples)


def _mean_lufs(block_lufs: Array) -> float:
    return float(10.0 * np.log10(np.mean(10.0 ** (block_lufs / 10.0))))
