"""Noise and hum out of the quiet of a recording, against what was put in."""

import numpy as np
import pytest

from fetsim.measurements.traces.quiet import quiet_floor

RATE_HZ = 48_000.0


def take(hum_hz=60.02):
    """Noise of 1e-4 rms with hum on it, and a sound from 1 to 3 s that was played 0.2 s earlier."""
    chance = np.random.default_rng(4)
    played = np.zeros(round(4.0 * RATE_HZ))
    played[round(0.8 * RATE_HZ) : round(2.8 * RATE_HZ)] = chance.standard_normal(round(2.0 * RATE_HZ))
    heard = 1e-4 * chance.standard_normal(round(6.0 * RATE_HZ)) + 3e-3
    heard[round(1.0 * RATE_HZ) : round(3.0 * RATE_HZ)] += played[round(0.8 * RATE_HZ) : round(2.8 * RATE_HZ)]
    at = np.arange(heard.size) / RATE_HZ
    heard += 2e-4 * np.sin(2.0 * np.pi * hum_hz * at) + 5e-5 * np.sin(6.0 * np.pi * hum_hz * at + 1.0)
    return played, heard


def test_noise_hum_and_mains_frequency_are_those_that_were_put_in():
    """Noise: 2.5 s hold 120,000 independent samples, so its rms is within 0.2 % (one standard deviation)."""
    played, heard = take()
    found = quiet_floor(heard, played=played, rate_hz=RATE_HZ, delay_s=0.2)
    assert found.read_from == "quiet"
    assert found.noise_rms == pytest.approx(1e-4, rel=0.01)
    assert found.constant == pytest.approx(3e-3, rel=1e-3)
    assert found.mains_hz == pytest.approx(60.02, abs=0.005)
    assert found.hum_amplitude == pytest.approx([2e-4, 5e-5], rel=0.02)
    assert np.sum(found.noise_density) * found.frequency_hz[1] == pytest.approx(1e-8, rel=0.05)


def test_without_a_pause_the_quietest_moment_bounds_the_noise():
    played, heard = take()
    middle = slice(round(1.1 * RATE_HZ), round(2.9 * RATE_HZ))
    found = quiet_floor(heard[middle], played=played[middle], rate_hz=RATE_HZ)
    assert found.read_from == "bound"
    assert found.noise_rms > 0.5


def test_noise_alone_has_no_hum():
    found = quiet_floor(1e-4 * np.random.default_rng(1).standard_normal(96_000), played=np.zeros(9), rate_hz=RATE_HZ)
    assert found.mains_hz is None
    assert found.hum_amplitude.size == 0
