"""Recordings as rows: sums over frequency against those over time, what wires add, noise."""

import numpy as np
import pytest

from fetsim.studies.suspects.spectra import Table, look_at, modes_of, noise_of, smoothed

RATE_HZ, LENGTH = 8000.0, 8000


def band(seed: int) -> np.ndarray:
    """Noise between 100 and 300 Hz off the lines of mains, within the band that counts."""
    hz = np.fft.rfftfreq(LENGTH, 1.0 / RATE_HZ)
    rng = np.random.default_rng(seed)
    inside = (hz > 205.0) & (hz < 235.0)
    return np.asarray(np.fft.irfft(np.where(inside, rng.normal(size=len(hz)) + 1j * rng.normal(size=len(hz)), 0.0)))


def test_a_difference_over_white_noise_has_the_power_that_it_has_in_time() -> None:
    """Parseval: half of the sum of squares over the variance is in real and imaginary parts of half a spectrum."""
    model, difference, sigma = band(1), band(2), 1e-4
    noise = noise_of(np.full(2, sigma**2 / (0.5 * RATE_HZ)), np.array([0.0, 4000.0]), LENGTH, RATE_HZ)
    look = look_at(model, RATE_HZ, noise, level_known=True)
    off = np.gradient(model)
    difference = difference - off * (difference @ off) / (off @ off)  # nothing that delay would take
    rows = look.rows(difference)
    assert float(rows @ rows) == pytest.approx(float(difference @ difference) / sigma**2, rel=0.02)  # clock takes 1 %


def test_level_delay_and_clock_leave_no_difference() -> None:
    model = band(1)
    noise = np.full(LENGTH // 2 + 1, 1e-4)
    look = look_at(model, RATE_HZ, noise)
    alone = look_at(model, RATE_HZ, noise, level_known=True)
    louder = look.rows(0.01 * model)
    assert float(louder @ louder) < 1e-12 * float(alone.rows(0.01 * model) @ alone.rows(0.01 * model))
    later = 0.01 * np.gradient(model)
    assert float(look.rows(later) @ look.rows(later)) < 1e-12 * 1e8 * float(later @ later)


def test_rows_of_noise_have_a_variance_of_one() -> None:
    rng = np.random.default_rng(3)
    noise = noise_of(np.full(2, 1.0 / (0.5 * RATE_HZ)), np.array([0.0, 4000.0]), LENGTH, RATE_HZ)
    rows = look_at(band(1), RATE_HZ, noise).rows(rng.normal(size=LENGTH))
    assert float(np.mean(rows**2)) == pytest.approx(1.0, abs=0.06)  # 3 sigma of a mean of 5000 squares


def test_a_spectrum_that_scatters_is_smoothed_so_that_what_it_divides_has_a_mean_of_one() -> None:
    """chi2 with 24 degrees of freedom, as of Welch's method: the mean of its inverse is 24 / 22 (textbook)."""
    rng, hz = np.random.default_rng(6), np.linspace(0.0, 4000.0, 4001)
    density = rng.chisquare(24, len(hz)) / 24.0
    assert float(np.mean(1.0 / density)) == pytest.approx(24.0 / 22.0, rel=0.02)
    assert float(np.mean(1.0 / smoothed(density, hz)[20:])) == pytest.approx(1.0, abs=0.01)
    np.testing.assert_allclose(smoothed(np.full(50, 3.0), np.arange(50.0)), 3.0)


def test_columns_that_come_one_by_one_have_the_products_of_all() -> None:
    rng = np.random.default_rng(4)
    look = look_at(band(1), RATE_HZ, np.ones(LENGTH // 2 + 1))
    size = 2 * len(look.bins)
    residual, columns = rng.normal(size=size), rng.normal(size=(size, 3))
    table = Table.of(look, residual, 1.0)
    table.put([columns[:, 0], columns[:, 1]])
    table.put([columns[:, 2]])
    single = columns.astype(np.float32).astype(np.float64)
    np.testing.assert_allclose(table.sums().gram, single.T @ single, rtol=1e-12)
    np.testing.assert_allclose(table.sums().score, single.T @ residual, rtol=1e-12, atol=1e-10)
    np.testing.assert_allclose(table.rows, columns, rtol=1e-6)


def test_rows_of_noise_have_its_own_size_and_its_level_within_the_band_is_told() -> None:
    """White noise of 1 mV beside a louder model: rows of variance 1, and by Parseval the band's share of its power."""
    rng = np.random.default_rng(5)
    rate_hz, sound, noise = 48000.0, rng.standard_normal(48000), 1e-3 * rng.standard_normal(48000)
    each = noise_of(np.full(2, 1e-6 / (0.5 * rate_hz)), np.array([0.0, 0.5 * rate_hz]), len(sound), rate_hz)
    look = look_at(sound, rate_hz, each)
    assert np.mean(look.rows(noise) ** 2) == pytest.approx(1.0, rel=0.05)  # of 24,000 numbers: 0.9 % once
    assert look.noise_power == pytest.approx(1e-6 * len(look.bins) / 24000.0, rel=1e-3)
    assert np.mean(look.bare(sound) ** 2) == pytest.approx(1e6, rel=0.05)
    assert np.mean(look.rows(sound) ** 2) < 1e-6  # its level is nobody's question


def test_bent_columns_are_those_of_a_table_that_was_made_of_them() -> None:
    """A secant: over the step the bent columns give the change that was seen; sums are those of such columns."""
    rng = np.random.default_rng(6)
    look = look_at(rng.normal(size=2000), 48000.0, np.ones(1001))
    size = 2 * len(look.bins)
    residual, columns, change = rng.normal(size=size), rng.normal(size=(size, 4)), rng.normal(size=size)
    modes, _ = np.linalg.qr(rng.normal(size=(size, 6)))
    table = Table.of(look, residual, 1.0, modes=modes.astype(np.float32))
    table.put(list(columns.T))
    step, shares = np.array([0.5, 0.0, -2.0, 1.0]), np.array([0.4, 0.0, -0.1, 0.6])
    shares /= shares @ step
    single = columns.astype(np.float32).astype(np.float64)
    bent = single + np.outer(change - single @ step, shares)
    other = rng.normal(size=size)
    for found, left in ((table.bent(change, step, shares), residual),
                        (table.bent(change, step, shares).about(other), other)):  # fmt: skip
        sums = found.sums()
        np.testing.assert_allclose(sums.gram, bent.T @ bent, rtol=1e-9)
        np.testing.assert_allclose(sums.score, bent.T @ left, rtol=1e-9, atol=1e-8)
        np.testing.assert_allclose(sums.modes, modes.T @ bent, rtol=1e-5, atol=1e-5)
        np.testing.assert_allclose(sums.along, modes.T @ left, rtol=1e-5, atol=1e-5)
    twice = table.bent(change, step, shares).bent(other, step, shares).picked([2, 0, 3])
    again = (bent + np.outer(other - bent @ step, shares))[:, [2, 0, 3]]
    np.testing.assert_allclose(twice.sums().gram, again.T @ again, rtol=1e-9)
    np.testing.assert_allclose(twice.about(other).sums().score, again.T @ other, rtol=1e-9, atol=1e-8)
    np.testing.assert_allclose(bent @ step, change, rtol=1e-9, atol=1e-9)


def test_what_is_wrong_with_a_gain_lies_along_the_directions_of_an_error_and_noise_hardly() -> None:
    """A level that is 1 % up and down at 3 Hz: nearly all of it; of white noise as many numbers as there are."""
    rng = np.random.default_rng(7)
    rate_hz, at_s = 8000.0, np.arange(16000) / 8000.0
    sound = np.convolve(rng.standard_normal(16000), np.ones(8), mode="same")
    look = look_at(sound, rate_hz, noise_of(np.full(2, 1.0 / (0.5 * rate_hz)), np.array([0.0, 4000.0]), 16000, rate_hz))
    modes = modes_of(look, sound, rate_hz).astype(np.float64)
    np.testing.assert_allclose(modes.T @ modes, np.eye(120), atol=1e-4)
    wrong, noise = look.rows(0.01 * np.sin(6.0 * np.pi * at_s) * sound), look.rows(rng.standard_normal(16000))
    assert np.sum((modes.T @ wrong) ** 2) > 0.95 * float(wrong @ wrong)
    assert np.sum((modes.T @ noise) ** 2) == pytest.approx(120.0, abs=4.0 * np.sqrt(240.0))
