"""What no recording should have: flat tops, and nothing at all."""

import numpy as np
from numpy.typing import ArrayLike

from fetsim.measurements.traces.checks import Samples, samples

SILENCE_PEAK = 1e-6  # in the signal's unit, about its mean: -120 dB re full scale
CLIPPED_RUN = 3  # equal samples in a row at the extreme value
CLIPPED_DROP = 4  # quantising steps by which the run's neighbour must be lower
FINEST_QUANTUM = 2.0**-25  # re the peak: steps finer than of a 24 bit converter count as none


def clipped_samples(signal: ArrayLike) -> int:
    """Number of samples that sit on a flat top: runs of equal samples at the largest or the smallest value.

    A flat crest of a slow, coarsely quantised sine is not counted: beside it the signal falls by one or two
    quantising steps, beside a clipped crest by more.
    """
    values = samples(signal, "signal")
    quantum = quantum_of(values)
    return sum(_flat_top(side, quantum) for side in (values, -values))


def quantum_of(values: Samples) -> float:
    """Largest step of which all values are whole multiples (Euclid's algorithm); 0 if there is none."""
    least = FINEST_QUANTUM * float(np.max(np.abs(values)))
    rest = np.diff(np.unique(values))
    rest = rest[rest > least / 16.0]
    while rest.size:
        quantum = float(np.min(rest))
        if quantum < least:
            return 0.0
        rest = np.abs(rest - quantum * np.round(rest / quantum))
        rest = rest[rest > least / 16.0]
        if not rest.size:
            return quantum
    return 0.0


def _flat_top(values: Samples, quantum: float) -> int:
    top = np.max(values)
    edges = np.diff(np.concatenate([[False], values == top, [False]]).astype(np.int8))
    starts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    padded = np.concatenate([[top], values, [top]])
    drop = top - np.minimum(padded[starts], padded[stops + 1])
    return int(np.sum((stops - starts)[(stops - starts >= CLIPPED_RUN) & (drop >= CLIPPED_DROP * quantum)]))


def silent(signal: Samples) -> bool:
    """Whether nothing of `signal` [shape=(n,)] is above `SILENCE_PEAK` beside a constant."""
    return bool(np.max(np.abs(signal - np.mean(signal))) < SILENCE_PEAK)
