"""Attack and release from a recorded pair: renders of a burst, and what a bench recording can be spoilt by."""

import numpy as np
import pytest

from fetsim.audio.levels import dbu_to_rms_v, full_scale_peak_v
from fetsim.audio.render import render
from fetsim.errors import InputError
from fetsim.measurements.capture.procedure import measure_capture
from fetsim.measurements.timing.procedure import measure_timing
from fetsim.measurements.traces.instants import shifted
from fetsim.schematic.load import load_unit

RATE_HZ = 96000.0
FREQUENCY_HZ = 5000.0
LOW_DBU, HIGH_DBU = -14.0, 0.0
UP_S, DOWN_S, END_S = 0.05, 0.3, 1.1  # a release ends slowly, without a corner
UNIT = load_unit("dunlin").changed({"P3.fraction": 1.0, "P4.fraction": 0.0})
FIGURES = ("t63_s", "t90_s", "within_2db_s")


def burst():
    time = np.arange(round(END_S * RATE_HZ)) / RATE_HZ
    level = np.where((time >= UP_S) & (time < DOWN_S), HIGH_DBU, LOW_DBU)
    peak = np.array([dbu_to_rms_v(one) for one in level]) * np.sqrt(2.0) / full_scale_peak_v(UNIT.full_scale_dbu)
    return peak * np.sin(2.0 * np.pi * FREQUENCY_HZ * time)


DRY = burst()


@pytest.fixture(scope="module")
def wet():
    return render(DRY, RATE_HZ, unit=UNIT).output


@pytest.fixture(scope="module")
def clean(wet):
    return captured(wet)


def captured(wet, dry=DRY, **more):
    return measure_capture(dry, wet, dry_rate_hz=RATE_HZ, wet_rate_hz=RATE_HZ, **more)


def test_agrees_with_the_direct_measurement(clean):
    """Waveforms of a sound file against the channel's conductance inside the simulation."""
    direct = measure_timing(UNIT, before_dbu=LOW_DBU, level_dbu=HIGH_DBU, phases=1).settings[0]
    for step, answer in zip(clean.steps, (direct.attack, direct.release), strict=True):
        assert step.timing.kind == answer.kind
        change_db = abs(answer.reduction_after_db - answer.reduction_before_db)
        assert abs(step.timing.change_db) == pytest.approx(change_db, abs=0.06)
        for figure in FIGURES:
            # the gain moves in steps of 100 us, and the last 0.05 dB of either way take longer than the recording
            expected = pytest.approx(answer.spreads[figure].at_zero, rel=0.03, abs=150e-6)
            assert getattr(step.timing, figure) == expected


def test_steps_where_they_were_made(clean):
    assert [step.at_s for step in clean.steps] == pytest.approx([UP_S, DOWN_S], abs=20e-6)
    assert [step.to_db - step.from_db for step in clean.steps] == pytest.approx([14.0, -14.0], abs=0.02)
    assert clean.frequency_hz == pytest.approx(FREQUENCY_HZ, rel=1e-6)
    assert clean.polarity == 1 and clean.warnings == ()
    assert 0.0 < clean.delay_s < 10e-6  # the unit's own phase at 5 kHz


def same(found, clean, tolerance):
    for step, other in zip(found.steps, clean.steps, strict=True):
        assert step.timing.kind == other.timing.kind
        for figure in FIGURES:
            assert getattr(step.timing, figure) == pytest.approx(getattr(other.timing, figure), rel=tolerance)


@pytest.mark.parametrize("polarity", [1.0, -1.0])
@pytest.mark.parametrize("delay_samples", [37.4, 1234.7])
def test_delayed_and_upside_down(wet, clean, delay_samples, polarity):
    """Of a tone any delay off by half cycles would fit as well; the first step upwards settles which one it is."""
    moved = shifted(np.concatenate([wet, np.zeros(2000)]), delay_samples=delay_samples)
    found = captured(0.3 * polarity * moved)
    assert found.polarity == polarity
    assert (found.delay_s - clean.delay_s) * RATE_HZ == pytest.approx(delay_samples, abs=0.02)
    same(found, clean, 0.005)


def test_wet_recorder_started_late(wet, clean):
    """Negative delay: the wet recording lacks the first 20 ms."""
    found = captured(wet[1920:])
    assert (found.delay_s - clean.delay_s) * RATE_HZ == pytest.approx(-1920.0, abs=0.02)
    assert [step.at_s for step in found.steps] == pytest.approx([UP_S, DOWN_S], abs=20e-6)
    same(found, clean, 0.02)


def test_noisy(wet, clean, rng):
    """50 dB under the low level: 0.04 dB of unrest."""
    noise = rng.normal(0.0, 10 ** (-50 / 20) * np.std(wet[: round(UP_S * RATE_HZ)]), wet.size)
    same(captured(wet + noise), clean, 0.08)


def test_clipped_is_told(wet):
    limit = 0.9 * np.max(np.abs(wet))
    found = captured(np.clip(wet, -limit, limit))
    assert any("wet is clipped at" in text for text in found.warnings)


def test_too_short_to_settle(wet):
    """The capture ends 20 ms after the release began, a third of the way."""
    stop = round((DOWN_S + 0.02) * RATE_HZ)
    attack, release = captured(wet[:stop], DRY[:stop]).steps
    assert attack.timing.t63_s is not None
    assert release.timing.t63_s is None and "record longer" in release.timing.reasons["t63_s"].text


def test_no_gain_reduction(clean):
    found = captured(0.5 * DRY)
    assert [step.timing.kind for step in found.steps] == ["none", "none"]
    assert "no gain reduction to time" in found.steps[0].timing.reasons["t63_s"].text


@pytest.mark.parametrize(
    ("dry", "wet", "message"),
    [
        (DRY, DRY[:100], "at least 256 are needed"),
        (DRY, np.zeros_like(DRY), "wet: is silent"),
        (np.sin(np.arange(20000.0)), 0.5 * np.sin(np.arange(20000.0)), "holds no step of 3 dB"),
    ],
)
def test_unusable_pairs(dry, wet, message):
    with pytest.raises(InputError, match=message):
        captured(wet, dry)


def test_other_rate(wet):
    with pytest.raises(InputError, match="wet: its rate is 48000 Hz, dry has 96000 Hz"):
        measure_capture(DRY, wet, dry_rate_hz=RATE_HZ, wet_rate_hz=48000.0)


def test_rate_labelled_wrongly(wet):
    """Taken at 96 kHz but every other sample lost: the tone is an octave off, so nothing correlates."""
    with pytest.raises(InputError, match="wet: does not resemble what was played"):
        captured(wet[::2])


def test_unrelated_material(rng):
    with pytest.raises(InputError, match="wet: does not resemble what was played"):
        captured(rng.normal(0.0, 0.1, DRY.size))
