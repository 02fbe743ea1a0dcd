"""Tones at exact frequencies and frequency estimation, on sums of cosines (exact answers)."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fetsim.errors import InputError
from fetsim.measurements.traces.spectrum import tone_frequency, tones

RATE_HZ = 48e3


@settings(max_examples=20, deadline=None)
@given(
    frequency_hz=st.floats(200.0, 4000.0),
    phase=st.floats(-3.0, 3.0),
    size=st.integers(2000, 9000),
    constant=st.floats(-2.0, 2.0),
)
def test_amplitudes_do_not_depend_on_whole_periods(frequency_hz, phase, size, constant):
    time = np.arange(size) / RATE_HZ
    first, second = 2 * np.pi * frequency_hz * time, 2 * np.pi * 2.5 * frequency_hz * time
    signal = constant + np.cos(first + phase) + 1e-6 * np.cos(second - phase)
    found = tones(signal, rate_hz=RATE_HZ, frequencies_hz=[frequency_hz, 2.5 * frequency_hz])
    np.testing.assert_allclose(found.amplitude, [1.0, 1e-6], rtol=1e-7)
    np.testing.assert_allclose(found.phase_rad, [phase, -phase], atol=1e-7)
    assert found.constant == pytest.approx(constant, abs=1e-10)
    assert found.residual_rms < 1e-11


def test_stated_error_covers_noise(rng):
    """200 noisy records: a quadrature of an absent tone scatters by the stated standard error."""
    readings, errors = [], []
    for _ in range(200):
        found = tones(0.1 * rng.standard_normal(1000), rate_hz=RATE_HZ, frequencies_hz=[5000.0])
        readings.append(found.amplitude[0] * np.cos(found.phase_rad[0]))
        errors.append(found.amplitude_error)
    assert np.std(readings) == pytest.approx(np.mean(errors), rel=0.15)  # 200 draws: 5 % standard error


def test_residual_is_the_rms_of_the_rest(rng):
    time = np.arange(48_000) / RATE_HZ
    signal = np.cos(2 * np.pi * 1000 * time) + 0.01 * rng.standard_normal(time.size)
    found = tones(signal, rate_hz=RATE_HZ, frequencies_hz=[1000.0])
    assert found.residual_rms == pytest.approx(0.01, rel=0.02)


@settings(max_examples=12, deadline=None)
@given(frequency_hz=st.floats(50.0, 20e3), phase=st.floats(0.0, 6.28))
def test_frequency_of_a_distorted_tone(frequency_hz, phase):
    angle = 2 * np.pi * frequency_hz * np.arange(9600) / RATE_HZ + phase
    signal = 0.3 + np.cos(angle)
    if 2 * frequency_hz < RATE_HZ / 2:
        signal += 0.1 * np.cos(2 * angle + 0.4)
    assert tone_frequency(signal, rate_hz=RATE_HZ) == pytest.approx(frequency_hz, rel=1e-7)


def test_frequency_in_noise(rng):
    """Noise 40 dB down, 1 s: scatter of the order of r / A / T / sqrt(n)."""
    time = np.arange(48_000) / RATE_HZ
    signal = np.cos(2 * np.pi * 997.37 * time) + 0.01 * rng.standard_normal(time.size)
    assert tone_frequency(signal, rate_hz=RATE_HZ, near_hz=1000.0) == pytest.approx(
        997.37, abs=5 * 0.01 / 219
    )


def test_weaker_tone_is_found_where_it_is_looked_for():
    time = np.arange(48_000) / RATE_HZ
    signal = np.cos(2 * np.pi * 997 * time) + 0.01 * np.cos(2 * np.pi * 5003.3 * time)
    assert tone_frequency(signal, rate_hz=RATE_HZ, near_hz=5000.0) == pytest.approx(5003.3, abs=0.01)


@pytest.mark.parametrize(
    ("frequencies", "size", "words"),
    [
        ([], 1000, "at least one"),
        ([24_000.0], 1000, "half the rate"),
        ([-5.0], 1000, "above 0"),
        ([20.0], 1000, "periods of 20 Hz"),
        ([1000.0, 1003.0], 1000, "tell the tones apart"),
    ],
)
def test_unusable_input_of_tones(frequencies, size, words):
    with pytest.raises(InputError, match=words):
        tones(np.ones(size), rate_hz=RATE_HZ, frequencies_hz=frequencies)


def test_no_tone_no_frequency(rng):
    with pytest.raises(InputError, match="no steady tone"):
        tone_frequency(rng.standard_normal(20_000), rate_hz=RATE_HZ)
    with pytest.raises(InputError, match="no steady tone"):
        tone_frequency(np.zeros(20_000), rate_hz=RATE_HZ)
    with pytest.raises(InputError, match="too short"):
        tone_frequency(np.ones(100), rate_hz=RATE_HZ, near_hz=20.0)
