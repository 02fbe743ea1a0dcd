"""Gains that bring versions to one level, on signals whose level is known."""

import numpy as np
import pytest

from fetsim.audio.loudness import measure_levels
from fetsim.errors import InputError
from fetsim.studies.compare.matching import HIGHEST_DBTP, lowered_db, match_levels

RATE_HZ = 48000


@pytest.fixture
def music():
    """Five seconds of noise bursts of changing level; stereo."""
    rng = np.random.default_rng(7)
    t = np.arange(5 * RATE_HZ) / RATE_HZ
    return 0.05 * rng.standard_normal((len(t), 2)) * (0.1 + np.exp(-5.0 * (t % 0.5)))[:, None]


def matched(versions, wanted="auto", tonal=False):
    levels = [None if one is None else measure_levels(one, RATE_HZ) for one in versions]
    return match_levels(levels, wanted, versions[0].shape[1], lambda: tonal)


def gain(db):
    return 10 ** (db / 20)


def test_gains_are_undone_exactly(music):
    found = matched([music, music * gain(6.0), music * gain(-3.0)])
    assert found.by == "loudness"
    assert found.gains_db == pytest.approx((0.0, -6.0, 3.0), abs=1e-5)


def test_loudness_of_another_dynamic_is_matched_within_a_tenth(music):
    squashed = np.tanh(music * 20.0) / 20.0
    found = matched([music, squashed])
    before = measure_levels(music, RATE_HZ).loudness_lufs()
    after = measure_levels(squashed * gain(found.gains_db[1]), RATE_HZ).loudness_lufs()
    assert abs(found.gains_db[1]) > 1.0  # else nothing was to be done
    assert after == pytest.approx(before, abs=1e-4)


def test_loudness_is_matched_where_the_gate_moves(music):
    """Near the absolute gate a gain changes which blocks count, so the trim is not the plain difference."""
    quiet = np.concatenate([music, music * gain(-9.0)])
    quiet *= gain(-66.0 - measure_levels(quiet, RATE_HZ).loudness_lufs())
    lower = quiet * gain(-4.0)
    found = matched([quiet, lower])
    plain = measure_levels(quiet, RATE_HZ).loudness_lufs() - measure_levels(lower, RATE_HZ).loudness_lufs()
    assert abs(plain - 4.0) > 0.05
    assert found.gains_db[1] == pytest.approx(4.0, abs=1e-4)


@pytest.mark.parametrize(
    ("change", "tonal", "reason"),
    [
        (lambda x: x[: RATE_HZ // 3], False, "shorter than one gating block"),
        (lambda x: x * 1e-6, False, "gate of -70 LUFS"),
        (lambda x: np.repeat(x, 3, axis=1), False, "defined for 5 channels, this has 6"),
        (lambda x: x, True, "a tone or a few"),
    ],
)
def test_rms_where_loudness_means_nothing(music, change, tonal, reason):
    one = change(music)
    found = matched([one, one * gain(2.0)], tonal=tonal)
    assert found.by == "rms" and reason in found.reason
    assert found.gains_db[1] == pytest.approx(-2.0, abs=1e-6)
    if not tonal:
        with pytest.raises(InputError, match="loudness cannot be measured"):
            matched([one, one], "loudness")


def test_what_is_asked_for_is_done(music):
    assert matched([music, music * gain(2.0)], "none").gains_db == (0.0, 0.0)
    assert matched([music, music * gain(2.0)], "rms").gains_db[1] == pytest.approx(-2.0)
    assert matched([music, music * gain(2.0)], "loudness", tonal=True).by == "loudness"
    with pytest.raises(InputError, match="choose from auto, loudness, rms, none"):
        matched([music], "ears")


def test_what_cannot_be_matched_is_told_and_left_alone(music):
    found = matched([music, np.zeros_like(music), music * 1e-4, None])
    assert found.gains_db == (0.0, 0.0, 0.0, 0.0)
    assert "silent" in found.cautions[1] and "40 dB" in found.cautions[2] and found.cautions[3] == ""


def test_silence_matches_silence(music):
    found = matched([np.zeros_like(music), music])
    assert found.by == "rms" and found.gains_db == (0.0, 0.0) and np.isfinite(found.headroom_gain_db)


@pytest.mark.parametrize("wanted", ["auto", "none"])
def test_one_headroom_trim_for_all(music, wanted):
    """Enough for the highest true peak after matching, in steps of 0.1 dB and not one more than needed."""
    peaky = music.copy()
    peaky[1000] = 0.9
    found = matched([music, peaky], wanted)
    peaks_db = [
        20 * np.log10(measure_levels(one, RATE_HZ).true_peak) + trim
        for one, trim in zip([music, peaky], found.gains_db, strict=True)
    ]
    highest = max(peaks_db) + found.headroom_gain_db
    assert found.headroom_gain_db < 0.0 or wanted == "auto"
    assert HIGHEST_DBTP - 0.1 < highest <= HIGHEST_DBTP + 1e-9


def test_lowered_by_whole_steps():
    assert lowered_db(-1.0, -1.0) == 0.0 and str(lowered_db(-9.0, -1.0)) == "0.0"  # not -0.0
    assert lowered_db(-0.95, -1.0) == pytest.approx(-0.1)
    assert lowered_db(2.31, -1.0) == pytest.approx(-3.4)
