"""Tapers of potentiometers, as attenuation."""

from itertools import pairwise
from math import log10

import pytest

from fetsim.schematic.taper import TAPERS


def test_audio_taper_is_16_48_db_down_at_half_rotation():
    # 15 % of the track, common practice, no source; 20 lg 0.15 = -16.48 dB
    assert 20.0 * log10(TAPERS["audio"](0.5)) == pytest.approx(-16.478, abs=5e-4)


def test_log_taper_at_half_rotation():
    # (e^1.5 - 1)/(e^3 - 1) = 1/(e^1.5 + 1) = 0.18243
    assert TAPERS["log"](0.5) == pytest.approx(0.182426, abs=1e-6)


@pytest.mark.parametrize("name", TAPERS)
def test_every_taper_rises_over_the_whole_track(name):
    values = [TAPERS[name](step / 200) for step in range(201)]
    assert values[0] == pytest.approx(0.0, abs=1e-15)
    assert values[-1] == pytest.approx(1.0, abs=1e-15)
    assert all(low < high for low, high in pairwise(values))


@pytest.mark.parametrize("name", ["log", "audio"])
def test_reverse_taper_is_the_taper_seen_from_the_other_end(name):
    for step in range(11):
        assert TAPERS[f"reverse-{name}"](step / 10) == pytest.approx(
            1.0 - TAPERS[name](1.0 - step / 10), abs=1e-15
        )
