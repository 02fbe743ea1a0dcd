"""Where recordings lie to a model, and which way round their files are."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from fetsim.errors import InputError
from fetsim.schematic.load import load_unit
from fetsim.studies.observed.captures import recording_of
from fetsim.studies.observed.heard import brought
from fetsim.studies.observed.observations import Observations, Recording
from fetsim.studies.observed.order import check_order, left_db
from fetsim.studies.observed.predict import predict

RATE_HZ = 48000.0
RNG = np.random.default_rng(4)


def bursts(seconds: float) -> np.ndarray:
    """Noise whose level jumps between -34 and -14 dBFS eight times a second."""
    at = np.arange(round(seconds * RATE_HZ))
    return np.asarray(0.02 * RNG.normal(size=len(at)) * np.where(at * 16.0 / RATE_HZ % 2.0 < 1.0, 1.0, 10.0))


def test_files_that_are_swapped_are_told_by_the_unit_itself() -> None:
    dry = bursts(1.0)
    unit = load_unit("teaching")
    played = Observations(unit=unit, recordings=(Recording(dry=dry, wet=dry, rate_hz=RATE_HZ),))
    (found,) = predict(played, [{}], quality="draft", workers=1, keep=False)
    wet = 0.3 * np.asarray(found.outputs[0], dtype=np.float64)
    right = Recording(dry=dry, wet=wet + 1e-4 * RNG.normal(size=len(wet)), rate_hz=RATE_HZ)
    check_order(played, right, brought(right, wet), 1)
    swapped = Recording(dry=right.wet, wet=dry, rate_hz=RATE_HZ, name="box.wav")
    (model,) = predict(Observations(unit=unit, recordings=(swapped,)), [{}], quality="draft", workers=1, keep=False)
    step = brought(swapped, np.asarray(model.outputs[0], dtype=np.float64))
    with pytest.raises(InputError, match=r"^box\.wav: looks like what went into the unit"):
        check_order(played, swapped, step, 1)


def test_a_recording_lies_as_the_dry_sound_says_where_the_model_is_of_no_help() -> None:
    """The model gives nothing but its own noise, as a broken one may; the unit turns the polarity round."""
    dry = bursts(1.0)
    recording = Recording(dry=dry, wet=np.concatenate([np.zeros(700), -0.5 * dry]), rate_hz=RATE_HZ)
    model = RNG.normal(size=len(dry)) - 0.2 * dry / np.std(dry)
    found = brought(recording, model)
    assert found.delay_s * RATE_HZ == pytest.approx(700.0, abs=0.05)
    assert float(found.recording[:, 0] @ found.reference[:, 0]) > 0.0 and found.polarity == (1,)
    longer = bursts(2.0)
    with pytest.raises(InputError, match=r"covers 0\.25 s of the 2 s of dry; is it cut short\?"):
        brought(Recording(dry=longer, wet=longer[:12000], rate_hz=RATE_HZ), longer)


def test_what_is_left_is_that_at_the_best_level() -> None:
    one, other = np.array([1.0, 0.0]), np.array([3.0, 4.0])
    assert left_db(one, other) == pytest.approx(10.0 * np.log10(1.0 - 0.6**2))


def test_what_a_converter_adds_to_the_mean_is_no_difference(tmp_path: Path) -> None:
    dry = bursts(1.0)
    for name, samples in (("dry.wav", dry), ("wet.wav", 0.3 + 0.5 * np.tanh(3.0 * dry))):
        soundfile.write(tmp_path / name, samples, round(RATE_HZ), subtype="FLOAT")
    found = recording_of(tmp_path / "dry.wav", tmp_path / "wet.wav", load_unit("teaching"))
    assert abs(float(np.mean(found.wet))) < 1e-9


def test_the_same_recording_counts_once_and_its_gaps_are_told(tmp_path: Path) -> None:
    dry, unit = bursts(1.0), load_unit("teaching")
    wet = 0.3 * np.tanh(10.0 * dry)
    wet[30_000:30_480] = 0.0
    soundfile.write(tmp_path / "in.wav", dry, 48000, subtype="FLOAT")
    soundfile.write(tmp_path / "out.wav", wet, 48000, subtype="FLOAT")
    found = recording_of(tmp_path / "in.wav", tmp_path / "out.wav", unit)
    assert "out.wav: stands still at 0.625 s (10 ms)" in found.warnings[0]
    with pytest.raises(InputError, match=r"are one recording; give it once"):
        Observations(unit=unit, recordings=(found, found))
