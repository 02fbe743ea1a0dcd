"""Gain over time and level out by level in, of sounds whose gain is known."""

import numpy as np
import pytest

from fetsim.studies.suspects.gains import gain_db, level_curve, levels_db, window_of


def test_a_gain_is_that_of_the_sound_and_none_where_nothing_goes_in() -> None:
    """A sine of 1 has a level of -3.01 dB; halved it has 6.02 dB less."""
    at = np.arange(4800)
    dry = np.sin(2.0 * np.pi * at / 48.0) * np.where(at < 2400, 1.0, 1e-4)
    levels = levels_db(dry, window_of(len(dry), 48000.0))
    assert len(levels) == 10 and levels[0] == pytest.approx(-3.0103, abs=1e-4)
    gain = gain_db(levels, levels_db(0.5 * dry, 480))
    assert gain[:5] == pytest.approx(-6.0206, abs=1e-4) and np.isnan(gain[5:]).all()


def test_the_curve_of_a_two_to_one_compressor_rises_by_half() -> None:
    dry_db = np.repeat(np.arange(-40.0, 0.5, 1.0), 5)
    into, out = level_curve(dry_db, 0.5 * dry_db)
    assert np.diff(into) == pytest.approx(2.0) and np.diff(out)[1:] == pytest.approx(1.0)  # lowest: half


def test_a_long_sound_has_no_more_windows_than_can_be_drawn() -> None:
    assert 600 * 48000 // window_of(600 * 48000, 48000.0) <= 400
