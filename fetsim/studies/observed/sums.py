"""Long signals as sums of products over cells of time and frequency; arrays only.

Whatever is asked of a linear model with errors that differ from cell to cell, but are alike and independent within
one, needs no more of its columns than the products of all pairs of them summed over each cell (sufficient statistics).
So ten seconds of music and a hundred slopes come down to a few hundred small matrices, and weights can be changed at
will without looking at the sound again.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from fetsim.engine.assembly import Array
from fetsim.studies.observed.lapped import lapped

FRAME_S = 0.0213
SHORTEST_SLICE_S, MOST_SLICES = 0.25, 40
LOWEST_HZ, HIGHEST_HZ = 20.0, 20e3
HIGHEST_SHARE = 0.45
"""Of the rate: above it converters and rate conversion have their say."""
BANDS_AN_OCTAVE = 2

Integers = NDArray[np.intp]


class Column(Protocol):
    """A signal that is worked out stretch by stretch."""

    def part(self, first: int, last: int) -> Array:
        """Samples ``first`` to ``last`` [shape=(last - first,)], both within it."""


@dataclass(frozen=True, eq=False)
class Whole:
    """A signal in memory."""

    samples: Array

    def part(self, first: int, last: int) -> Array:
        return np.asarray(self.samples[first:last], dtype=np.float64)


@dataclass(frozen=True, kw_only=True, eq=False)
class Sums:
    """Products of columns, summed over cells."""

    gram: Array
    """[shape=(cells, columns, columns)]"""
    counts: Array
    """Numbers in each cell [shape=(cells,)]."""
    slices: Integers
    """Of each cell its place in time,"""
    bands: Integers
    """and its band."""
    slice_s: float
    edges_hz: Array
    """[shape=(bands + 1,)]"""

    def picked(self, columns: Sequence[int]) -> "Sums":
        """With these columns alone, in this order."""
        return Sums(
            gram=self.gram[:, columns][:, :, columns], counts=self.counts, slices=self.slices, bands=self.bands,
            slice_s=self.slice_s, edges_hz=self.edges_hz,
        )  # fmt: skip


def sums_of(columns: Sequence[Column], length: int, rate_hz: float) -> Sums:
    """Of signals of so many samples each."""
    size = 2 * max(8, round(0.5 * FRAME_S * rate_hz))
    frames = -(-length // size) + 1  # with silence before and behind, so that all of it is in two frames
    a_slice = max(1, round(SHORTEST_SLICE_S * rate_hz / size), -(-frames // MOST_SLICES))
    edges = _edges(size, rate_hz)
    found = []
    for first in range(0, frames, a_slice):
        last = min(first + a_slice, frames)
        stretch = np.zeros((len(columns), (last - first + 1) * size))
        begin, end = (first - 1) * size, last * size
        low, high = max(begin, 0), min(end, length)
        for row, column in zip(stretch, columns, strict=True):
            row[low - begin : high - begin] = column.part(low, high)
        numbers = lapped(stretch, size)
        for lower, upper in pairwise(edges):
            cell = numbers[:, :, lower:upper].reshape(len(columns), -1)
            found.append((cell @ cell.T, cell.shape[1]))
    bands, slices = len(edges) - 1, len(found) // (len(edges) - 1)
    return Sums(
        gram=np.array([gram for gram, _ in found]),
        counts=np.array([count for _, count in found], dtype=np.float64),
        slices=np.repeat(np.arange(slices), bands),
        bands=np.tile(np.arange(bands), slices),
        slice_s=a_slice * size / rate_hz,
        edges_hz=np.asarray(edges * rate_hz / (2.0 * size), dtype=np.float64),
    )


def _edges(size: int, rate_hz: float) -> Integers:
    """Of the bands, in numbers of a frame; low bands are as wide as one number at the least."""
    highest = min(HIGHEST_HZ, HIGHEST_SHARE * rate_hz)
    steps = int(BANDS_AN_OCTAVE * np.log2(highest / LOWEST_HZ)) + 1
    hertz = highest * 2.0 ** (-np.arange(steps)[::-1] / BANDS_AN_OCTAVE)
    return np.unique(np.maximum(np.round(hertz * 2.0 * size / rate_hz).astype(np.intp), 1))
