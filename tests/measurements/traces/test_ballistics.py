"""The volume indicator's needle against its two published figures and closed-form responses."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fetsim.errors import InputError
from fetsim.measurements.traces.ballistics import Needle, needle_for, needle_reading, vu_reading


@pytest.mark.parametrize(
    ("overshoot", "damping", "natural"),
    # derived from "99 % in 300 ms" and the overshoot, by an independent root search
    [(0.010, 0.8261, 13.972), (0.0125, 0.8127, 13.512), (0.015, 0.8007, 13.126)],
)
def test_parameters(overshoot, damping, natural):
    needle = needle_for(overshoot=overshoot)
    assert needle.damping == pytest.approx(damping, abs=5e-5)
    assert needle.natural_rad_s == pytest.approx(natural, abs=5e-4)


@pytest.mark.parametrize("rate_hz", [100.0, 1000.0, 48e3, 768e3])
def test_step(rate_hz):
    """ANSI C16.5 / IEC 60268-17, second-hand: 99 % after 300 ms (270 to 330), overshoot 1 to 1.5 %."""
    reading = needle_reading(np.ones(round(rate_hz)), rate_hz=rate_hz, start=0.0)
    assert reading[0] == 0.0
    assert reading[round(0.3 * rate_hz)] == pytest.approx(0.99, abs=1e-9)
    assert 1.010 <= np.max(reading) <= 1.015
    assert np.argmax(reading) / rate_hz == pytest.approx(0.399, abs=max(1e-3, 1 / rate_hz))
    assert reading[-1] == pytest.approx(1.0, abs=1e-3)


def test_one_pole_of_300_ms_would_fail():
    """A time constant of 300 ms reaches 63 % where the indicator reaches 99 %."""
    assert needle_reading(np.ones(301), rate_hz=1e3, start=0.0)[300] > 0.98 > 1 - np.exp(-1.0)


@settings(max_examples=20, deadline=None)
@given(slope=st.floats(-100, 100), start=st.floats(-50, 50), rate_hz=st.sampled_from([20.0, 333.0, 48e3]))
def test_ramp_is_exact_at_any_rate(slope, start, rate_hz):
    """Ramp c t from rest: c (t - 2 d/w + ...) with d, w the needle's (closed form by convolution)."""
    needle = needle_for()
    d, w = needle.damping, needle.natural_rad_s
    swing = w * np.sqrt(1 - d * d)
    time = np.arange(round(rate_hz)) / rate_hz
    tail = np.exp(-d * w * time) * (
        2 * d / w * np.cos(swing * time) + (2 * d * d - 1) / swing * np.sin(swing * time)
    )
    expected = start + slope * (time - 2 * d / w + tail)
    reading = needle_reading(start + slope * time, rate_hz=rate_hz)
    np.testing.assert_allclose(reading, expected, atol=1e-8 * (1 + abs(slope)))


def test_steady_trace_does_not_move_the_needle():
    np.testing.assert_allclose(needle_reading(np.full(500, 7.5), rate_hz=100.0), 7.5, rtol=1e-14)


def test_sine_and_square_on_the_indicator():
    """Average-responding, calibrated on a sine: a square of the same rms reads 0.912 dB more."""
    time = np.arange(96_000) / 48e3
    sine = np.sin(2 * np.pi * 997 * time)
    zero = vu_reading(sine, rate_hz=48e3, zero_vu_rms=np.sqrt(0.5))
    assert zero[-1] == pytest.approx(0.0, abs=0.005)
    assert zero[0] == -60.0
    square = vu_reading(np.sign(sine + 1e-9), rate_hz=48e3, zero_vu_rms=1.0)
    assert square[-1] == pytest.approx(0.912, abs=0.005)


def test_four_dbu_reads_zero():
    """+4 dBu = 1.227653 V rms reads 0 VU (ANSI C16.5, second-hand); 10 dB less reads -10."""
    volts = 1.227653 * np.sqrt(2) * np.sin(2 * np.pi * 997 * np.arange(96_000) / 48e3)
    assert vu_reading(volts, rate_hz=48e3, zero_vu_rms=1.227653)[-1] == pytest.approx(0.0, abs=0.005)
    quieter = vu_reading(volts * 10**-0.5, rate_hz=48e3, zero_vu_rms=1.227653)
    assert quieter[-1] == pytest.approx(-10.0, abs=0.005)


def test_unusable_input():
    with pytest.raises(InputError, match="overshoot"):
        needle_for(overshoot=0.0)
    with pytest.raises(InputError, match="damping"):
        needle_reading(np.ones(10), rate_hz=100.0, needle=Needle(damping=1.0, natural_rad_s=10.0))
    with pytest.raises(InputError, match="zero_vu_rms"):
        vu_reading(np.ones(10), rate_hz=100.0, zero_vu_rms=0.0)
    with pytest.raises(InputError, match="trace"):
        needle_reading([], rate_hz=100.0)
