"""A recording beside builds, one of which turns the sound upside down. Arrays only."""

import numpy as np
import pytest
from scipy import signal

from fetsim.studies.observed.observations import Recording
from fetsim.studies.suspects.recorded import heard

RATE_HZ, SECONDS, QUIET = 48000.0, 2.0, 48000


def sounds(count: int) -> list[np.ndarray]:
    """Noise that comes and goes, a second of silence before it and two behind it."""
    rng = np.random.default_rng(7)
    envelope = np.repeat(rng.uniform(0.02, 0.2, round(20 * SECONDS)), round(RATE_HZ / 20))
    edges = (QUIET, 2 * QUIET)
    low = signal.butter(4, 5000.0, fs=RATE_HZ, output="sos")
    return [signal.sosfilt(low, np.pad(rng.normal(size=len(envelope)) * envelope, edges)) for _ in range(count)]


def test_whether_a_recording_is_upside_down_is_told_beside_each_build() -> None:
    drawn, fault, wrong = sounds(3)
    turned = -(drawn + 0.3 * fault)  # what a fault makes of it
    real = drawn + 0.3 * fault + 0.01 * wrong
    rng = np.random.default_rng(8)
    wet = -0.5 * (real + 1e-5 * rng.normal(size=len(real)))
    recording = Recording(dry=drawn, wet=wet, rate_hz=RATE_HZ)
    here = heard(recording, drawn, turned)
    assert here.wet @ here.model > 0.0 and here.gain == pytest.approx(-0.5, rel=0.01)
    assert here.level(here.cut(turned) - here.model) == pytest.approx(-1.0, rel=0.01)
    there = heard(recording, turned, near=here)
    assert there.wet @ there.model > 0.0 and there.gain == pytest.approx(0.5, rel=0.01)
    left, found = here.look.rows(0.01 * here.cut(wrong)), here.rows_of(there)
    assert found @ left / np.sqrt((left @ left) * (found @ found)) == pytest.approx(1.0, abs=0.02)
