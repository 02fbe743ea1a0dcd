"""A sound file through a unit onto disk, against the same samples rendered in memory."""

import csv
import dataclasses
import shutil

import numpy as np
import pytest
import soundfile

import fetsim
from fetsim.audio.files import CONTAINERS
from fetsim.audio.gain_log import GainLog
from fetsim.audio.render_file import default_output
from fetsim.errors import InputError
from fetsim.rig.rig import compile_notice

RATE_HZ = 48000
SECONDS = 0.4  # more than two blocks


@pytest.fixture(scope="module")
def tone():
    """A tone that comes in, well above the Dunlin's threshold."""
    t = np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ
    return 0.15 * np.sin(2 * np.pi * 500 * t) * np.minimum(1.0, 20 * t)


@pytest.fixture(scope="module")
def in_memory(tone):
    return fetsim.render(tone, RATE_HZ, quality="draft", probes=("ctl", "R2.current"))


@pytest.fixture
def wav(tone, tmp_path):
    path = tmp_path / "tone.wav"
    soundfile.write(path, tone, RATE_HZ, subtype="DOUBLE")
    return path


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_a_file_sounds_like_the_array(wav, in_memory, tmp_path):
    done = fetsim.render_file(wav, tmp_path / "out.wav", quality="draft")
    sound, rate_hz = soundfile.read(tmp_path / "out.wav")
    assert rate_hz == RATE_HZ
    assert soundfile.info(tmp_path / "out.wav").subtype == "FLOAT"
    assert np.abs(sound - in_memory.output).max() <= 2.0**-24  # single precision
    assert done.files == (tmp_path / "out.wav",)
    assert done.peak.overs == 0
    assert done.peak.peak_dbfs == pytest.approx(20 * np.log10(np.abs(in_memory.output).max()))
    assert done.duration_s == pytest.approx(SECONDS)
    assert done.efforts == in_memory.efforts
    assert names(tmp_path) == ["out.wav", "tone.wav"]


@pytest.mark.parametrize(
    ("suffix", "subtype", "rate_hz", "channels", "out", "out_subtype"),
    [
        ("wav", "PCM_16", 8000, 1, "x.wav", "PCM_16"),
        ("flac", "PCM_24", 44100, 2, "x.flac", "PCM_24"),
        ("aiff", "FLOAT", 96000, 3, "x.wav", "FLOAT"),
        ("wav", "PCM_24", 22050, 1, "x.flac", "PCM_24"),
        ("ogg", "VORBIS", 32000, 1, "x.flac", "PCM_24"),
        ("wav", "FLOAT", 192000, 1, "x.flac", "PCM_24"),
    ],
)
def test_rate_channels_and_bits_stay(suffix, subtype, rate_hz, channels, out, out_subtype, tmp_path):
    sound = 0.02 * np.random.default_rng(5).standard_normal((rate_hz // 20, channels))
    soundfile.write(tmp_path / f"in.{suffix}", sound, rate_hz, subtype=subtype)
    done = fetsim.render_file(tmp_path / f"in.{suffix}", tmp_path / out, quality="draft")
    info = soundfile.info(tmp_path / out)
    assert (info.samplerate, info.channels, info.subtype) == (rate_hz, channels, out_subtype)
    assert info.frames == soundfile.info(tmp_path / f"in.{suffix}").frames
    assert len(done.logs) == len(done.efforts) == channels


def test_one_sample_is_enough(tmp_path):
    soundfile.write(tmp_path / "click.wav", [0.5], RATE_HZ, subtype="PCM_16")
    fetsim.render_file(tmp_path / "click.wav", tmp_path / "out.wav", quality="draft")
    assert soundfile.info(tmp_path / "out.wav").frames == 1


def test_channels_go_through_units_of_their_own(wav, tone, in_memory, tmp_path):
    soundfile.write(tmp_path / "two.wav", np.stack([0.01 * tone, tone], axis=1), RATE_HZ, subtype="DOUBLE")
    done = fetsim.render_file(tmp_path / "two.wav", tmp_path / "out.wav", quality="draft")
    sound, _ = soundfile.read(tmp_path / "out.wav")
    assert np.abs(sound[:, 1] - in_memory.output).max() <= 2.0**-24
    assert done.logs[0].gain_reduction_max_db.max() < 0.01
    assert done.logs[1].gain_reduction_max_db.max() > 5.0


def test_integers_are_the_output_with_at_most_a_step_and_a_half_of_error(wav, in_memory, tmp_path):
    for bits in ("16", "24"):
        fetsim.render_file(wav, tmp_path / f"{bits}.wav", quality="draft", bits=bits)
        sound, _ = soundfile.read(tmp_path / f"{bits}.wav")
        assert np.abs(sound - in_memory.output).max() <= 1.51 * 2.0 ** (1 - int(bits))


def test_trim_is_a_gain(wav, in_memory, tmp_path):
    fetsim.render_file(wav, tmp_path / "out.wav", quality="draft", gain_db=-6.0)
    sound, _ = soundfile.read(tmp_path / "out.wav")
    assert np.abs(sound - 10 ** (-6 / 20) * in_memory.output).max() <= 2.0**-24


@pytest.mark.parametrize(
    ("out", "bits", "subtype"),
    [("x.wav", None, "FLOAT"), ("x.wav", "16", "PCM_16"), ("x.flac", None, "PCM_16"), ("x.wav", "float", "FLOAT")],
)
def test_samples_above_full_scale_are_told_and_never_clipped(out, bits, subtype, tone, in_memory, tmp_path):
    soundfile.write(tmp_path / "in.wav", tone, RATE_HZ, subtype="PCM_16")
    gain_db = 12.0 - 20 * np.log10(np.abs(in_memory.output).max())  # 12 dB above full scale
    done = fetsim.render_file(tmp_path / "in.wav", tmp_path / out, quality="draft", bits=bits, gain_db=gain_db)
    sound, _ = soundfile.read(tmp_path / out)
    assert soundfile.info(tmp_path / out).subtype == subtype
    expected = 10 ** ((gain_db + done.fit.gain_db) / 20) * in_memory.output
    # the dithered 16 bit input differs from the array by half a step, which the unit and the gain raise by 40 dB
    assert np.abs(sound - expected).max() < 5e-3
    assert done.peak.peak_dbfs == pytest.approx(12.0, abs=0.05)
    assert done.peak.overs == pytest.approx(np.sum(10 ** (gain_db / 20) * np.abs(in_memory.output) > 1), abs=3)
    assert done.fit.gain_db == (0.0 if subtype == "FLOAT" else pytest.approx(-12.0, abs=0.11))


def test_the_log_is_the_one_of_the_array(wav, in_memory, tmp_path):
    columns = in_memory.logs[0].columns()
    for name in ("log.csv", "log.npz"):
        fetsim.render_file(wav, tmp_path / "o.wav", quality="draft", log_to=tmp_path / name, overwrite=True)
    with open(tmp_path / "log.csv", newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == ["channel", *GainLog.__dataclass_fields__]
    assert len(rows) == len(columns["time_s"]) == SECONDS * 200
    for name, values in columns.items():
        assert [float(row[name] or "inf") for row in rows] == pytest.approx(list(values), rel=1e-5)  # six digits
    with np.load(tmp_path / "log.npz") as log:
        assert np.array_equal(log["time_s"], columns.pop("time_s"))
        for name, values in columns.items():
            assert np.array_equal(log[name], np.where(np.isfinite(values), values, np.nan)[None], equal_nan=True)


def test_the_rows_of_several_channels_carry_their_number(tmp_path, tone):
    soundfile.write(tmp_path / "two.wav", np.stack([0.01 * tone, tone], axis=1)[:4800], RATE_HZ, subtype="PCM_24")
    done = fetsim.render_file(
        tmp_path / "two.wav", tmp_path / "o.wav", quality="draft", log_to=tmp_path / "l.csv", log_rate_hz=50
    )
    with open(tmp_path / "l.csv", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["channel"] for row in rows] == ["1", "2"] * 5
    for number, log in enumerate(done.logs, start=1):
        mine = [float(row["output_rms_dbu"]) for row in rows if row["channel"] == str(number)]
        assert mine == pytest.approx(list(log.output_rms_dbu), rel=1e-5)


def test_probes_are_volts_and_amperes(wav, in_memory, tmp_path):
    for name in ("p.wav", "p.npz"):
        fetsim.render_file(
            wav, tmp_path / "o.wav", quality="draft", probes=("ctl", "R2.current", "ctl"), probes_to=tmp_path / name,
            overwrite=True,
        )  # fmt: skip
    scaled, rate_hz = soundfile.read(tmp_path / "p.wav")
    assert rate_hz == RATE_HZ
    assert soundfile.SoundFile(tmp_path / "p.wav").comment == (
        "channel 1 is ctl, 1.0 = 10 V; channel 2 is R2.current, 1.0 = 10 mA"
    )
    with np.load(tmp_path / "p.npz") as archive:
        assert archive["rate_hz"] == RATE_HZ
        for column, (name, per_full_scale) in enumerate((("ctl", 10.0), ("R2.current", 0.01))):
            expected = in_memory.probes[name]
            assert archive[name].shape == (len(expected),)
            for values in (archive[name], per_full_scale * scaled[:, column]):
                assert values == pytest.approx(expected, rel=1e-6, abs=1e-9 * per_full_scale)


def test_the_file_tells_what_was_changed(wav, tmp_path):
    unit = fetsim.load_unit("dunlin").changed(C16="220n", full_scale_dbu=20.0)
    done = fetsim.render_file(wav, tmp_path / "o.flac", quality="draft", unit=unit, gain_db=-3.0)
    assert [name for name, _, _ in done.changes] == ["full_scale_dbu", "C16"]
    comment = soundfile.SoundFile(tmp_path / "o.flac").comment
    assert "Dunlin" in comment and "C16 220 nF" in comment
    assert "0 dBFS = +20 dBu" in comment and "gain -3.0 dB" in comment


def test_the_same_input_gives_the_same_file(tone, tmp_path):
    soundfile.write(tmp_path / "in.wav", tone[:4800], RATE_HZ, subtype="PCM_16")
    for name in ("a.wav", "b.wav"):
        fetsim.render_file(tmp_path / "in.wav", tmp_path / name, quality="draft")
    assert (tmp_path / "a.wav").read_bytes() == (tmp_path / "b.wav").read_bytes()


def test_what_a_format_has_no_room_for_is_refused_at_once(wav, tmp_path, monkeypatch):
    small = dataclasses.replace(CONTAINERS[".wav"], largest_bytes=100_000)  # 25 000 numbers; the tone has 19 200
    monkeypatch.setitem(CONTAINERS, ".wav", small)
    fetsim.render_file(wav, tmp_path / "o.wav", quality="draft")
    with pytest.raises(InputError, match=r"p.wav: too long for .wav files; choose a suffix from .npz"):
        fetsim.render_file(
            wav, tmp_path / "o.flac", quality="draft", probes=("ctl", "dr"), probes_to=tmp_path / "p.wav"
        )
    soundfile.write(tmp_path / "two.wav", np.zeros((19_200, 2)), RATE_HZ)
    with pytest.raises(InputError, match=r"x.wav: too long for .wav files; choose a suffix from .flac .caf"):
        fetsim.render_file(tmp_path / "two.wav", tmp_path / "x.wav")
    assert names(tmp_path) == ["o.wav", "tone.wav", "two.wav"]


def test_progress_runs_to_the_end(wav, tmp_path):
    seen = []
    fetsim.render_file(wav, tmp_path / "o.wav", quality="draft", progress=lambda *s: seen.append(s))
    done = [at for at, _ in seen]
    assert len(done) == 3 and done == sorted(done)
    assert seen[-1] == (pytest.approx(SECONDS), pytest.approx(SECONDS))


def test_an_error_at_the_very_end_leaves_everything_as_it_was(wav, tmp_path):
    (tmp_path / "o.wav").write_text("precious")

    def fail(rendering, path):
        path.write_text("half")
        raise InputError("the picture cannot be drawn")

    with pytest.raises(InputError, match="picture"):
        fetsim.render_file(
            wav, tmp_path / "o.wav", quality="draft", log_to=tmp_path / "l.csv", overwrite=True,
            more={tmp_path / "p.png": fail},
        )  # fmt: skip
    assert names(tmp_path) == ["o.wav", "tone.wav"]
    assert (tmp_path / "o.wav").read_text() == "precious"


def test_a_compile_is_announced_and_only_then(wav, tmp_path, monkeypatch):
    said = []
    fetsim.render_file(wav, tmp_path / "a.wav", quality="draft", notice=said.append)
    assert said == []  # compiled by the tests before
    monkeypatch.setattr("fetsim.rig.rig.compile_s", lambda *systems, **lanes: 28.4)
    fetsim.render_file(wav, tmp_path / "b.wav", quality="draft", notice=said.append)
    assert said == [
        "compiling the solver for this unit's topology; about 30 s, longer on a busy machine; once per machine"
    ]


def test_another_topology_needs_a_compile_and_another_value_does_not(tmp_path):
    unit = fetsim.load_unit("teaching")
    text = unit.path.read_text().replace('"ctl"', '"the_control"')
    (tmp_path / "other.toml").write_text(text)
    dunlin = fetsim.load_unit("dunlin")
    fetsim.render(np.zeros(10), RATE_HZ, unit=dunlin, quality="draft")
    assert not compile_notice(dunlin.changed(C16="220n", curve="S1+S3", attack=0.1))
    assert "about 5 s" in compile_notice(fetsim.load_unit(tmp_path / "other.toml"))


def test_the_default_name_tells_input_and_unit(tmp_path):
    unit = fetsim.load_unit("teaching")
    for name, expected in {
        "a/jingle.wav": "jingle-teaching-loop.wav", "x.FLAC": "x-teaching-loop.FLAC", "x.mp3": "x-teaching-loop.flac",
        "x.ogg": "x-teaching-loop.flac", "take": "take-teaching-loop.flac",
    }.items():  # fmt: skip
        assert str(default_output(tmp_path / name, unit)) == expected


def test_a_file_edited_during_the_render_changes_nothing_of_what_is_told(wav, tmp_path):
    """The changes are those that were asked for, whatever happens to the unit's file meanwhile."""
    path = tmp_path / "mine.toml"
    shutil.copy(fetsim.load_unit("dunlin").path, path)
    text = path.read_text(encoding="utf-8")
    edited = text.replace('C16 = { kind = "capacitor", value = "0.15u"', 'C16 = { kind = "capacitor", value = "220n"')
    assert edited != text
    unit = fetsim.load_unit(path).changed(C16="220n")
    wanted = (("C16", "150 nF", "220 nF"),)
    for meanwhile in (edited, "no longer a unit", None):

        def edit(done_s, all_s, meanwhile=meanwhile):
            if meanwhile is None:
                path.unlink(missing_ok=True)
            else:
                path.write_text(meanwhile, encoding="utf-8")

        done = fetsim.render_file(
            wav, tmp_path / "o.flac", unit=unit, quality="draft", overwrite=True, progress=edit
        )
        assert done.changes == wanted
        assert "C16 220 nF" in soundfile.SoundFile(tmp_path / "o.flac").comment
