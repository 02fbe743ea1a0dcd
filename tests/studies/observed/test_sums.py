"""The lapped transform keeps all sums of products, and puts them where they belong."""

import numpy as np
import pytest

from fetsim.studies.observed.lapped import lapped
from fetsim.studies.observed.sums import Whole, sums_of

RATE_HZ = 48000.0


def test_products_are_kept():
    rng = np.random.default_rng(1)
    signals = rng.standard_normal((2, 4096))
    padded = np.pad(signals, ((0, 0), (256, 256)))
    numbers = lapped(padded, 256).reshape(2, -1)
    assert numbers @ numbers.T == pytest.approx(signals @ signals.T, rel=1e-12)


def test_a_tone_burst_is_in_its_cells():
    n = 96000
    t = np.arange(n) / RATE_HZ
    tone = np.where((t >= 1.0) & (t < 1.5), np.sin(2.0 * np.pi * 1000.0 * t), 0.0)
    found = sums_of([Whole(tone)], n, RATE_HZ)
    energy = found.gram[:, 0, 0]
    (band,) = np.flatnonzero((found.edges_hz[:-1] < 1000.0) & (found.edges_hz[1:] > 1000.0))
    at = (found.slices + 0.5) * found.slice_s
    there = (found.bands == band) & (at > 0.85) & (at < 1.65)
    assert np.sum(energy) == pytest.approx(0.5 * 24000, rel=1e-3)  # half a second of a sine of 1
    assert np.sum(energy[there]) > 0.99 * np.sum(energy)


def test_white_noise_is_alike_everywhere():
    rng = np.random.default_rng(2)
    found = sums_of([Whole(rng.standard_normal(480000))], 480000, RATE_HZ)
    whole = found.slices < found.slices.max()  # the last one is cut off by the end
    each = (found.gram[:, 0, 0] / found.counts)[whole]
    scatter = (each - 1.0) / np.sqrt(2.0 / found.counts[whole])
    assert np.std(scatter) == pytest.approx(1.0, abs=0.1)  # 800 cells: 2.5 %
    assert abs(np.mean(scatter)) < 0.15
