"""Harmonic distortion of waveforms whose Fourier series is known in closed form."""

import numpy as np
import pytest

from fetsim.errors import InputError
from fetsim.measurements.distortion.harmonics import harmonics, thd_plus_noise

# 1003.39 samples a period: corners fall all over the sample period, so their quantising averages out
RATE_HZ = 1_000_377.0
FUNDAMENTAL_HZ = 997.0


def angle(*, rate_hz=RATE_HZ, length_s=0.05, frequency_hz=FUNDAMENTAL_HZ):
    return 2 * np.pi * frequency_hz * np.arange(round(length_s * rate_hz)) / rate_hz


def found_in(signal, highest=10):
    return harmonics(signal, rate_hz=RATE_HZ, fundamental_hz=FUNDAMENTAL_HZ, highest=highest)


def test_square_wave():
    """H_n = 4 / (n pi), odd n (Fourier); to the 10th: THD_F = sqrt(1/9 + 1/25 + 1/49 + 1/81) of H1."""
    found = found_in(np.sign(np.sin(angle() + 1e-4)))
    n = found.order
    np.testing.assert_allclose(found.amplitude, np.where(n % 2, 4 / (n * np.pi), 0.0), atol=1e-3)
    thd_f = np.sqrt(np.sum(1.0 / np.array([3, 5, 7, 9]) ** 2))
    assert found.thd_f == pytest.approx(thd_f, rel=1e-3)
    assert found.thd_r == pytest.approx(thd_f / np.sqrt(1 + thd_f**2), rel=1e-3)


def test_square_wave_of_many_harmonics_reaches_the_limit():
    """All harmonics: THD_F 48.343 %, THD_R 43.524 % (closed form); beyond n = 99 the squares sum to 1/200."""
    found = found_in(np.sign(np.sin(angle(length_s=0.01) + 1e-4)), highest=99)
    whole = np.sqrt(found.thd_f**2 + 1 / 200)
    assert whole == pytest.approx(0.48343, rel=1e-3)
    assert whole / np.sqrt(1 + whole**2) == pytest.approx(0.43524, rel=1e-3)


def test_triangle_wave():
    """H_n = 8 / (pi n)^2, odd n (Fourier); all harmonics THD_F 12.115 %, a little of it above the 10th."""
    phase = angle() / (2 * np.pi) + 0.1
    found = found_in(4 * np.abs(phase % 1.0 - 0.5) - 1)
    above = np.pi**4 / 96 - np.sum(1 / np.arange(1.0, 10.0, 2.0) ** 4)  # of the squares, re H1
    assert np.sqrt(found.thd_f**2 + above) == pytest.approx(0.12115, rel=1e-4)
    assert found.relative_db[2] == pytest.approx(-20 * np.log10(9), abs=1e-3)


@pytest.mark.parametrize(
    ("over_db", "h3_percent", "thd_percent"), [(1, 3.684, 4.632), (3, 12.923, 13.380), (6, 22.584, 23.237)]
)
def test_clipped_sine(over_db, h3_percent, thd_percent):
    """Hard-clipped sine, 1, 3, 6 dB over (Fourier integrals; THD of all harmonics)."""
    found = found_in(np.clip(10 ** (over_db / 20) * np.sin(angle(length_s=0.01)), -1, 1), highest=49)
    assert 100 * found.amplitude[2] / found.amplitude[0] == pytest.approx(h3_percent, abs=2e-3)
    assert 100 * found.thd_f == pytest.approx(thd_percent, abs=5e-3)


def test_full_wave_rectified_sine():
    """Peak 1: mean 2/pi, second harmonic of the sine 4/(3 pi), fourth 4/(15 pi) (Fourier)."""
    found = harmonics(np.abs(np.sin(angle())), rate_hz=RATE_HZ, fundamental_hz=2 * FUNDAMENTAL_HZ, highest=2)
    assert found.constant == pytest.approx(2 / np.pi, abs=1e-5)
    np.testing.assert_allclose(found.amplitude, [4 / (3 * np.pi), 4 / (15 * np.pi)], atol=1e-5)


def test_polynomials():
    """y = x + a2 x^2: HD2 = a2 A / 2. y = x + a3 x^3: HD3 = (a3 A^2 / 4) / (1 + 3 a3 A^2 / 4)."""
    x = 0.8 * np.sin(angle())
    second, third = found_in(x + 0.05 * x**2), found_in(x + 0.05 * x**3)
    assert second.amplitude[1] / second.amplitude[0] == pytest.approx(0.05 * 0.8 / 2, rel=1e-9)
    squared = 0.05 * 0.8**2 / 4
    assert third.amplitude[2] / third.amplitude[0] == pytest.approx(squared / (1 + 3 * squared), rel=1e-9)
    assert second.thd_f == pytest.approx(0.02, rel=1e-9)


def test_gain_ripple_makes_third_harmonic():
    """y = sin(wt) (1 + m cos 2wt): H3/H1 = (m/2) / (1 - m/2); m = 0.02: 1.0101 % (trigonometry)."""
    found = found_in(np.sin(angle()) * (1 + 0.02 * np.cos(2 * angle())))
    assert found.thd_f == pytest.approx(0.010101, abs=1e-6)


def test_both_references_are_kept_apart():
    """10 % second harmonic: 10 % of the fundamental, 9.950 % of the whole."""
    found = found_in(np.sin(angle()) + 0.1 * np.sin(2 * angle()))
    assert found.thd_f == pytest.approx(0.1, rel=1e-9)
    assert found.thd_r == pytest.approx(0.0995037, rel=1e-6)


def test_harmonics_stop_below_half_the_rate():
    found = harmonics(np.sin(angle(rate_hz=48e3, frequency_hz=5e3)), rate_hz=48e3, fundamental_hz=5e3)
    assert list(found.order) == [1, 2, 3, 4]


def test_capture_of_another_clock():
    """Generator 60 ppm off: locked to the nominal frequency it is wrong, set free it is not."""
    signal = np.sin(angle(rate_hz=48e3, frequency_hz=997 * 1.00006, length_s=1.0))
    signal = signal + 0.001 * signal**2
    free = harmonics(signal, rate_hz=48e3, fundamental_hz=997.0, locked=False)
    assert free.thd_f == pytest.approx(0.0005, rel=1e-4)
    assert free.fundamental_hz == pytest.approx(997 * 1.00006, rel=1e-8)


@pytest.mark.parametrize("rate_hz", [44_100.0, 48_000.0, 192_000.0])
def test_thd_plus_noise_of_a_second_tone(rate_hz):
    """1 % of a tone far above the notch passes it whole; 3 % at 30 kHz is outside the band (exact ratio)."""
    time = np.arange(round(0.5 * rate_hz)) / rate_hz
    signal = 0.3 + np.cos(2 * np.pi * 997 * time) + 0.01 * np.cos(2 * np.pi * 15e3 * time)
    if rate_hz > 100e3:
        signal += 0.03 * np.cos(2 * np.pi * 30e3 * time)
    found = thd_plus_noise(signal, rate_hz=rate_hz)
    assert found.ratio == pytest.approx(0.01 / np.sqrt(1 + 1e-4), rel=2e-3)
    assert found.band_hz == 20e3 and found.fundamental_hz == pytest.approx(997, abs=1e-5)


def test_thd_plus_noise_refers_to_the_whole():
    """10 % of a second tone: 10 % of the fundamental, 9.950 % of the whole."""
    time = np.arange(48_000) / 48e3
    signal = np.cos(2 * np.pi * 997 * time) + 0.1 * np.cos(2 * np.pi * 15e3 * time)
    assert thd_plus_noise(signal, rate_hz=48e3).ratio == pytest.approx(0.0995037, rel=1e-3)


@pytest.mark.parametrize("notch_q", [1.0, 2.0, 5.0])
def test_notch_takes_its_part_of_the_second_harmonic(notch_q):
    """Analogue notch an octave up: x / sqrt(1 + x^2), x = 1.5 Q (closed form; digital one within 1 %)."""
    time = np.arange(48_000) / 48e3
    signal = np.cos(2 * np.pi * 997 * time) + 0.01 * np.cos(2 * np.pi * 2 * 997 * time)
    found = thd_plus_noise(signal, rate_hz=48e3, notch_q=notch_q)
    x = 1.5 * notch_q
    assert found.ratio == pytest.approx(0.01 / np.sqrt(1 + 1e-4) * x / np.sqrt(1 + x**2), rel=0.01)


def test_thd_plus_noise_of_white_noise(rng):
    """Noise of 1 % rms over 24 kHz; 20 kHz of it pass, less the notch (Q 5 at 997 Hz: pi/2 * 199 Hz)."""
    time = np.arange(96_000) / 48e3
    signal = np.sqrt(2) * np.cos(2 * np.pi * 997 * time) + 0.01 * rng.standard_normal(time.size)
    found = thd_plus_noise(signal, rate_hz=48e3)
    # half of the 2 kHz slope of the band edge passes too
    assert found.ratio == pytest.approx(0.01 * np.sqrt((21_000 - 313) / 24_000), rel=0.02)


def test_a_pure_tone_reads_next_to_nothing():
    time = np.arange(48_000) / 48e3
    assert thd_plus_noise(np.cos(2 * np.pi * 997.3 * time), rate_hz=48e3).level_db < -160.0


def test_band_edge_above_half_the_rate_is_told():
    time = np.arange(32_000) / 32e3
    found = thd_plus_noise(
        np.cos(2 * np.pi * 997 * time) + 0.01 * np.cos(2 * np.pi * 9e3 * time), rate_hz=32e3
    )
    assert found.band_hz == 16e3
    assert found.ratio == pytest.approx(0.01, rel=2e-3)


@pytest.mark.parametrize(
    ("signal", "words"),
    [(np.zeros(4800), "no tone"), (np.ones(4800), "no tone"), (np.sin(np.arange(90)), "periods")],
)
def test_unusable_input_of_harmonics(signal, words):
    with pytest.raises(InputError, match=words):
        harmonics(signal, rate_hz=48e3, fundamental_hz=997.0)


def test_noise_is_no_tone(rng):
    with pytest.raises(InputError, match="no tone"):
        harmonics(rng.standard_normal(48_000), rate_hz=48e3, fundamental_hz=997.0)


def test_unusable_input_of_thd_plus_noise():
    tone = np.cos(2 * np.pi * 997 * np.arange(1500) / 48e3)
    with pytest.raises(InputError, match="settle"):
        thd_plus_noise(tone, rate_hz=48e3)
    with pytest.raises(InputError, match="second harmonic"):
        thd_plus_noise(np.tile(tone, 20), rate_hz=48e3, band_hz=1500.0)
