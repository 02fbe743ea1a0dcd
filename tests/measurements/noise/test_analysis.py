"""Weighting curves against their printed tables; noise integrals against closed forms."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fetsim.errors import InputError
from fetsim.measurements.noise.analysis import (
    capacitor_noise_rms,
    noise_density,
    resistor_noise_density,
    weighted_noise_rms,
)
from fetsim.measurements.traces.weighting import a_weighting_db, itu_468_weighting_db

# IEC 61672-1, from memory; the table is rounded to 0.1 dB at exact third-octave centres, so 0.15 dB here
A_TABLE = {
    31.5: -39.4, 63: -26.2, 100: -19.1, 125: -16.1, 250: -8.6, 500: -3.2, 1000: 0.0, 2000: 1.2, 4000: 1.0,
    8000: -1.1, 10_000: -2.5, 12_500: -4.3, 16_000: -6.6, 20_000: -9.3,
}  # fmt: skip

# ITU-R BS.468-4, from memory; the rational formula agrees within 0.1 dB
ITU_468_TABLE = {
    31.5: -29.9, 63: -23.9, 100: -19.8, 200: -13.8, 400: -7.8, 800: -1.9, 1000: 0.0, 2000: 5.6, 3150: 9.0,
    4000: 10.5, 5000: 11.7, 6300: 12.2, 7100: 12.0, 8000: 11.4, 9000: 10.1, 10_000: 8.1, 12_500: 0.0,
    14_000: -5.3, 16_000: -11.7, 20_000: -22.2, 31_500: -42.7,
}  # fmt: skip


def test_a_weighting_table():
    np.testing.assert_allclose(a_weighting_db(list(A_TABLE)), list(A_TABLE.values()), atol=0.15)


def test_itu_468_table():
    np.testing.assert_allclose(
        itu_468_weighting_db(list(ITU_468_TABLE)), list(ITU_468_TABLE.values()), atol=0.1
    )


@pytest.mark.parametrize("weighting", [a_weighting_db, itu_468_weighting_db])
def test_weightings_are_zero_at_1_khz_and_refuse_nonsense(weighting):
    assert weighting(1000.0) == 0.0
    assert weighting(0.0) == -np.inf
    with pytest.raises(InputError, match="finite"):
        weighting([100.0, np.nan])
    with pytest.raises(InputError, match="at least zero"):
        weighting(-1.0)


def test_resistor_noise():
    """sqrt(4 k T R), k exact (SI 2019): 1 kohm, 300 K: 4.070 nV; 600 ohm, 290 K: 3.100 nV per root Hz."""
    assert resistor_noise_density(1e3) == pytest.approx(4.070e-9, rel=2e-4)
    assert resistor_noise_density(600.0, temperature_k=290.0) == pytest.approx(3.100e-9, rel=2e-4)
    assert resistor_noise_density(0.0) == 0.0


@pytest.mark.parametrize(("resistance", "capacitance"), [(1e3, 1e-9), (4.7e6, 1e-12), (47.0, 1e-6)])
def test_resistor_across_capacitor_gives_kt_over_c(resistance, capacitance):
    """4kTR through 1 / (1 + (2 pi f R C)^2), integrated, is k T / C whatever R (equipartition)."""
    corner = 1 / (2 * np.pi * resistance * capacitance)
    frequency = corner * np.geomspace(1e-7, 1e7, 6000)
    density = resistor_noise_density(resistance) / np.sqrt(1 + (frequency / corner) ** 2)
    # the density's own grid is what limits this: 430 points a decade
    expected = capacitor_noise_rms(capacitance)
    assert weighted_noise_rms(density, frequency_hz=frequency) == pytest.approx(expected, rel=1e-5)
    if capacitance == 1e-12:
        assert expected == pytest.approx(64.36e-6, rel=1e-3)  # 1 pF at 300 K, 64 uV: a common worked example


@settings(max_examples=40, deadline=None)
@given(slope=st.floats(-3.0, 3.0), low=st.floats(1.0, 100.0), octaves=st.floats(0.5, 10.0))
def test_power_laws_are_integrated_exactly(slope, low, octaves):
    """Power density f^n between f1 and f2 (closed form), from two grid points only."""
    high = low * 2**octaves
    density = np.array([low, high]) ** (slope / 2)
    n = slope + 1
    area = np.log(high / low) if abs(n) < 1e-9 else (high**n - low**n) / n
    found = weighted_noise_rms(density, frequency_hz=[low, high])
    assert found == pytest.approx(np.sqrt(area), rel=1e-6)


def test_bands():
    frequency = np.geomspace(10, 1e5, 50)
    flat = np.full(50, 2e-9)
    found = weighted_noise_rms(flat, frequency_hz=frequency, low_hz=20, high_hz=20e3)
    assert found == pytest.approx(2e-9 * np.sqrt(19_980), rel=1e-9)


@pytest.mark.parametrize("weighting", [a_weighting_db, itu_468_weighting_db])
def test_weighted_white_noise_against_quadrature(weighting):
    """Against a plain sum over every 1 Hz."""
    grid = np.arange(20.0, 20_001.0)
    power = 10 ** (weighting(grid) / 10)
    expected = np.sqrt(np.trapezoid(power, grid))
    assert weighted_noise_rms([1.0, 1.0], frequency_hz=[20, 20_000], weighting_db=weighting) == pytest.approx(
        expected, rel=1e-3
    )


def test_weighting_of_white_noise_in_decibels():
    """White noise to 20 kHz reads about 2.3 dB less A-weighted (common practice, no source)."""
    flat = weighted_noise_rms([1.0, 1.0], frequency_hz=[20, 20_000])
    weighted = weighted_noise_rms([1.0, 1.0], frequency_hz=[20, 20_000], weighting_db=a_weighting_db)
    assert 20 * np.log10(weighted / flat) == pytest.approx(-2.3, abs=0.3)


def test_silence_stays_silent():
    assert weighted_noise_rms([0.0, 0.0], frequency_hz=[20, 20_000], weighting_db=a_weighting_db) < 1e-100


def test_density_of_a_capture(rng):
    """White noise of rms s at rate r: s / sqrt(r / 2) per root Hz; its band comes back by integration."""
    frequency, density = noise_density(0.01 * rng.standard_normal(96_000), rate_hz=48e3, resolution_hz=50.0)
    assert np.sqrt(np.mean(density**2)) == pytest.approx(0.01 / np.sqrt(24_000), rel=0.02)
    rms = weighted_noise_rms(density, frequency_hz=frequency, low_hz=200, high_hz=20e3)
    assert rms == pytest.approx(0.01 * np.sqrt(19_800 / 24_000), rel=0.02)


@pytest.mark.parametrize(
    ("density", "frequency", "options", "words"),
    [
        ([1.0, 1.0], [0.0, 10.0], {}, "above 0 Hz"),
        ([1.0, 1.0], [10.0, 5.0], {}, "rise"),
        ([1.0, -1.0], [10.0, 20.0], {}, "negative"),
        ([1.0, 1.0, 1.0], [10.0, 20.0], {}, "lengths differ"),
        ([1.0, 1.0], [10.0, 20.0], {"low_hz": 5.0}, "within the grid"),
        ([1.0, 1.0], [10.0, 20.0], {"low_hz": 19.0, "high_hz": 12.0}, "must rise"),
    ],
)
def test_unusable_input(density, frequency, options, words):
    with pytest.raises(InputError, match=words):
        weighted_noise_rms(density, frequency_hz=frequency, **options)


def test_unusable_values():
    with pytest.raises(InputError, match="resistance"):
        resistor_noise_density(-1.0)
    with pytest.raises(InputError, match="capacitance"):
        capacitor_noise_rms(0.0)
    with pytest.raises(InputError, match="temperature"):
        resistor_noise_density(1.0, temperature_k=-3.0)
    with pytest.raises(InputError, match="too short"):
        noise_density(np.zeros(100), rate_hz=48e3)
