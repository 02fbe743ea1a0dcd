"""Attack and release figures on gain traces whose times are known in closed form."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fetsim.errors import InputError
from fetsim.measurements.timing.analysis import find_step, step_timing
from fetsim.measurements.traces.envelope import level_envelope, local_gain


def exponential_step(*, rate_hz, step_s, length_s, change_db, tau_s, before_db=0.0):
    """Gain in dB that leaves `before_db` at `step_s` as one exponential."""
    time = np.arange(round(length_s * rate_hz)) / rate_hz
    late = np.maximum(time - step_s, 0.0)
    return before_db + change_db * (1.0 - np.exp(-late / tau_s))


@pytest.mark.parametrize(
    ("tau_s", "rate_hz"),
    [
        (40e-6, 768e3),
        (250e-6, 192e3),
        (1e-3, 96e3),
        (0.08, 4e3),
        (1.2, 400.0),
    ],  # 40 us: fastest attack in use
)
def test_every_definition_of_one_exponential(tau_s, rate_hz):
    """Closed forms: 63 % = tau, 90 % = 2.3026 tau, 10-90 % = 2.1972 tau, band b of D dB = tau ln(D / b)."""
    step_s = 3.0 * tau_s
    gain = exponential_step(
        rate_hz=rate_hz, step_s=step_s, length_s=15 * tau_s, change_db=-18.75, tau_s=tau_s
    )
    found = step_timing(gain, rate_hz=rate_hz, step_s=step_s)
    assert found.kind == "attack"
    # 12 tau after the step the rest is 6e-6; the chord between samples bends it by (sample / tau)^2 / 8
    close = pytest.approx
    assert found.change_db == close(-18.75, abs=0.01)
    assert found.t63_s == close(tau_s, rel=2e-3)
    assert found.t90_s == close(2.302585 * tau_s, rel=2e-3)
    assert found.t10_90_s == close(2.197225 * tau_s, rel=2e-3)
    # 25 dB at ratio 4: D = 18.75 dB, the 2 dB band (after IEC 60118-2, from memory) is met at 2.238 tau
    assert found.within_2db_s == close(2.238 * tau_s, rel=2e-3)
    assert found.within_3db_s == close(np.log(18.75 / 3.0) * tau_s, rel=2e-3)
    assert found.within_4db_s is None and found.reasons["within_4db_s"].cause == "not defined"
    assert found.tau_s == close(tau_s, rel=2e-3)
    assert found.slow_tau_s is None and "one exponential" in found.reasons["slow_tau_s"].text


@pytest.mark.parametrize("excursion_db", [6.0, 10.0, 20.0, 25.0, 35.0])
def test_bands_against_the_table_of_logarithms(excursion_db):
    """Settling into 2, 3 and 4 dB in units of tau: natural logarithm of excursion over band (closed form)."""
    table = {  # computed by hand calculator to three places
        6.0: (1.099, 0.693, 0.405),
        10.0: (1.609, 1.204, 0.916),
        20.0: (2.303, 1.897, 1.609),
        25.0: (2.526, 2.120, 1.833),
        35.0: (2.862, 2.457, 2.169),
    }
    trace = dict(rate_hz=50e3, step_s=0.02, length_s=0.14, tau_s=0.01)
    attack = step_timing(exponential_step(change_db=-excursion_db, **trace), rate_hz=50e3, step_s=0.02)
    release = step_timing(exponential_step(change_db=excursion_db, **trace), rate_hz=50e3, step_s=0.02)
    two, three, four = table[excursion_db]
    assert attack.within_2db_s == pytest.approx(0.01 * two, abs=1e-5)
    assert attack.within_3db_s == pytest.approx(0.01 * three, abs=1e-5)
    assert release.within_4db_s == pytest.approx(0.01 * four, abs=1e-5)
    assert release.kind == "release" and release.within_3db_s is None


@settings(max_examples=15, deadline=None)
@given(
    tau_ms=st.floats(0.5, 50.0),
    change_db=st.floats(1.0, 40.0),
    rising=st.booleans(),
    before_db=st.floats(-30.0, 30.0),
    samples_per_tau=st.integers(12, 60),
)
def test_time_constant_is_found_whatever_the_size_and_the_sign(
    tau_ms, change_db, rising, before_db, samples_per_tau
):
    tau_s = 1e-3 * tau_ms
    rate_hz = samples_per_tau / tau_s
    gain = exponential_step(
        rate_hz=rate_hz,
        step_s=2.0 * tau_s,
        length_s=12.0 * tau_s,
        change_db=change_db if rising else -change_db,
        tau_s=tau_s,
        before_db=before_db,
    )
    found = step_timing(gain, rate_hz=rate_hz, step_s=2.0 * tau_s)
    assert found.kind == ("release" if rising else "attack")
    assert found.t63_s == pytest.approx(tau_s, rel=5e-3)
    assert found.tau_s == pytest.approx(tau_s, rel=5e-3)


def test_step_is_found_when_it_is_not_given():
    gain = exponential_step(rate_hz=96e3, step_s=0.05, length_s=0.1, change_db=-9.0, tau_s=2e-3)
    found = step_timing(gain, rate_hz=96e3)
    assert found.step_s == pytest.approx(0.05, abs=0.02 * 2e-3)  # late by 1 % of tau by construction
    assert found.t63_s == pytest.approx(2e-3, rel=0.02)


def test_step_of_the_input_is_found_from_its_level():
    time = np.arange(24_000) / 48e3
    tone = np.where(time < 0.2031, 0.1, 1.0) * np.sin(2 * np.pi * 1000 * time)
    level = level_envelope(tone, rate_hz=48e3, window_s=0.004).level_db
    # the tone's own half cycles move the middle of the power by a fraction of a period
    assert find_step(level, rate_hz=48e3) == pytest.approx(0.2031, abs=0.25e-3)
    with pytest.raises(InputError, match="no step"):
        find_step(level[:8000], rate_hz=48e3)


@pytest.mark.parametrize("share", [0.3, 0.5, 0.7])
@pytest.mark.parametrize("noise_db", [0.0, 0.05])
def test_two_stage_release_is_told_from_one_stage(share, noise_db, rng):
    """Sum of two exponentials in dB, 80 ms and 1.2 s (synthetic; exact constants)."""
    time = np.arange(11_000) / 1e3
    late = np.maximum(time - 0.5, 0.0)
    gain = -12.0 * ((1 - share) * np.exp(-late / 0.08) + share * np.exp(-late / 1.2))
    tenth_s = np.interp(-10.8, gain[500:], late[500:])
    slow, fast = share * np.exp(-tenth_s / 1.2), (1 - share) * np.exp(-tenth_s / 0.08)
    gain += noise_db * rng.standard_normal(gain.size)
    found = step_timing(gain, rate_hz=1e3, step_s=0.5)
    # 0.05 dB of noise on 12 dB: the constants come out to a per cent or two
    assert found.tau_s == pytest.approx(0.08, rel=0.05)
    assert found.slow_tau_s == pytest.approx(1.2, rel=0.05)
    assert found.slow_share == pytest.approx(slow / (slow + fast), abs=0.01)


def test_noise_alone_does_not_make_a_second_stage(rng):
    for _ in range(10):
        gain = exponential_step(rate_hz=1e3, step_s=0.5, length_s=3.0, change_db=8.0, tau_s=0.2)
        found = step_timing(gain + 0.1 * rng.standard_normal(gain.size), rate_hz=1e3, step_s=0.5)
        assert found.slow_tau_s is None
        assert found.tau_s == pytest.approx(0.2, rel=0.05)


def test_small_slow_stage_does_not_bend_the_fast_one():
    """5 % of the change has 1 s, the rest 20 ms: one exponential alone would read 21.6 ms."""
    late = np.maximum(np.arange(12_000) / 1e3 - 0.5, 0.0)
    gain = -20.0 * (0.95 * np.exp(-late / 0.02) + 0.05 * np.exp(-late / 1.0))
    found = step_timing(gain, rate_hz=1e3, step_s=0.5)
    assert found.tau_s == pytest.approx(0.02, rel=0.01)
    assert found.slow_tau_s == pytest.approx(1.0, rel=0.01)


def test_slow_start_is_not_taken_for_two_stages():
    """Two coincident poles, (1 + t/T) exp(-t/T): two fitted exponentials pull opposite ways."""
    late = np.maximum(np.arange(3000) / 1e3 - 0.5, 0.0)
    gain = -10.0 * (1 + late / 0.1) * np.exp(-late / 0.1)
    found = step_timing(gain, rate_hz=1e3, step_s=0.5)
    assert found.slow_tau_s is None and found.slow_share is None
    # t63 solves (1 + u) exp(-u) = exp(-1): u = 2.1462
    assert found.t63_s == pytest.approx(0.21462, rel=1e-3)


def test_passing_roughness_does_not_make_a_second_stage():
    """Roughness only while the gain moves, none in the tails: only the evidence can refuse two stages."""
    late = np.maximum(np.arange(600) / 1e3 - 0.2, 0.0)
    for seed in range(12):
        rough = np.random.default_rng(seed).standard_normal(late.size) * (late > 0.0) * (late < 0.1)
        found = step_timing(-10.0 * np.exp(-late / 0.05) + 0.25 * rough, rate_hz=1e3, step_s=0.2)
        assert found.slow_tau_s is None


def test_two_close_constants_are_not_told_apart():
    time = np.arange(3000) / 1e3
    late = np.maximum(time - 0.5, 0.0)
    gain = -10.0 * (0.5 * np.exp(-late / 0.1) + 0.5 * np.exp(-late / 0.13))
    found = step_timing(gain, rate_hz=1e3, step_s=0.5)
    assert found.slow_tau_s is None
    assert 0.1 < found.tau_s < 0.13


@pytest.mark.parametrize("seed", range(5))
def test_noise_does_not_pull_the_crossings(seed):
    """0.1 dB rms of noise on 12 dB; a plain first crossing of 90 % comes 4 to 10 % early here."""
    noise = 0.1 * np.random.default_rng(seed).standard_normal(48_000)
    gain = exponential_step(rate_hz=48e3, step_s=0.2, length_s=1.0, change_db=-12.0, tau_s=0.05) + noise
    found = step_timing(gain, rate_hz=48e3, step_s=0.2)
    assert found.t63_s == pytest.approx(0.05, rel=0.02)
    assert found.t90_s == pytest.approx(2.3026 * 0.05, rel=0.02)
    assert found.within_2db_s == pytest.approx(np.log(6.0) * 0.05, rel=0.02)


def test_overshoot_beyond_the_band_counts_as_unsettled():
    """Under-damped second-order step, 30 dB: leaves the 2 dB band again by overshooting (closed form)."""
    time = np.arange(60_000) / 100e3
    late = np.maximum(time - 0.1, 0.0)
    decay, swing = 40.0, 100.0
    rest = np.exp(-decay * late) * (np.cos(swing * late) + decay / swing * np.sin(swing * late))
    gain = -30.0 * (1.0 - rest)
    found = step_timing(gain, rate_hz=100e3, step_s=0.1)
    outside = late[np.abs(30.0 * rest) > 2.0]
    assert np.min(rest) * 30.0 < -2.0  # it does overshoot the band
    assert found.within_2db_s == pytest.approx(outside[-1], abs=2e-5)
    assert found.tau_s is None and "not exponential" in found.reasons["tau_s"].text


class TestNeverAWrongNumber:
    """Where a definition has no answer there is None and a sentence."""

    FIGURES = ("t63_s", "t90_s", "t10_90_s", "within_2db_s", "within_3db_s", "within_4db_s", "tau_s")

    def assert_nothing(self, found, *words):
        for name in self.FIGURES:
            assert getattr(found, name) is None
            for word in words:
                assert word in found.reasons[name].text

    def test_no_gain_reduction(self):
        found = step_timing(np.zeros(1000), rate_hz=1e3, step_s=0.5)
        self.assert_nothing(found, "no gain reduction")
        assert found.kind == "none" and found.change_db == 0.0

    def test_no_gain_reduction_and_no_step_given(self, rng):
        self.assert_nothing(step_timing(0.001 * rng.standard_normal(1000), rate_hz=1e3), "no change of gain")

    def test_below_threshold_with_noise(self, rng):
        gain = 0.05 * rng.standard_normal(4000)
        self.assert_nothing(step_timing(gain, rate_hz=1e3, step_s=2.0), "no gain reduction")

    def test_step_too_small_for_the_bands(self):
        gain = exponential_step(rate_hz=1e3, step_s=0.5, length_s=2.0, change_db=-1.5, tau_s=0.05)
        found = step_timing(gain, rate_hz=1e3, step_s=0.5)
        assert found.t63_s == pytest.approx(0.05, rel=0.01)
        assert found.within_2db_s is None and found.reasons["within_2db_s"].cause == "nothing to measure"
        assert found.within_3db_s is None

    def test_capture_too_short_to_settle(self):
        gain = exponential_step(rate_hz=1e3, step_s=0.5, length_s=1.5, change_db=10.0, tau_s=0.5)
        found = step_timing(gain, rate_hz=1e3, step_s=0.5)
        assert found.t63_s is None and found.reasons["t63_s"].cause == "too short"
        assert found.gain_after_db is None
        assert found.tau_s == pytest.approx(0.5, rel=0.01)  # the fit leaves the final value free
        known = step_timing(gain, rate_hz=1e3, step_s=0.5, gain_after_db=10.0)
        assert known.t63_s == pytest.approx(0.5, rel=0.01)
        assert known.t90_s is None and known.reasons["t90_s"].cause == "too short"  # 1.15 s, capture has 1.0

    def test_capture_shorter_than_the_time_constant(self):
        gain = exponential_step(rate_hz=1e3, step_s=0.5, length_s=1.0, change_db=10.0, tau_s=2.0)
        found = step_timing(gain, rate_hz=1e3, step_s=0.5)
        assert found.tau_s is None and found.reasons["tau_s"].cause == "too short"

    def test_gain_already_moving_before_the_step(self):
        gain = exponential_step(rate_hz=1e3, step_s=0.2, length_s=4.0, change_db=-10.0, tau_s=0.5)
        self.assert_nothing(step_timing(gain, rate_hz=1e3, step_s=0.4), "before the step")

    def test_nothing_before_or_after_the_step(self):
        gain = exponential_step(rate_hz=1e3, step_s=0.0, length_s=1.0, change_db=-10.0, tau_s=0.05)
        self.assert_nothing(step_timing(gain, rate_hz=1e3, step_s=0.0), "before the step")
        self.assert_nothing(step_timing(gain, rate_hz=1e3, step_s=0.997), "after the step")

    def test_attack_faster_than_the_trace(self):
        """40 us at 48 kHz is two samples: not timed."""
        gain = exponential_step(rate_hz=48e3, step_s=0.1, length_s=0.2, change_db=-10.0, tau_s=40e-6)
        found = step_timing(gain, rate_hz=48e3, step_s=0.1)
        assert found.t63_s is None and found.reasons["t63_s"].cause == "too coarse"

    def test_too_restless_for_the_definition(self, rng):
        gain = exponential_step(rate_hz=1e3, step_s=0.5, length_s=2.0, change_db=-3.0, tau_s=0.05)
        found = step_timing(gain + 0.3 * rng.standard_normal(gain.size), rate_hz=1e3, step_s=0.5)
        assert found.t63_s is not None
        assert found.t90_s is None and found.reasons["t90_s"].cause == "unsteady"

    def test_gap_at_the_crossing(self):
        gain = exponential_step(rate_hz=1e3, step_s=0.5, length_s=2.0, change_db=-10.0, tau_s=0.05)
        gain[520:600] = np.nan
        found = step_timing(gain, rate_hz=1e3, step_s=0.5)
        assert found.t63_s is None and "gap" in found.reasons["t63_s"].text

    @pytest.mark.parametrize(
        ("gain", "options", "words"),
        [
            (np.zeros(8), {}, "16 are needed"),
            (np.zeros((2, 50)), {}, "one channel"),
            (np.full(50, np.nan), {}, "hold a reading"),
            (np.full(50, np.inf), {}, "infinite"),
            (np.zeros(50), {"step_s": 7.0}, "outside the trace"),
            (np.zeros(50), {"rate_hz": 0.0}, "above zero"),
        ],
    )
    def test_unusable_input(self, gain, options, words):
        with pytest.raises(InputError, match=words):
            step_timing(gain, **{"rate_hz": 1e3, **options})


@pytest.mark.parametrize("tone_hz", [1000.0, 5000.0])
@pytest.mark.parametrize("phase_rad", [0.0, 0.7, 2.2])
def test_40_us_attack_from_waveforms(tone_hz, phase_rad):
    """Dry and wet of a tone stepped by 10 dB, gain -9 dB by exp(-t / 40 us): from waveform to attack time."""
    rate_hz, step_s, tau_s = 768e3, 4e-3, 40e-6
    gain = exponential_step(rate_hz=rate_hz, step_s=step_s, length_s=8e-3, change_db=-9.0, tau_s=tau_s)
    time = np.arange(gain.size) / rate_hz
    dry = np.where(time < step_s, 0.1, 0.316) * np.sin(2 * np.pi * tone_hz * time + phase_rad)
    trace = local_gain(dry * 10 ** (gain / 20), dry=dry, rate_hz=rate_hz, window_s=30e-6, breaks_s=[step_s])
    found = step_timing(trace.gain_db, rate_hz=rate_hz, step_s=step_s)
    assert found.t63_s == pytest.approx(tau_s, rel=0.01)
    assert found.tau_s == pytest.approx(tau_s, rel=0.01)
    assert found.within_2db_s == pytest.approx(tau_s * np.log(9.0 / 2.0), rel=0.01)


def test_feedback_shortens_the_attack_by_the_ratio():
    """One-pole smoothing inside a feedback loop: tau_eff = tau / R (Giannoulis et al. 2012, re-derived)."""
    rate_hz, tau_s, ratio, threshold_db = 20e3, 0.1, 4.0, -20.0
    input_db = np.where(np.arange(12_000) < 2_000, threshold_db, threshold_db + 10.0)
    gain = np.zeros(input_db.size)
    move = 1.0 - np.exp(-1.0 / (rate_hz * tau_s))
    for n in range(1, gain.size):
        output_db = input_db[n] + gain[n - 1]
        gain[n] = gain[n - 1] + move * ((1.0 - ratio) * max(output_db - threshold_db, 0.0) - gain[n - 1])
    found = step_timing(gain, rate_hz=rate_hz, step_s=0.1)
    assert found.change_db == pytest.approx(-7.5, abs=1e-3)
    assert found.tau_s == pytest.approx(tau_s / ratio, rel=0.005)  # forward Euler at 20 kHz: 0.2 %
    assert found.t63_s == pytest.approx(tau_s / ratio, rel=0.005)
