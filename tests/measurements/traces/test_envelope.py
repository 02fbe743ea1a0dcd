"""Level and gain traces of waveforms made from known levels and gains."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fetsim.errors import InputError
from fetsim.measurements.traces.envelope import level_envelope, local_gain, tone_envelope

RATE_HZ = 192e3


def tone(*, frequency_hz=1000.0, length_s=0.05, phase_rad=0.3, rate_hz=RATE_HZ):
    return np.sin(2 * np.pi * frequency_hz * np.arange(round(length_s * rate_hz)) / rate_hz + phase_rad)


@settings(max_examples=25, deadline=None)
@given(
    gain_db=st.floats(-60.0, 40.0),
    frequency_hz=st.floats(20.0, 20e3),
    phase_rad=st.floats(0.0, 6.28),
    window_cycles=st.floats(0.2, 2.0),
)
def test_constant_gain_is_read_exactly(gain_db, frequency_hz, phase_rad, window_cycles):
    dry = tone(frequency_hz=frequency_hz, phase_rad=phase_rad, length_s=0.02)
    window_s = max(window_cycles / frequency_hz, 6.0 / RATE_HZ)
    trace = local_gain(dry * 10 ** (gain_db / 20), dry=dry, rate_hz=RATE_HZ, window_s=window_s)
    assert trace.valid_share > 0.5
    read = trace.gain_db[np.isfinite(trace.gain_db)]
    np.testing.assert_allclose(
        read, gain_db, atol=1e-4
    )  # rounding of the fit where its columns are nearly alike


def test_gain_ripple_is_followed_with_a_short_window():
    """y = x (1 + m cos 2wt): rectifier ripple on the gain, m = 5 %, at 100 Hz under a 2 ms window."""
    time = np.arange(round(0.2 * RATE_HZ)) / RATE_HZ
    dry = tone(frequency_hz=50.0, length_s=0.2)
    gain = 1.0 + 0.05 * np.cos(2 * np.pi * 100.0 * time)
    trace = local_gain(gain * dry, dry=dry, rate_hz=RATE_HZ, window_s=2e-3)
    inner = slice(1000, -1000)
    # 2 ms is 1.26 rad of the ripple: what a quadratic leaves of it (third and fourth order) is under 0.01 dB
    np.testing.assert_allclose(trace.gain_db[inner], 20 * np.log10(gain[inner]), atol=0.01)


def test_nothing_leaks_over_a_break():
    """Gain jumps by 20 dB: up to the break either side reads its own gain, and without a break does not."""
    time = np.arange(round(0.02 * RATE_HZ)) / RATE_HZ
    dry, gain_db = tone(frequency_hz=5000.0, length_s=0.02), np.where(time < 0.01, 0.0, -20.0)
    wet = dry * 10 ** (gain_db / 20)
    kept = local_gain(wet, dry=dry, rate_hz=RATE_HZ, window_s=60e-6, breaks_s=[0.01])
    np.testing.assert_allclose(kept.gain_db, gain_db, atol=1e-6)
    leaking = local_gain(wet, dry=dry, rate_hz=RATE_HZ, window_s=60e-6)
    assert np.nanmax(np.abs(leaking.gain_db - gain_db)) > 1.0


def test_silence_of_the_dry_signal_leaves_gaps():
    dry = tone(length_s=0.02)
    dry[1000:2000] = 0.0
    trace = local_gain(0.5 * dry, dry=dry, rate_hz=RATE_HZ, window_s=0.1e-3)
    assert np.all(np.isnan(trace.gain_db[1020:1980]))
    np.testing.assert_allclose(trace.gain_db[:990], -6.0206, atol=1e-3)


def test_dry_signal_far_under_its_own_peak_is_not_believed(rng):
    """100 dB down the wet channel's noise is all there is to read."""
    dry = tone(length_s=0.02)
    dry[1000:] *= 1e-5
    trace = local_gain(dry + 1e-5 * rng.standard_normal(dry.size), dry=dry, rate_hz=RATE_HZ, window_s=0.2e-3)
    assert np.all(np.isnan(trace.gain_db[1100:]))


def test_noise_spreads_the_reading_as_stated(rng):
    """Noise 40 dB under the tone, half a cycle of 5 kHz at 192 kHz: about 0.04 dB rms, and no bias."""
    dry = tone(frequency_hz=5000.0)
    wet = dry + 10 ** (-40 / 20) / np.sqrt(2) * rng.standard_normal(dry.size)
    trace = local_gain(wet, dry=dry, rate_hz=RATE_HZ, window_s=0.1e-3)
    assert np.nanstd(trace.gain_db) == pytest.approx(0.035, rel=0.3)
    assert abs(np.nanmean(trace.gain_db)) < 0.01


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"wet": -tone()}, "in_step first"),  # polarity flipped
        ({"wet": tone()[:-1]}, "align them"),
        ({"dry": np.zeros(9600)}, "silent"),
        ({"window_s": 1e-5}, "widen the window"),
        ({"window_s": -1.0}, "above zero"),
        ({"wet": np.where(np.arange(9600) == 77, np.nan, tone())}, "sample 77"),
        ({"rate_hz": float("nan")}, "above zero"),
    ],
)
def test_unusable_input_of_local_gain(change, words):
    arguments = {"wet": tone(), "dry": tone(), "rate_hz": RATE_HZ, "window_s": 1e-4} | change
    with pytest.raises(InputError, match=words):
        local_gain(arguments.pop("wet"), **arguments)


@pytest.mark.parametrize("cycles", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("frequency_hz", [62.5, 1000.0, 6000.0])
def test_tone_amplitude_and_phase(cycles, frequency_hz):
    time = np.arange(round(0.1 * RATE_HZ)) / RATE_HZ
    signal = 0.7 * np.cos(2 * np.pi * frequency_hz * time - 1.1)
    trace = tone_envelope(signal, rate_hz=RATE_HZ, frequency_hz=frequency_hz, cycles=cycles)
    np.testing.assert_allclose(trace.amplitude, 0.7, rtol=1e-9)
    np.testing.assert_allclose(trace.phase_rad, -1.1, atol=1e-9)
    assert trace.level_db[500] == pytest.approx(20 * np.log10(0.7) - 3.0103, abs=1e-4)


def test_tone_amplitude_is_free_of_constant_and_harmonics():
    """One cycle, a whole number of samples, rejects a constant and harmonics; the fit is orthogonal."""
    time = np.arange(19_200) / RATE_HZ
    omega = 2 * np.pi * RATE_HZ / 193 * time
    signal = 0.5 + np.cos(omega) + 0.1 * np.cos(2 * omega + 1) + 0.1 * np.cos(3 * omega)
    trace = tone_envelope(signal, rate_hz=RATE_HZ, frequency_hz=RATE_HZ / 193)
    np.testing.assert_allclose(trace.amplitude[200:-200], 1.0, rtol=1e-9)


def test_smear_of_the_tone_envelope_is_as_stated():
    """Amplitude exp(-t / tau) averaged over a window: sinh(x) / x, x = window / (2 tau) (closed form)."""
    time = np.arange(19_200) / RATE_HZ
    for tau_s, excess in ((2e-3, 0.0104), (0.5e-3, 0.1752)):
        signal = np.exp(-time / tau_s) * np.sin(2 * np.pi * 1000.0 * time)
        read = tone_envelope(signal, rate_hz=RATE_HZ, frequency_hz=1000.0).amplitude
        inner = (time > 1e-3) & (time < 4e-3)
        ratio = read[inner] * np.exp(time[inner] / tau_s)
        # the mean over a period; the decaying tone itself leaves some ripple about it
        assert np.mean(ratio) == pytest.approx(1.0 + excess, abs=0.02 + 0.1 * excess)


@pytest.mark.parametrize(
    ("options", "words"), [({"frequency_hz": 1e5}, "half the rate"), ({"cycles": 0.2}, "half a cycle")]
)
def test_unusable_input_of_tone_envelope(options, words):
    with pytest.raises(InputError, match=words):
        tone_envelope(tone(), **{"rate_hz": RATE_HZ, "frequency_hz": 1000.0} | options)


def test_level_of_a_sine_and_a_square():
    """Peak to rms of a sine 3.0103 dB, of a square 0 dB (closed form)."""
    sine = tone(frequency_hz=1000.0, length_s=0.1)
    read = level_envelope(sine, rate_hz=RATE_HZ, window_s=2e-3).level_db
    np.testing.assert_allclose(read[500:-500], -3.0103, atol=2e-4)
    read = level_envelope(np.sign(sine), rate_hz=RATE_HZ, window_s=2e-3).level_db
    np.testing.assert_allclose(read, 0.0, atol=1e-9)


def test_level_step_is_centred_and_as_wide_as_stated():
    """No delay: half the power at the step; 10 to 90 % of it in 0.48 of the window (Hann, integrated)."""
    time = np.arange(round(0.1 * RATE_HZ)) / RATE_HZ
    amplitude = np.where(time < 0.05, 0.1, 1.0)
    signal = amplitude * np.where(np.arange(time.size) % 2, 1.0, -1.0)
    power = 10 ** (level_envelope(signal, rate_hz=RATE_HZ, window_s=0.02).level_db / 10)
    share = (power - 0.01) / 0.99
    instants = np.interp([0.1, 0.5, 0.9], share, time)
    assert instants[1] == pytest.approx(0.05, abs=1 / RATE_HZ)
    assert instants[2] - instants[0] == pytest.approx(0.48 * 0.02, rel=0.01)


def test_silence_has_a_floor():
    assert np.all(level_envelope(np.zeros(100), rate_hz=1e3, window_s=0.01).level_db == -300.0)
