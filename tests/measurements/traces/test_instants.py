"""Signals read between their samples, against closed forms."""

import numpy as np
import pytest

from fetsim.measurements.traces.instants import shifted


@pytest.mark.parametrize("delay", [0.0, 3.0, -5.0, 0.5, -2.37])
def test_shifted_is_exact_to_its_stated_error(delay):
    """Sines up to 0.45 of the rate (closed form), away from the ends."""
    time = np.arange(2000)
    for frequency in (0.01, 0.2, 0.45):
        moved = shifted(np.sin(2 * np.pi * frequency * time), delay_samples=delay)
        wanted = np.sin(2 * np.pi * frequency * (time - delay))
        np.testing.assert_allclose(moved[100:-100], wanted[100:-100], atol=2e-6)


def test_shift_beyond_the_length_leaves_nothing():
    assert np.all(shifted(np.ones(10), delay_samples=30) == 0.0)
    assert np.all(shifted(np.ones(10), delay_samples=-30) == 0.0)
