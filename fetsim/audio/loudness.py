"""How loud a programme is: loudness blocks, rms, largest sample, true peak, and whether it is a tone.

Loudness is ITU-R BS.1770 by pyloudnorm with the filters whose coefficients are those printed in the standard (its
default high-pass reads 0.041 LU low). The meter takes whole arrays; here it gets 30 s at a time, each with a second
of what came before for its filters to settle (1e-100 is left of any earlier sound), and the gate is applied to the
blocks of all of them. True peak after Annex 2 of BS.1770 (from memory): the largest of the samples four times
oversampled; a tone at 0.45 of the sample rate can still read 0.55 dB low.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from pyloudnorm import Meter
from scipy.signal import welch

from fetsim.audio.levels import FLOOR_DB
from fetsim.audio.oversampling import RateChange
from fetsim.engine.assembly import Array

BLOCK_S, HOP_S = 0.4, 0.1
STRETCH_S, PREROLL_S = 30, 1
MOST_CHANNELS = 5  # that BS.1770 gives weights to: L, R, C, Ls, Rs
ABSOLUTE_GATE_LUFS, RELATIVE_GATE_LU = -70.0, -10.0
OVERSAMPLING = 4
BLOCK_FRAMES = 1 << 16
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
    frames, channels = samples.shape
    count = int((frames / rate_hz - BLOCK_S) / HOP_S + 1e-6) + 1 if frames >= BLOCK_S * rate_hz else 0
    if channels > MOST_CHANNELS or not count:
        return np.empty(0)
    meter = Meter(rate_hz, filter_class="DeMan", block_size=BLOCK_S, overlap=1.0 - HOP_S / BLOCK_S)
    found: list[float] = []
    for first in range(0, count, round(STRETCH_S / HOP_S)):
        last = min(first + round(STRETCH_S / HOP_S), count)
        lead = min(first, round(PREROLL_S / HOP_S))
        start, end = (round(at_s * rate_hz) for at_s in ((first - lead) * HOP_S, (last - 1) * HOP_S + BLOCK_S))
        with np.errstate(divide="ignore", invalid="ignore"):  # silence is minus infinity
            meter.integrated_loudness(np.asarray(samples[start:end], dtype=np.float64))
        found.extend(meter.blockwise_loudness[lead : lead + last - first])
    return np.array(found)


def is_tonal(samples: Array, rate_hz: int) -> bool:
    """Whether nearly all of the power of ``samples`` [shape=(frames, channels)] lies in a few narrow lines."""
    width = min(round(rate_hz / TONAL_BIN_HZ), len(samples))
    power = np.zeros(width // 2 + 1)
    for stretch, _ in blocks(samples, max(STRETCH_S * rate_hz, width)):
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
