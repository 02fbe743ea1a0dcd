"""A recording of the real unit as a version of a comparison."""

import numpy as np
import pytest
import soundfile
import soxr
from scipy import signal as dsp

from fetsim.audio.render import render
from fetsim.errors import InputError
from fetsim.measurements.results.missing import Missing
from fetsim.report.pages.compare.words import _version_words
from fetsim.schematic.load import load_unit
from fetsim.studies.compare.study import compare

RATE_HZ, NOISE = 48_000, 1e-5


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """Bursts of coloured noise that work the loop, and the teaching unit with a larger capacitor as the real one."""
    folder, chance = tmp_path_factory.mktemp("real"), np.random.default_rng(3)
    level = np.repeat([0.0, 0.004, 0.05, 0.004, 0.02, 0.004, 0.04, 0.004], RATE_HZ // 2)
    slow = dsp.butter(6, 1500.0, fs=RATE_HZ, output="sos")  # rate conversion ends at 20 kHz
    played = level * 3.0 * dsp.sosfilt(slow, chance.standard_normal(level.size))
    soundfile.write(folder / "in.wav", played, RATE_HZ, subtype="FLOAT")
    real = load_unit("teaching").changed(C2="220n")
    given = render(played, RATE_HZ, unit=real, quality="draft").output
    late = np.concatenate([np.zeros(3217), given, np.zeros(2000)])
    heard = -0.3 * soxr.resample(late, 1.0, 1.0 + 20e-6, quality="VHQ")
    soundfile.write(
        folder / "box.wav", heard + NOISE * chance.standard_normal(heard.size), RATE_HZ, subtype="FLOAT"
    )
    return folder


def test_a_recording_stands_beside_the_versions_in_step_and_at_their_level(files):
    """Late, upside down, 10 dB softer, on another clock: against the unit that it is only its noise is left."""
    found = compare(
        files / "in.wav", {"guess": {}}, unit=load_unit("teaching").changed(C2="220n"), quality="draft",
        recordings={"the box": files / "box.wav"}, folder=files / "same", match="rms",
    )  # fmt: skip
    box = found.versions[2]
    assert box.label == "the box"
    assert box.changes == (("recording", "none", "box.wav"),)
    assert box.loudness.match_gain_db == pytest.approx(20.0 * np.log10(1.0 / 0.3), abs=0.01)
    rms = 10.0 ** (found.versions[0].loudness.rms_dbfs / 20.0) / np.sqrt(2.0)
    noise_db = 20.0 * np.log10(NOISE / 0.3 / rms)
    assert box.difference.level_db == pytest.approx(noise_db, abs=3.0), noise_db
    assert "67.02" in box.cautions[0]
    assert "upside down" in box.cautions[0]
    first = found.versions[0].activity
    loud = first.gain_reduction_mean_db > 1.0
    np.testing.assert_allclose(box.activity.gain_reduction_mean_db[loud], first.gain_reduction_mean_db[loud], atol=0.1)
    assert (files / "same" / box.flac_file).exists()
    assert box.figures is None


def test_gain_reduction_of_the_real_unit_is_told_from_its_gain(files):
    """The real unit's release is 220/150 as slow: what its own log says, within 0.5 dB where both are at work."""
    real = load_unit("teaching").changed(C2="220n")
    truth = compare(files / "in.wav", {"x": {}}, unit=real, quality="draft", folder=files / "truth")
    found = compare(
        files / "in.wav", {}, unit="teaching", quality="draft", recordings={"the box": files / "box.wav"},
        folder=files / "other",
    )  # fmt: skip
    box, wanted = found.versions[1].activity, truth.versions[0].activity
    loud = wanted.gain_reduction_mean_db > 1.0
    error = (box.gain_reduction_mean_db - wanted.gain_reduction_mean_db)[loud]
    assert np.median(np.abs(error)) < 0.5
    assert box.mean_db == pytest.approx(wanted.mean_db, abs=0.5)


def test_without_rest_in_the_simulation_no_amount_of_gain_reduction_is_told(files, tmp_path):
    """Both the table and the page leave mean and peak out; the course stays. Rest while nothing plays tells none."""
    sound, _ = soundfile.read(files / "in.wav")
    sound = sound[RATE_HZ : 2 * RATE_HZ]
    loud = 0.3 * np.sign(sound) * np.abs(sound) ** 0.05  # never quiet, so that the loop never lets go
    loud = np.concatenate([np.zeros(RATE_HZ), loud])
    soundfile.write(tmp_path / "loud.wav", loud, RATE_HZ, subtype="FLOAT")
    given = render(loud, RATE_HZ, unit=load_unit("teaching").changed(C2="220n"), quality="draft").output
    soundfile.write(tmp_path / "box.wav", 0.3 * given, RATE_HZ, subtype="FLOAT")
    found = compare(
        tmp_path / "loud.wav", {}, unit="teaching", quality="draft", recordings={"the box": tmp_path / "box.wav"},
        folder=tmp_path / "out",
    )  # fmt: skip
    assert "only how the gain reduction moves is known" in found.versions[1].cautions[0]
    first, box = ({column.key: cell for column, cell in zip(found.tables()[1].columns, row, strict=True)}
                  for row in found.tables()[1].rows)  # fmt: skip
    for key in ("peak_gain_reduction_db", "mean_gain_reduction_db"):
        assert first[key] > 1.0 and isinstance(box[key], Missing)
    assert np.isfinite(found.versions[1].activity.gain_reduction_mean_db).all()
    words = _version_words(found.versions[1])
    assert "on average" not in words["summary"] and words["reduction_now"] == "reduction now, but for a constant"
    assert _version_words(found.versions[0])["reduction_now"] == "reduction now"


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda sound: (sound[:, None] * [1.0, 1.0], RATE_HZ), "has 2 channels, 1 are played"),
        (lambda sound: (sound, 44_100), "its rate is 44100 Hz"),
        (lambda sound: (0.0 * sound, RATE_HZ), "is silent"),
        (lambda sound: (np.random.default_rng(1).standard_normal(sound.size) * 0.1, RATE_HZ), "does not resemble"),
    ],
)
def test_wrong_recordings_are_refused_and_nothing_is_written(files, tmp_path, make, says):
    sound, _ = soundfile.read(files / "box.wav")
    wrong, rate_hz = make(sound)
    soundfile.write(tmp_path / "wrong.wav", wrong, rate_hz)
    with pytest.raises(InputError, match=says):
        compare(
            files / "in.wav", {}, unit="teaching", quality="draft", recordings={"box": tmp_path / "wrong.wav"},
            folder=tmp_path / "out",
        )  # fmt: skip
    assert not (tmp_path / "out").exists()


def test_swapped_files_are_refused_as_a_fit_does(files, tmp_path):
    with pytest.raises(InputError, match=r"look swapped .* give the dry file first"):
        compare(
            files / "box.wav", {}, unit="teaching", quality="draft", recordings={"box": files / "in.wav"},
            folder=tmp_path / "out",
        )  # fmt: skip
    assert not (tmp_path / "out").exists()


def test_a_recording_with_a_gap_is_told_of(files, tmp_path):
    sound, _ = soundfile.read(files / "box.wav")
    sound[60_000:60_960] = 0.0
    soundfile.write(tmp_path / "gap.wav", sound, RATE_HZ, subtype="FLOAT")
    found = compare(
        files / "in.wav", {}, unit="teaching", quality="draft", recordings={"box": tmp_path / "gap.wav"},
        folder=tmp_path / "out",
    )  # fmt: skip
    assert "gap.wav: stands still at 1.250 s (20 ms)" in found.versions[1].cautions[0]


def test_the_dry_file_given_twice_is_refused(files, tmp_path):
    with pytest.raises(InputError, match="is the dry file again"):
        compare(
            files / "in.wav", {}, unit="teaching", quality="draft", recordings={"box": files / "in.wav"},
            folder=tmp_path / "out",
        )  # fmt: skip
