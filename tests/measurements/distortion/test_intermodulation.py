"""Intermodulation of known polynomials (trigonometry gives every side tone)."""

import numpy as np
import pytest

from fetsim.errors import InputError
from fetsim.measurements.distortion.harmonics import harmonics
from fetsim.measurements.distortion.intermodulation import difference_tone_imd, smpte_imd

RATE_HZ = 96e3


def tone(frequency_hz, amplitude, length_s=0.2):
    return amplitude * np.sin(2 * np.pi * frequency_hz * np.arange(round(length_s * RATE_HZ)) / RATE_HZ)


def test_smpte_of_a_square_law():
    """y = x + a2 x^2: (U(f2-f1) + U(f2+f1)) / U(f2) = 2 a2 A1."""
    x = tone(60, 0.8) + tone(7000, 0.2)
    found = smpte_imd(x + 0.05 * x**2, rate_hz=RATE_HZ)
    assert found.order_2 == pytest.approx(2 * 0.05 * 0.8, rel=1e-6)
    assert found.order_3 < 1e-9
    assert found.summed == pytest.approx(found.order_2, rel=1e-9)
    assert found.side_tones == pytest.approx(found.order_2 / np.sqrt(2), rel=1e-6)  # two equal side tones
    assert found.lower_amplitude / found.upper_amplitude == pytest.approx(4.0, rel=1e-6)


def test_smpte_is_four_times_the_second_harmonic_at_equal_low_amplitude():
    """At A = A1: 4 x HD2, +12.04 dB; at equal peak (A1 = 0.8 A) 3.2 x."""
    a2 = 0.01
    single = tone(60, 0.8)
    hd2 = harmonics(single + a2 * single**2, rate_hz=RATE_HZ, fundamental_hz=60).thd_f
    both = single + tone(7000, 0.2)
    imd = smpte_imd(both + a2 * both**2, rate_hz=RATE_HZ).order_2
    assert imd / hd2 == pytest.approx(4.0, rel=1e-6)
    peak = tone(60, 1.0)
    hd2_at_peak = harmonics(peak + a2 * peak**2, rate_hz=RATE_HZ, fundamental_hz=60).thd_f
    assert imd / hd2_at_peak == pytest.approx(3.2, rel=1e-6)


def test_smpte_of_a_cubic():
    """y = x + a3 x^3: side tones 3/4 a3 A1^2 A2 each, high tone A2 (1 + 3/4 a3 A2^2 + 3/2 a3 A1^2)."""
    a1, a2, a3 = 0.8, 0.2, 0.1
    x = tone(60, a1) + tone(7000, a2)
    found = smpte_imd(x + a3 * x**3, rate_hz=RATE_HZ)
    expected = 2 * 0.75 * a3 * a1**2 / (1 + 0.75 * a3 * a2**2 + 1.5 * a3 * a1**2)
    assert found.order_3 == pytest.approx(expected, rel=1e-6)
    assert found.order_2 < 1e-9


def test_smpte_is_the_modulation_of_the_high_tone():
    """Gain of the high tone moving by +-3 % at the low frequency: order 2 reads 3 %."""
    low = tone(60, 0.8)
    found = smpte_imd(low + tone(7000, 0.2) * (1 + 0.03 * low / 0.8), rate_hz=RATE_HZ)
    assert found.order_2 == pytest.approx(0.03, rel=1e-6)


def test_smpte_with_the_other_pair_of_tones():
    x = tone(250, 0.8) + tone(8000, 0.2)
    assert smpte_imd(x + 0.05 * x**2, rate_hz=RATE_HZ, low_hz=250, high_hz=8000).order_2 == pytest.approx(
        0.08
    )


def test_difference_tone_of_a_square_law():
    """Two tones of A/2: U(f2-f1) / (U1 + U2) = a2 A / 4, half of the single tone's HD2."""
    x = tone(19_000, 0.4) + tone(20_000, 0.4)
    found = difference_tone_imd(x + 0.05 * x**2, rate_hz=RATE_HZ)
    assert found.order_2 == pytest.approx(0.05 * 0.8 / 4, rel=1e-6)
    assert found.order_3 < 1e-9 and found.side_tones is None


def test_difference_tone_of_a_cubic():
    """Each third-order tone 3/4 a3 b^3, each test tone b (1 + 9/4 a3 b^2), b = A/2."""
    b, a3 = 0.4, 0.1
    x = tone(19_000, b) + tone(20_000, b)
    found = difference_tone_imd(x + a3 * x**3, rate_hz=RATE_HZ)
    assert found.order_3 == pytest.approx(0.75 * a3 * b**2 / (1 + 2.25 * a3 * b**2), rel=1e-6)
    assert found.order_2 < 1e-9
    assert found.summed == pytest.approx(found.order_3, rel=1e-6)


def test_noise_is_told_beside(rng):
    x = tone(19_000, 0.4) + tone(20_000, 0.4)
    found = difference_tone_imd(x + 1e-4 * rng.standard_normal(x.size), rate_hz=RATE_HZ)
    assert found.residual_rms == pytest.approx(1e-4, rel=0.02)
    assert found.summed < 1e-4


@pytest.mark.parametrize(
    ("analyse", "signal", "rate_hz", "words"),
    [
        (smpte_imd, tone(60, 0.8), RATE_HZ, "do not stand out"),
        (smpte_imd, (tone(60, 0.8) + tone(7000, 0.2))[:4000], RATE_HZ, "record longer"),
        (smpte_imd, tone(60, 0.8), 12e3, "half the rate"),
        (difference_tone_imd, tone(19_000, 1.0), RATE_HZ, "do not stand out"),
        (difference_tone_imd, tone(1000, 1.0), 40e3, "half the rate"),
        (difference_tone_imd, np.zeros(9600), RATE_HZ, "do not stand out"),
    ],
)
def test_unusable_input(analyse, signal, rate_hz, words):
    with pytest.raises(InputError, match=words):
        analyse(signal, rate_hz=rate_hz)


def test_tones_too_close():
    with pytest.raises(InputError, match="too close"):
        smpte_imd(tone(1000, 1.0), rate_hz=RATE_HZ, low_hz=1000, high_hz=7000)
    with pytest.raises(InputError, match="less than half"):
        difference_tone_imd(tone(1000, 1.0), rate_hz=RATE_HZ, lower_hz=1000, upper_hz=1900)
