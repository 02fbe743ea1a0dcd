"""Dry/wet pairs with known delay, polarity and gain, and captures that must be refused."""

import numpy as np
import pytest
import soxr
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal as dsp

from fetsim.errors import InputError
from fetsim.measurements.traces.align import align_pair, clipped_samples, shifted

RATE_HZ = 48e3
BOTH = {"wet_rate_hz": RATE_HZ, "dry_rate_hz": RATE_HZ}


def programme(seed, size=24_000):
    """Noise of 80 Hz to 6 kHz whose level changes every 10 ms."""
    rng = np.random.default_rng(seed)
    level = np.repeat(rng.uniform(0.02, 0.3, size // 480 + 1), 480)[:size]
    band = dsp.butter(2, [80, 6000], "band", fs=RATE_HZ, output="sos")
    return dsp.sosfilt(band, level * rng.standard_normal(size))


def fourier_delayed(signal, delay_samples):
    """Independent of `shifted`: delay as a phase ramp on the spectrum of the padded signal."""
    size = 2 * signal.size
    ramp = np.exp(-2j * np.pi * np.fft.rfftfreq(size) * delay_samples)
    return np.fft.irfft(np.fft.rfft(signal, size) * ramp, size)[: signal.size]


@settings(max_examples=12, deadline=None)
@given(
    delay=st.floats(-300.0, 300.0),
    gain_db=st.floats(-40.0, 40.0),
    polarity=st.sampled_from([1, -1]),
    seed=st.integers(0, 100),
)
def test_delay_polarity_and_gain_come_back(delay, gain_db, polarity, seed):
    dry = programme(seed)
    wet = polarity * 10 ** (gain_db / 20) * fourier_delayed(dry, delay)
    pair = align_pair(wet, dry=dry, **BOTH)
    assert pair.delay_s * RATE_HZ == pytest.approx(delay, abs=0.01)
    assert pair.polarity == polarity
    assert pair.gain_db == pytest.approx(gain_db, abs=0.05)  # the ends that moved in and out differ a little
    assert pair.warnings == ()
    inner = slice(400, -400)
    np.testing.assert_allclose(
        pair.wet[inner], 10 ** (gain_db / 20) * pair.dry[inner], atol=3e-3 * 10 ** (gain_db / 20)
    )
    start = round(pair.start_s * RATE_HZ)
    np.testing.assert_array_equal(pair.dry, dry[start : start + pair.dry.size])


def test_noise_and_compression_do_not_move_the_delay(rng):
    dry = programme(1)
    level = np.sqrt(np.maximum(dsp.sosfiltfilt(dsp.butter(1, 20, fs=RATE_HZ, output="sos"), dry**2), 1e-8))
    wet = fourier_delayed(0.1 * dry / (level + 0.01), 7.3) + 0.01 * rng.standard_normal(dry.size)
    pair = align_pair(wet, dry=dry, **BOTH)
    # 20 dB of noise under the signal in 0.5 s of 6 kHz bandwidth
    assert pair.delay_s * RATE_HZ == pytest.approx(7.3, abs=0.02)


def test_captures_of_different_length():
    dry = programme(2)
    wet = np.concatenate([np.zeros(5000), 0.5 * dry, np.zeros(9000)])
    pair = align_pair(wet, dry=dry, **BOTH)
    assert pair.delay_s * RATE_HZ == pytest.approx(5000, abs=1e-6)
    assert pair.gain_db == pytest.approx(-6.0206, abs=1e-3)


def test_stepped_tone_needs_a_lag_limit():
    """0.1 rad of phase at 1 kHz is 0.1 / (2 pi 1000) s of delay; any period more fits nearly as well."""
    time = np.arange(9600) / RATE_HZ
    level = np.where(time < 0.1, 0.1, 1.0)
    dry, wet = level * np.sin(2 * np.pi * 1000 * time), 0.4 * level * np.sin(2 * np.pi * 1000 * time - 0.1)
    assert any("ambiguous" in warning for warning in align_pair(wet, dry=dry, **BOTH).warnings)
    pair = align_pair(wet, dry=dry, max_lag_s=0.4e-3, **BOTH)
    assert pair.warnings == ()
    assert pair.delay_s == pytest.approx(0.1 / (2 * np.pi * 1000), rel=1e-3)


def test_clock_drift_is_reported():
    dry = programme(3, size=240_000)
    wet = np.interp(np.arange(dry.size) * (1 + 5e-6), np.arange(dry.size), dry)  # plays 5 ppm fast
    pair = align_pair(wet, dry=dry, **BOTH)
    assert pair.drift_ppm == pytest.approx(-5.0, abs=0.3)
    assert any("clocks differ" in warning for warning in pair.warnings)


def test_clipping_is_flagged():
    dry = programme(4)
    pair = align_pair(np.clip(dry, -0.3, 0.3), dry=dry, **BOTH)
    assert pair.dry_clipped == 0 and pair.wet_clipped > 10
    assert any("wet is clipped" in warning for warning in pair.warnings)


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("frequency_hz", [20.0, 50.0, 100.0, 997.0])
@pytest.mark.parametrize("scale", [1.0, 12.2765])  # full scale as such, and in volts
def test_clipping_is_told_from_a_coarse_crest(bits, frequency_hz, scale):
    steps = 2 ** (bits - 1)
    sine = np.sin(2 * np.pi * frequency_hz * np.arange(48_000) / RATE_HZ + 0.1)
    clean, driven = np.round(0.9 * sine * steps), np.clip(np.round(1.12 * sine * steps), -steps, steps - 1)
    assert clipped_samples(clean / steps * scale) == 0
    assert clipped_samples(driven / steps * scale) > 0.2 * 48_000


class TestRefusals:
    def test_unrelated(self):
        with pytest.raises(InputError, match="does not resemble"):
            align_pair(programme(5), dry=programme(6), **BOTH)

    def test_rates_that_differ(self):
        with pytest.raises(InputError, match="44100"):
            align_pair(programme(5), dry=programme(5), wet_rate_hz=44_100, dry_rate_hz=48_000)

    def test_rate_other_than_labelled(self):
        """Recorded at 44.1 kHz, labelled 48 kHz."""
        wet = soxr.resample(programme(5), 48_000, 44_100)
        with pytest.raises(InputError, match="rate its label says"):
            align_pair(wet, dry=programme(5), **BOTH)

    def test_too_short(self):
        with pytest.raises(InputError, match="256 are needed"):
            align_pair(programme(5)[:200], dry=programme(5), **BOTH)

    @pytest.mark.parametrize("constant", [0.0, 0.4])
    def test_silent(self, constant):
        with pytest.raises(InputError, match="wet: is silent"):
            align_pair(np.full(24_000, constant), dry=programme(5), **BOTH)

    def test_not_a_number(self):
        wet = programme(5)
        wet[123] = np.nan
        with pytest.raises(InputError, match="sample 123"):
            align_pair(wet, dry=programme(5), **BOTH)

    def test_delay_beyond_the_limit_is_refused_or_flagged(self):
        """Low-pass noise, so that a lag limit of 5 samples still correlates with a delay of 12."""
        low = dsp.sosfilt(dsp.butter(2, 800, fs=RATE_HZ, output="sos"), programme(7))
        pair = align_pair(np.roll(low, 12), dry=low, max_lag_s=5 / RATE_HZ, **BOTH)
        assert any("limit of the search" in warning for warning in pair.warnings)


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
