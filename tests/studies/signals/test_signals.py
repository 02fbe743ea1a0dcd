"""The test file and what comes back of it: through a wire of known faults, and through a unit against ``measure``."""

from dataclasses import replace

import numpy as np
import pytest
import soundfile
import soxr

from fetsim.audio.levels import dbu_to_rms_v
from fetsim.audio.render import render
from fetsim.errors import InputError
from fetsim.schematic.load import load_unit
from fetsim.studies.builds.study import figures_of_builds
from fetsim.studies.observed.observations import Observations
from fetsim.studies.observed.readings import read_readings
from fetsim.studies.signals import reading
from fetsim.studies.signals.place import placed
from fetsim.studies.signals.study import read_signals, write_signals

RATE_HZ, FULL_SCALE_DBU, GAIN = 48_000, 20.0, 0.2


def interface(sound, *, delay, ppm, noise=0.0, hum=0.0, seed=1):
    """Upside down, 14 dB softer, late, on another clock, with noise and hum."""
    late = np.concatenate([np.zeros(delay), sound, np.zeros(9000)])
    heard = -GAIN * soxr.resample(late, 1.0, 1.0 + 1e-6 * ppm, quality="VHQ")
    at_s = np.arange(heard.size) / RATE_HZ
    heard += hum * np.sin(2.0 * np.pi * 50.01 * at_s)
    return heard + noise * np.random.default_rng(seed).standard_normal(heard.size)


@pytest.fixture(scope="module")
def box(tmp_path_factory):
    """A teaching unit as a real one: its file, what was recorded of it, the wire, and what it gave itself."""
    folder = tmp_path_factory.mktemp("box")
    sequence = write_signals(
        folder / "test.wav", full_scale_dbu=FULL_SCALE_DBU, lowest=-28.0, highest=-8.0, before=-29.0, level=-9.0
    )
    played = soundfile.read(folder / "test.wav")[0]
    unit = load_unit("teaching").changed(full_scale_dbu=FULL_SCALE_DBU)
    given = render(played, RATE_HZ, unit=unit, quality="draft").output
    heard = interface(given, delay=3217, ppm=30.0, noise=10.0**-5, hum=3e-5)
    soundfile.write(folder / "box.wav", heard, RATE_HZ, subtype="PCM_24")
    soundfile.write(
        folder / "wire.wav", interface(played, delay=3000, ppm=30.0, noise=1e-6, seed=2), RATE_HZ, subtype="PCM_24"
    )
    return folder, sequence, unit, given


@pytest.fixture(scope="module")
def found(box):
    folder = box[0]
    return read_signals(folder / "test.wav", folder / "box.wav", loopback=folder / "wire.wav")


def figures_of(found):
    return {one.key: one for one in found.channels[0].reading.figures}


def test_a_recorded_unit_has_the_figures_that_measure_gives(box, found):
    """Within three standard deviations, of which each figure has its own."""
    unit = box[2]
    one = found.channels[0]
    assert one.polarity == 1  # as the wire
    assert one.delay_s * RATE_HZ == pytest.approx(217.0, abs=0.02)
    assert one.clock_ppm == pytest.approx(30.0, abs=0.05)
    read = figures_of(found)
    wanted = ["gain", "threshold", "threshold_2db", "reduction@-16", "reduction@-12", "thd@-12", "release"]
    true = figures_of_builds({"": unit}, figures=wanted, before_dbu=-29.0, level_dbu=-9.0, quality="draft", workers=1)
    for key in wanted:
        slack = {"threshold": 0.005, "threshold_2db": 0.005, "release": 2e-3}.get(key, 0.0)
        assert abs(read[key].value - true.columns[key][0]) < 3.0 * read[key].accuracy + slack, key
    hum_v = 3e-5 / GAIN * dbu_to_rms_v(FULL_SCALE_DBU)
    assert one.reading.hum_dbu == pytest.approx(20.0 * np.log10(hum_v / dbu_to_rms_v(0.0)), abs=0.3)
    assert one.reading.floor.mains_hz == pytest.approx(50.01, abs=0.005)
    # white noise between 0 and 24 kHz, of which 20 Hz to 20 kHz count; the teaching unit is silent
    noise_dbu = 20.0 * np.log10(1e-5 * np.sqrt(2.0 * 20.0 / 24.0) / GAIN) + FULL_SCALE_DBU
    assert read["noise"].value == pytest.approx(noise_dbu, abs=3.0 * read["noise"].accuracy)


@pytest.mark.slow
def test_the_stated_deviations_are_those_of_repeated_noise(box, monkeypatch):
    """Of five recordings that differ in their noise alone: such a deviation is itself good to 35 %."""
    monkeypatch.setattr(reading, "_steps", lambda *_: ((), []))  # what takes longest, and is not looked at
    _, sequence, _, given = box
    keys = ("reduction@-24", "thd@-16", "noise")
    values, stated = [], []
    for seed in range(5):
        heard = given + 1e-4 * np.random.default_rng(seed).standard_normal(given.size)
        read = {one.key: one for one in reading.read_channel(heard, sequence, recorded_full_scale_dbu=20.0).figures}
        values.append([read[key].value for key in keys])
        stated.append([read[key].accuracy for key in keys])
    ratio = np.std(values, axis=0, ddof=1) / np.mean(stated, axis=0)
    assert np.all((ratio > 0.25) & (ratio < 2.0)), ratio


def test_without_a_known_level_what_needs_it_is_missing_and_says_so(box):
    _, sequence, _, given = box
    found = reading.read_channel(given, sequence, recorded_full_scale_dbu=None)
    read = {one.key: one for one in found.figures}
    assert read["gain"].value is None
    assert "record a loop-back" in read["gain"].reason
    assert read["threshold"].value is not None


def test_its_file_of_readings_is_read_back(box, found, tmp_path):
    unit = box[2]
    rows = found.readings()
    text = "\n".join([",".join(rows[0]), *(",".join(str(cell) for cell in row.values()) for row in rows)])
    (tmp_path / "box.csv").write_text(text)
    back = {one.figure.key: one for one in read_readings(tmp_path / "box.csv", unit)}
    for key in ("threshold", "release", "thd@-12"):
        assert back[key].value == pytest.approx(figures_of(found)[key].value, rel=1e-5)
    step = found.sequence.before, found.sequence.level
    assert (back["release"].step_dbu, back["threshold"].step_dbu) == (step, None)
    assert Observations(unit=unit, readings=tuple(back.values())).step_dbu == step


def placed_in(sequence, heard):
    markers = [(piece.start, sequence.waveform(piece)) for piece in sequence.of("marker")]
    return placed(heard, markers, sequence.pieces[-1].stop, float(RATE_HZ))


@pytest.mark.parametrize("ppm", [-290.0, 200.0, 290.0])
def test_a_clock_as_far_off_as_two_cheap_ones_may_be_is_found(box, ppm):
    _, sequence, _, given = box
    found = placed_in(sequence, interface(given, delay=1000, ppm=ppm, noise=1e-5))
    assert found.clock_ppm == pytest.approx(ppm, abs=0.02)
    assert found.delay_s * RATE_HZ == pytest.approx(1000.0 * (1.0 + 1e-6 * ppm), abs=0.05)
    assert found.polarity == -1
    assert found.scatter_s * RATE_HZ < 0.02


@pytest.mark.parametrize(
    ("count", "piece", "says"),
    [
        (-3, "sweep", "about 3 samples .* lost between 1.0 and 11.0 s"),
        (-64, "tone", "about 64 samples .* lost between 11.4 and"),
        (-2400, "steps", "about 2400 samples .* lost between"),
        (512, "sweep", "about 512 samples .* inserted between 1.0 and 11.0 s"),
    ],
)
def test_samples_that_were_lost_or_inserted_on_the_way_are_told_with_the_stretch(box, count, piece, says):
    """By hand: the first marker ends at 0.9 s, the second begins at 10.9 s, all is 0.1 s late."""
    _, sequence, _, given = box
    heard = interface(given, delay=4800, ppm=20.0, noise=1e-5)
    at = 4800 + sequence.of(piece)[0].start + 5000
    broken = np.concatenate([heard[: at + max(count, 0)], heard[at + max(-count, 0) :]])
    with pytest.raises(InputError, match=says):
        placed_in(sequence, broken)
    assert placed_in(sequence, heard).clock_ppm == pytest.approx(20.0, abs=0.02)


@pytest.mark.parametrize(("over", "says"), [(3.0, "noise hides the markers"), (10.0, "is not found in it")])
def test_a_recording_whose_noise_hides_the_markers_is_refused(box, over, says):
    """Ratio of noise to markers, rms."""
    _, sequence, _, given = box
    marker = sequence.of("marker")[0]
    noise = over * GAIN * np.std(given[marker.start : marker.stop])
    with pytest.raises(InputError, match=says):
        placed_in(sequence, interface(given, delay=0, ppm=0.0, noise=noise, seed=77))


def read_in_file(box, change):
    """Figures and reading of what the box gave, late by 1234 samples, after ``change`` of it in place."""
    folder, sequence, _, given = box
    heard = interface(given, delay=1234, ppm=0.0, noise=1e-6)
    change(heard, {piece.kind: piece.start + 1234 for piece in reversed(sequence.pieces)}, sequence)
    soundfile.write(folder / "changed.wav", heard, RATE_HZ, subtype="PCM_24")
    found = read_signals(folder / "test.wav", folder / "changed.wav", recorded_full_scale_dbu=34.0)
    return figures_of(found), found


@pytest.fixture(scope="module")
def whole(box):
    return read_in_file(box, lambda *_: None)


def test_gaps_are_told_and_nothing_is_read_in_them(box, whole):
    """One in the sweep, one in the tone at which the threshold is read: the others' figures stay."""
    tone = next(k for k, level in enumerate(range(-28, -7)) if level >= whole[0]["threshold"].value)

    def change(heard, at, sequence):
        heard[at["sweep"] + 144_000 :][:2400] = 0.0
        heard[sequence.of("tone")[tone].stop + 1234 - 5000 :][:240] = 0.0

    read, found = read_in_file(box, change)
    right, sequence = whole[0], box[1]
    gaps = [(sequence.of("sweep")[0].start / RATE_HZ + 3.0, 0.05),
            (sequence.of("tone")[tone].stop / RATE_HZ - 5000 / RATE_HZ, 0.005)]  # fmt: skip
    for (first, last), (from_s, length_s) in zip(found.channels[0].gaps_s, gaps, strict=True):
        assert first == pytest.approx(from_s, abs=1e-4) and last - first == pytest.approx(length_s, abs=1e-4)
    for key in ("low_corner", "high_corner"):
        assert read[key].value is None and "stands still" in read[key].reason
    off = abs(read["threshold"].value - right["threshold"].value)
    assert off < 2.0 * read["threshold"].accuracy  # between tones 2 dB apart
    for key in ("gain", "release", "noise", "reduction@-12"):
        assert read[key].value == pytest.approx(right[key].value, abs=3.0 * right[key].accuracy), key
    lead = " ".join(found.account().lead)
    assert f"stands still at {gaps[0][0]:.3f} s (50 ms)" in lead and "1 time" not in lead
    assert f"Of the tones {-28 + tone:+g} dBu is left out" in lead
    assert whole[1].channels[0].gaps_s == () and whole[1].channels[0].reading.warnings == ()


def test_noise_is_read_beside_a_click(box, whole):
    def change(heard, at, _):
        heard[at["quiet"] + RATE_HZ :][:200] += 0.2 * np.sin(np.arange(200))

    read, found = read_in_file(box, change)
    assert read["noise"].value == pytest.approx(whole[0]["noise"].value, abs=3.0 * read["noise"].accuracy)
    assert read["high_corner"].value == whole[0]["high_corner"].value
    assert "Clicks at 2.400 s" in found.channels[0].reading.warnings[0]  # by hand: quiet from 1.4 s on


def test_tones_that_hum_hides_are_left_out_by_name(box, whole):
    """By hand: the unit's gain is 24.8, so 0.25 of hum lies 22 dB over the lowest tone, 10^(-48/20) * 24.8 * 0.2."""

    def change(heard, *_):
        at_s = np.arange(heard.size) / RATE_HZ
        heard += sum(0.25 / k * np.sin(2.0 * np.pi * 50.0 * k * at_s + k) for k in (1, 2, 3, 5, 7))

    read, found = read_in_file(box, change)
    assert read["reduction@-28"].value is None and read["reduction@-28"].reason == "hum of 50 Hz hides it"
    assert abs(read["threshold"].value - whole[0]["threshold"].value) < 2.0 * read["threshold"].accuracy
    assert "hum of 50 Hz hides it" in found.channels[0].reading.warnings[0]
    beside = replace(found, channels=(replace(found.channels[0], simulated=whole[1].channels[0].reading),))
    each = {row[1]: row[-1] for row in beside.account().tables[-1].rows}  # what is beside a level is of that level
    assert -28.0 not in each
    assert each[-8.0] == whole[1].channels[0].reading.curve.gain_reduction_db[-1]


def test_the_played_file_is_no_loop_back(box):
    played = box[0] / "test.wav"
    with pytest.raises(InputError, match="is the test file itself; give what was recorded of the interface"):
        read_signals(played, box[0] / "box.wav", loopback=played)


def test_wrong_files_are_refused_in_one_line(box, tmp_path):
    folder, sequence, _, _ = box
    played = folder / "test.wav"
    heard, _ = soundfile.read(folder / "box.wav")
    soundfile.write(tmp_path / "cut.wav", heard[: 40 * RATE_HZ], RATE_HZ)
    soundfile.write(tmp_path / "noise.wav", 0.1 * np.random.default_rng(77).standard_normal(heard.size), RATE_HZ)
    soundfile.write(tmp_path / "other.wav", sequence.samples() * 0.999, RATE_HZ, subtype="PCM_24")
    for given, recorded, says in (
        (played, tmp_path / "cut.wav", "before the test file does; record to the end"),
        (played, tmp_path / "noise.wav", "the test file is not found in it"),
        (tmp_path / "other.wav", played, "is no test file of fetsim signals, or its title was lost"),
    ):
        with pytest.raises(InputError, match=says) as refused:
            read_signals(given, recorded)
        assert "\n" not in str(refused.value)
    with pytest.raises(InputError, match="is the test file itself; give what was recorded of the interface"):
        read_signals(played, folder / "box.wav", loopback=played)
    with pytest.raises(InputError, match="highest: 30 dBu must lie"):
        write_signals(tmp_path / "loud.wav", highest=30.0)
    with pytest.raises(InputError, match="exists"):
        write_signals(played)
