"""A recording brought into step, against material that is known at every instant: no interpolation made it.

The music is a sum of decaying partials, evaluated at the instants at which a recorder with its own clock samples it.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal as dsp

from fetsim.errors import InputError
from fetsim.measurements.traces.in_step import in_step

RATE_HZ = 48_000.0


def music(time_s, seed=1, until_s=30.0):
    """Plucked notes of up to eight partials, at any instants [shape=(n,)]."""
    chance = np.random.default_rng(seed)
    out, at_s = np.zeros_like(time_s), 0.0
    while at_s < until_s:
        for _ in range(chance.integers(1, 3)):
            pitch, decay_s = 55.0 * 2.0 ** (chance.integers(0, 60) / 12.0), chance.uniform(0.05, 0.3)
            first, last = np.searchsorted(time_s, [at_s, at_s + 8.0 * decay_s])
            since = time_s[first:last] - at_s
            swell = chance.uniform(0.05, 0.5) * np.exp(-since / decay_s) * (1.0 - np.exp(-since / 2e-3))
            for partial in range(1, chance.integers(2, 6)):
                if partial * pitch < 18e3:
                    out[first:last] += swell / partial * np.sin(2.0 * np.pi * partial * pitch * since + partial)
        at_s += chance.choice([0.22, 0.33, 0.44])
    return out


def compressed_gain(dry, most_db=10.0):
    """Gain of a peak detector: 0.3 ms attack, 0.3 s release, ``most_db`` of reduction at the most."""
    size = np.abs(dry)
    wanted = np.minimum(most_db, np.maximum(0.0, 40.0 * np.log10(np.maximum(size, 1e-9) / (0.25 * size.max()))))
    reduction, now = np.empty_like(dry), 0.0
    rise, fall = 1.0 - np.exp(-1.0 / (0.3e-3 * RATE_HZ)), np.exp(-1.0 / (0.3 * RATE_HZ))
    for place, one in enumerate(wanted.tolist()):
        now = now + rise * (one - now) if one > now else now * fall
        reduction[place] = now
    return 10.0 ** (-reduction / 20.0)


def recorded(seconds, *, delay, ppm, seed=1, noise_db=-60.0, hum_db=-40.0, polarity=-1):
    """What was played, and what a recorder makes of it behind a compressor; noise and hum re its rms."""
    played_at = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    dry = music(played_at, seed, seconds)
    count = round(seconds * RATE_HZ * (1.0 + 1e-6 * ppm) + delay) + 4000
    heard_at = (np.arange(count) - delay) / (1.0 + 1e-6 * ppm) / RATE_HZ
    wet = music(heard_at, seed, seconds) * np.interp(heard_at, played_at, compressed_gain(dry))
    hum = np.sin(2.0 * np.pi * 50.0 * np.arange(count) / RATE_HZ)
    loud = np.std(wet)
    wet = polarity * wet + loud * 10.0 ** (hum_db / 20.0) * np.sqrt(2.0) * hum
    return dry, wet + loud * 10.0 ** (noise_db / 20.0) * np.random.default_rng(9).standard_normal(count)


@pytest.mark.parametrize(
    ("delay", "ppm", "polarity"),
    [(1234.567, 20.0, -1), pytest.param(-700.25, -87.3, 1, marks=pytest.mark.slow)],
)
def test_delay_to_a_hundredth_of_a_sample_and_clock_to_1_ppm_over_30_s(delay, ppm, polarity):
    dry, wet = recorded(30.0, delay=delay, ppm=ppm, polarity=polarity)
    found = in_step(wet, reference=dry, rate_hz=RATE_HZ, max_lag_s=0.1)
    assert found.delay_s * RATE_HZ == pytest.approx(delay, abs=0.01)
    assert found.clock_ppm == pytest.approx(ppm, abs=0.1)
    assert found.polarity == (polarity,)
    assert not found.warnings


def test_what_is_in_step_is_what_was_played_without_a_compressor_in_between():
    """-73 dB: noise at -80 dB and 20 ppm taken out by soxr."""
    at = np.arange(5 * 48_000) / RATE_HZ
    dry = np.stack([music(at, 3, 5.0), music(at, 4, 5.0)], axis=1)
    heard_at = (np.arange(5 * 48_000 + 900) - 333.3) / (1.0 + 20e-6) / RATE_HZ
    wet = np.stack([0.5 * music(heard_at, 3, 5.0), -0.8 * music(heard_at, 4, 5.0)], axis=1)
    wet += 1e-4 * np.std(wet) * np.random.default_rng(1).standard_normal(wet.shape)
    found = in_step(wet, reference=dry, rate_hz=RATE_HZ, max_lag_s=0.1)
    assert found.polarity == (1, -1)
    assert found.gain_db == pytest.approx((-6.0206, -1.9382), abs=1e-3)
    inner = slice(500, -500)
    error = found.recording[inner] / [0.5, 0.8] - found.reference[inner]
    assert np.std(error) < 10.0 ** (-73.0 / 20.0) * np.std(found.reference[inner])


def test_what_does_not_belong_together_is_refused():
    at = np.arange(2 * 48_000) / RATE_HZ
    with pytest.raises(InputError, match="does not resemble what was played"):
        in_step(music(at, 5, 2.0), reference=np.random.default_rng(1).standard_normal(96_000), rate_hz=RATE_HZ)
    with pytest.raises(InputError, match="recording: is silent"):
        in_step(np.full(96_000, 0.25), reference=music(at, 5, 2.0), rate_hz=RATE_HZ)
    with pytest.raises(InputError, match="has 2 channels, the reference has 1"):
        in_step(np.ones((96_000, 2)) * music(at, 5, 2.0)[:, None], reference=music(at, 5, 2.0), rate_hz=RATE_HZ)


@pytest.mark.parametrize("before_s", [8.0, 28.0])
@pytest.mark.parametrize("noise_db", [-np.inf, pytest.param(-45.0, marks=pytest.mark.slow)])
def test_silence_before_and_behind_the_programme_has_no_say(before_s, noise_db):
    """As of a recorder that was started early: up to the 30 s that are looked through, with the unit's noise in it."""
    dry, wet = recorded(4.0, delay=100.25, ppm=20.0)
    ends = [np.zeros(round(length_s * RATE_HZ)) for length_s in (before_s, 20.0)]
    heard = np.concatenate([ends[0], wet, ends[1]])
    heard += np.std(wet) * 10.0 ** (noise_db / 20.0) * np.random.default_rng(7).standard_normal(heard.size)
    found = in_step(heard, reference=dry, rate_hz=RATE_HZ)
    assert found.delay_s * RATE_HZ == pytest.approx(100.25 + before_s * RATE_HZ, abs=0.2)


def test_another_programme_behind_silence_is_refused_still():
    other = np.concatenate([np.zeros(8 * 48_000), recorded(4.0, delay=0.0, ppm=0.0, seed=8)[1]])
    with pytest.raises(InputError, match="does not resemble"):
        in_step(other, reference=recorded(4.0, delay=0.0, ppm=0.0)[0], rate_hz=RATE_HZ)


def test_a_unit_that_chatters_is_brought_in_step_all_the_same():
    """Its gain jumps from sample to sample between 1 and a tenth, which is more than red noise moves meanwhile."""
    played, other = (
        dsp.lfilter([1.0], [1.0, -0.95], np.random.default_rng(seed).normal(size=96_000)) for seed in (5, 9)
    )
    gain = np.random.default_rng(1).choice([0.1, 1.0], 96_000)
    found = in_step(np.roll(-gain * played, 1234), reference=played, rate_hz=RATE_HZ)
    assert found.delay_s * RATE_HZ == pytest.approx(1234.0, abs=0.3) and found.polarity == (-1,)
    assert found.clock_ppm == pytest.approx(0.0, abs=5.0)
    with pytest.raises(InputError, match="does not resemble"):
        in_step(gain * other, reference=played, rate_hz=RATE_HZ)


def test_a_tone_is_said_to_be_ambiguous():
    tone = np.sin(2.0 * np.pi * 1000.0 * np.arange(96_000) / RATE_HZ)
    assert "ambiguous" in in_step(tone[5000:], reference=tone, rate_hz=RATE_HZ).warnings[0]


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


@settings(max_examples=6, deadline=None)
@given(
    delay=st.floats(-300.0, 300.0),
    gain_db=st.floats(-40.0, 40.0),
    polarity=st.sampled_from([1, -1]),
    seed=st.integers(0, 100),
)
def test_delay_polarity_and_gain_of_half_a_second_come_back(delay, gain_db, polarity, seed):
    dry = programme(seed)
    wet = polarity * 10 ** (gain_db / 20) * fourier_delayed(dry, delay)
    found = in_step(wet, reference=dry, rate_hz=RATE_HZ)
    assert found.delay_s * RATE_HZ == pytest.approx(delay, abs=0.01)
    assert found.polarity == (polarity,)
    assert found.gain_db[0] == pytest.approx(gain_db, abs=0.05)  # the ends that moved in and out differ a little
    assert found.warnings == ()
    start = round(found.start_s * RATE_HZ)
    np.testing.assert_array_equal(found.reference[:, 0], dry[start : start + len(found.reference)])


def test_a_stepped_tone_is_found_where_it_steps():
    """0.1 rad of phase at 1 kHz is 0.1 / (2 pi 1000) s of delay; any period more fits nearly as well."""
    time = np.arange(9600) / RATE_HZ
    level = np.where(time < 0.1, 0.1, 1.0)
    dry, wet = level * np.sin(2 * np.pi * 1000 * time), 0.4 * level * np.sin(2 * np.pi * 1000 * time - 0.1)
    assert "ambiguous" in in_step(wet, reference=dry, rate_hz=RATE_HZ).warnings[0]
    found = in_step(wet, reference=dry, rate_hz=RATE_HZ, max_lag_s=0.4e-3)
    assert found.warnings == ()
    # blocks across the step are off by 0.2 samples
    assert found.delay_s * RATE_HZ == pytest.approx(0.1 / (2 * np.pi * 1000) * RATE_HZ, abs=0.05)


def test_a_delay_beyond_the_limit_is_flagged():
    """Low-pass noise, so that a lag limit of 5 samples still correlates with a delay of 7."""
    low = dsp.sosfilt(dsp.butter(2, 800, fs=RATE_HZ, output="sos"), programme(7))
    found = in_step(np.roll(low, 7), reference=low, rate_hz=RATE_HZ, max_lag_s=5 / RATE_HZ)
    assert any("limit of the search" in warning for warning in found.warnings)
