"""Rate conversion at the border of the circuit, block by block, lined up to the sample.

soxr at its highest setting: linear phase, images and aliases from the lower Nyquist frequency up at -140 dB or less.
A round trip by a factor of twos and threes leaves -180 dB of error up to 20 kHz; by 5, where soxr interpolates its
filter, -162 dB at 10 kHz, -105 dB at 15 kHz and -76 dB (0.0014 dB) at 20 kHz. It compensates its own delay: output
sample k belongs to input sample k.
"""

import numpy as np
import soxr
from numpy.typing import NDArray

Array = NDArray[np.float64]


class RateChange:
    """A stream of one channel from one rate to another; blocks come out when the filter has filled."""

    def __init__(self, from_hz: float, to_hz: float, channels: int = 1) -> None:
        self._same = from_hz == to_hz
        self._stream = soxr.ResampleStream(from_hz, to_hz, channels, dtype="float64", quality="VHQ")

    def push(self, block: Array, last: bool = False) -> Array:
        """Convert a block [shape=(n,) or (n, channels)]; ``last`` also brings out what the filter still holds."""
        if self._same:
            return block
        return np.asarray(self._stream.resample_chunk(np.ascontiguousarray(block), last=last))


EDGE_FRAMES = 192
"""Of the lower rate, that the ends of a ``stretch`` are apart from those of the whole sound: its filter reaches some
140 of them to both sides, and what is left behind them is under -180 dB."""


def stretch(samples: Array, from_hz: float, to_hz: float) -> Array:
    """A stretch of a sound at another rate [shape=(n, channels)], without ``EDGE_FRAMES`` at both its ends: the same
    whatever was converted before, so that sound can be made anew from any place on."""
    edge = round(EDGE_FRAMES * max(to_hz / from_hz, 1.0))
    converted = samples if from_hz == to_hz else soxr.resample(samples, from_hz, to_hz, quality="VHQ")
    return np.asarray(converted[edge:-edge])
