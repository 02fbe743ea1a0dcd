import numpy as np
import pytest
import soundfile

from fetsim.files.user_cache import UserCache
from fetsim.studies.compare import playing
from fetsim.studies.compare.comparison import BenchFigures

RATE_HZ = 48000
FIGURES = BenchFigures(threshold_dbu=-10.0, attack_ms=1.0, release_ms=100.0, thd_percent=0.1)


@pytest.fixture
def cache(tmp_path):
    folder = tmp_path / "cache"
    folder.mkdir()
    return UserCache(folder)


@pytest.fixture
def sound(tmp_path):
    """Writes samples [shape=(frames,) or (frames, channels)] as a float file."""

    def write(samples, name="programme.wav", rate_hz=RATE_HZ):
        path = tmp_path / name
        soundfile.write(path, samples, rate_hz, "FLOAT")
        return path

    return write


@pytest.fixture
def bursts():
    """A second and a half of bursts at changing levels, with harmonics; works the teaching loop by some 15 dB."""
    t = np.arange(round(1.5 * RATE_HZ)) / RATE_HZ
    tone = sum(np.sin(2 * np.pi * hz * t + hz) / hz for hz in (110.0, 220.0, 523.0, 1174.0, 3110.0)) * 110.0
    envelope = np.exp(-6.0 * (t % 0.25)) * (0.3 + 0.7 * (t % 0.75 > 0.25))
    return 0.12 * tone * envelope


@pytest.fixture
def without_figures(monkeypatch):
    """Leaves the bench out where it is not what is tested."""
    monkeypatch.setattr(playing, "kept_figures", lambda *_: FIGURES)
