"""Samples above digital full scale: counted, told about, and never clipped.

A float file keeps them. An integer file cannot, so it becomes a float file where its format allows that and
nobody asked for integers; otherwise all of it is lowered by the least multiple of 0.1 dB that fits.
"""

from dataclasses import dataclass
from math import ceil

import numpy as np

from fetsim.audio.files import Array, Container
from fetsim.audio.levels import decibels

TRIM_STEP_DB = 0.1


@dataclass(frozen=True)
class Peak:
    """The largest sample, and how many are above full scale."""

    overs: int
    peak_dbfs: float
    """FLOOR_DB for silence."""
    at_s: float
    channel: int
    """Counted from 1."""


@dataclass(frozen=True)
class Fit:
    """How the output goes into its file."""

    bits: str
    gain_db: float
    """0, or less where integers needed it."""


class PeakFinder:
    """Watches blocks go by."""

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._frames, self._overs = 0, 0
        self._largest, self._frame, self._channel = 0.0, 0, 0

    def push(self, block: Array) -> None:
        """Look at a block [shape=(n, channels), 1.0 = full scale]."""
        if not block.size:
            return
        size = np.abs(block)
        largest = float(size.max())
        if largest > 1.0:
            self._overs += int(np.count_nonzero(size > 1.0))
        if largest > self._largest:
            frame, self._channel = (int(k) for k in np.unravel_index(size.argmax(), size.shape))
            self._largest, self._frame = largest, self._frames + frame
        self._frames += len(block)

    def result(self) -> Peak:
        """What was seen so far."""
        return Peak(self._overs, float(decibels(self._largest)), self._frame / self._rate_hz, self._channel + 1)


def fit(peak: Peak, container: Container, wanted: str, *, insisted: bool) -> Fit:
    """Bits and gain for an output whose bits are ``wanted``, or ``insisted`` on."""
    if wanted == "float" or not peak.overs:
        return Fit(wanted, 0.0)
    if "float" in container.bits and not insisted:
        return Fit("float", 0.0)
    return Fit(wanted, -TRIM_STEP_DB * ceil(peak.peak_dbfs / TRIM_STEP_DB))
