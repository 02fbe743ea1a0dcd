"""Sines that a converter clipped, and coarse ones that it did not."""

import numpy as np
import pytest

from fetsim.measurements.traces.clipping import clipped_samples

RATE_HZ = 48e3


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("frequency_hz", [20.0, 50.0, 100.0, 997.0])
@pytest.mark.parametrize("scale", [1.0, 12.2765])  # full scale as such, and in volts
def test_clipping_is_told_from_a_coarse_crest(bits, frequency_hz, scale):
    steps = 2 ** (bits - 1)
    sine = np.sin(2 * np.pi * frequency_hz * np.arange(48_000) / RATE_HZ + 0.1)
    clean, driven = np.round(0.9 * sine * steps), np.clip(np.round(1.12 * sine * steps), -steps, steps - 1)
    assert clipped_samples(clean / steps * scale) == 0
    assert clipped_samples(driven / steps * scale) > 0.2 * 48_000
