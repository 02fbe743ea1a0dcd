"""Gaps and clicks that were put in by hand, and what only looks like them."""

import numpy as np
import pytest
from scipy import signal as dsp

from fetsim.measurements.traces.interruptions import clicks, dropouts, told_clicks, told_dropouts

RATE_HZ = 48_000.0


def sound(seed=1, seconds=1.0):
    """Noise under 2 kHz at -20 dB, silent in its middle tenth."""
    chance = np.random.default_rng(seed)
    low = dsp.butter(2, 2000, fs=RATE_HZ, output="sos")
    made = dsp.sosfilt(low, 0.3 * chance.standard_normal(round(seconds * RATE_HZ)))
    made[21_600:26_400] = 0.0
    return made


def rounded(signal, bits=16):
    return np.round(signal * 2.0 ** (bits - 1)) / 2.0 ** (bits - 1)


@pytest.mark.parametrize("value", [0.0, None])
@pytest.mark.parametrize("length", [32, 2400])
def test_a_gap_is_found_where_it_is_whatever_it_is_filled_with(value, length):
    """Half as loud, 500.5 samples late, 100 ppm faster: what was played says that it is no pause."""
    played = sound()
    heard = rounded(np.concatenate([np.zeros(500), 0.5 * played]))
    heard[30_000 : 30_000 + length] = heard[29_999] if value is None else value
    (found,) = dropouts(heard, played, delay=500.5, clock=1e-4, rate_hz=RATE_HZ)
    assert abs(found.start - 30_000) <= 1 and abs(found.stop - 30_000 - length) <= 1


def test_pauses_crests_and_soft_sound_are_no_gaps():
    played = sound()
    for heard in (
        rounded(0.5 * played),  # digital silence in the pause
        rounded(np.clip(played, -0.02, 0.02)),  # flat tops
        rounded(2e-4 * played),  # a step or two high
        rounded(0.5 * np.sin(2.0 * np.pi * 20.0 * np.arange(48_000) / RATE_HZ)),
    ):
        assert dropouts(heard, played, delay=0.0, clock=0.0, rate_hz=RATE_HZ) == []


@pytest.mark.parametrize("bits", [16, 24])
def test_clicks_are_found_in_noise_and_hum_which_are_none(bits):
    at_s = np.arange(144_000) / RATE_HZ
    hum = sum(0.01 / k * np.sin(2.0 * np.pi * 50.0 * k * at_s) for k in (1, 2, 3, 5))
    quiet = hum + 1e-5 * np.random.default_rng(4).standard_normal(144_000)
    assert clicks(rounded(quiet, bits), RATE_HZ) == []
    quiet[48_000:48_100] += 0.005 * np.sin(np.arange(100))
    quiet[96_000] += 0.005
    found = clicks(rounded(quiet, bits), RATE_HZ)
    assert [round(one / RATE_HZ, 3) for one in found] == [1.0, 2.0]


def test_at_most_three_are_told_one_by_one():
    assert told_dropouts([(3.0, 3.02)]) == "stands still at 3.000 s (20 ms)"
    assert told_clicks([48_000 * k for k in range(1, 6)], RATE_HZ).endswith("2.000 s, 3.000 s and 2 times more")
