"""Sound files in blocks, dither, full scale, and outputs that appear whole or not at all."""

import os
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from fetsim.audio.files import CONTAINERS, AudioReader, AudioWriter, container_for
from fetsim.audio.full_scale import Fit, PeakFinder, fit
from fetsim.audio.spool import Spool
from fetsim.errors import InputError
from fetsim.files.npz import ArchiveWriter
from fetsim.files.whole_files import Outputs

RATE_HZ = 48000


@pytest.fixture
def noise():
    return 0.1 * np.random.default_rng(7).standard_normal((5000, 2))


def written(path, sound, bits, block=1000, rate_hz=RATE_HZ, tags=None):
    with AudioWriter(path, path, rate_hz, sound.shape[1], bits, tags or {}) as writer:
        for start in range(0, len(sound), block):
            writer.write(sound[start : start + block])
    return path


def read(path, block=700):
    with AudioReader(path) as reader:
        return np.concatenate(list(reader.blocks(block)))


@pytest.mark.parametrize("suffix", CONTAINERS)
def test_every_format_gives_back_what_was_written(suffix, noise, tmp_path):
    for bits in CONTAINERS[suffix].bits:
        path = written(tmp_path / f"x{bits}{suffix}", noise, bits)
        # dither and rounding: at most one and a half steps; single precision: half of 2^-24 below 1.0
        most = 2.0**-25 if bits == "float" else 1.5 * 2.0 ** (1 - int(bits))
        assert np.abs(read(path) - noise).max() <= most
        with AudioReader(path) as reader:
            assert (reader.rate_hz, reader.channels, reader.frames) == (RATE_HZ, 2, 5000)
            assert reader.bits == bits


@pytest.mark.parametrize(
    ("suffix", "subtype", "bits"),
    [
        ("wav", "PCM_U8", "16"), ("wav", "PCM_16", "16"), ("wav", "PCM_24", "24"), ("wav", "PCM_32", "float"),
        ("wav", "DOUBLE", "float"), ("wav", "ULAW", "16"), ("aiff", "PCM_S8", "16"), ("ogg", "VORBIS", "24"),
        ("mp3", "MPEG_LAYER_III", "24"), ("caf", "ALAC_16", "16"), ("au", "FLOAT", "float"),
    ],
)  # fmt: skip
def test_what_can_be_read_and_how_many_bits_keep_it(suffix, subtype, bits, noise, tmp_path):
    path = tmp_path / f"x.{suffix}"
    soundfile.write(path, noise, RATE_HZ, subtype=subtype)
    with AudioReader(path) as reader:
        assert reader.bits == bits
        assert sum(len(block) for block in reader.blocks(1024)) == len(noise)


@pytest.mark.parametrize("level_steps", [0.0, 0.25, 0.5, 1.37])
def test_dither_makes_the_error_independent_of_the_signal(level_steps, tmp_path):
    """Triangular dither of two steps peak to peak: the whole error has mean zero and a power of a quarter of a step
    squared, whatever the signal (Lipshitz, Wannamaker, Vanderkooy, J. Audio Eng. Soc. 40 (1992) 355; from memory)."""
    step = 2.0**-15
    steady = np.full((200_000, 1), level_steps * step)
    error = (read(written(tmp_path / "x.wav", steady, "16")) - steady) / step
    # three standard deviations of the mean (0.5 / sqrt(n)) and of the power (about 0.35 / sqrt(n))
    assert abs(error.mean()) < 3 * 0.5 / np.sqrt(len(error))
    assert abs((error**2).mean() - 0.25) < 3 * 0.35 / np.sqrt(len(error))


def test_dither_is_the_same_for_any_blocks_and_differs_between_channels(tmp_path):
    silence = np.zeros((5000, 2))
    once = read(written(tmp_path / "a.wav", silence, "16", block=5000))
    again = read(written(tmp_path / "b.wav", silence, "16", block=777))
    assert np.array_equal(once, again)
    assert abs(np.corrcoef(once.T)[0, 1]) < 0.05
    assert (tmp_path / "a.wav").read_bytes() == (tmp_path / "b.wav").read_bytes()


def test_full_scale_itself_does_not_wrap_round(tmp_path):
    edges = np.array([[1.0], [-1.0]] * 50)
    back = read(written(tmp_path / "x.wav", edges, "16"))
    assert np.abs(back - edges).max() <= 3 * 2.0**-15


def test_tags_are_kept_where_the_format_has_them(noise, tmp_path):
    tags = {"title": "Ebb and flow", "comment": "0 dBFS = +18 dBu"}
    with AudioReader(written(tmp_path / "x.wav", noise, "16", tags=tags)) as reader:
        assert reader.tags == {"title": "Ebb and flow"}
    assert soundfile.SoundFile(tmp_path / "x.wav").comment == "0 dBFS = +18 dBu"
    written(tmp_path / "x.w64", noise, "16", tags=tags)


def cut(path, share=0.5):
    data = path.read_bytes()
    path.write_bytes(data[: int(share * len(data))])


@pytest.mark.parametrize(
    ("name", "subtype"),
    [
        ("x.wav", "PCM_16"), ("x.wav", "FLOAT"), ("x.aiff", "PCM_24"), ("x.flac", "PCM_16"), ("x.w64", "PCM_16"),
        ("x.rf64", "PCM_16"), ("x.au", "PCM_16"), ("x.mp3", "MPEG_LAYER_III"),
    ],
)  # fmt: skip
def test_a_file_that_is_cut_short_is_refused_before_it_is_played(name, subtype, tmp_path, capfd):
    path = tmp_path / name
    sound = 0.1 * np.random.default_rng(1).standard_normal((RATE_HZ, 1))
    soundfile.write(path, sound, RATE_HZ, subtype=subtype, format={"rf64": "RF64"}.get(name[2:]))
    cut(path)
    with pytest.raises(InputError, match=rf"{name}: is (damaged or )?cut short"):
        AudioReader(path)


def test_a_header_of_a_stream_without_a_length_is_no_damage(noise, tmp_path):
    path = written(tmp_path / "x.wav", noise, "16")
    data = bytearray(path.read_bytes())
    at = data.index(b"data")
    data[at + 4 : at + 8] = data[4:8] = struct.pack("<I", 0xFFFFFFFF)
    path.write_bytes(data)
    assert len(read(path)) >= len(noise)


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_numbers_that_are_none_are_found_with_their_place(value, noise, tmp_path):
    noise[2400, 1] = value
    soundfile.write(tmp_path / "x.wav", noise, RATE_HZ, subtype="FLOAT")
    with pytest.raises(InputError, match=rf"x.wav: a sample is {value} \(0.050000 s, channel 2\)"):
        AudioReader(tmp_path / "x.wav")


def test_unusable_inputs_say_why(tmp_path):
    soundfile.write(tmp_path / "none.wav", np.zeros((0, 1)), RATE_HZ)
    (tmp_path / "empty.wav").touch()
    (tmp_path / "text.wav").write_text("not sound at all, only words about sound")
    (tmp_path / "raw.raw").write_bytes(bytes(1000))
    os.mkfifo(tmp_path / "pipe.wav")
    for name, problem in {
        "none.wav": r"holds no audio \(0 frames\)", "empty.wav": r"is empty \(0 bytes\)",
        "text.wav": "is not a sound file that can be read .Format not recognised", "gone.wav": "no such file",
        "raw.raw": "is not a sound file that can be read", ".": "is a folder", "pipe.wav": "is not a file",
    }.items():  # fmt: skip
        with pytest.raises(InputError, match=problem):
            AudioReader(tmp_path / name)


def test_unknown_output_formats_list_the_choices():
    for name in ("x.mp3", "x.ogg", "x"):
        with pytest.raises(InputError, match=r"choose a suffix from \.wav \.flac"):
            container_for(Path(name))


def test_what_a_format_cannot_hold_is_said(tmp_path):
    with pytest.raises(InputError, match=r"\.flac cannot hold 9 channels at 48000 Hz"):
        written(tmp_path / "x.flac", np.zeros((10, 9)), "16")


def test_the_largest_sample_and_all_above_full_scale_are_found():
    finder = PeakFinder(RATE_HZ)
    blocks = np.zeros((3, 100, 2))
    blocks[0, 5, 0], blocks[1, 50, 1], blocks[2, 1, 0], blocks[2, 2, 1] = 1.0, -2.0, 1.5, -0.9
    for block in blocks:
        finder.push(block)
    peak = finder.result()
    assert peak.overs == 2  # 1.0 itself is none
    assert peak.peak_dbfs == pytest.approx(20 * np.log10(2.0))
    assert (peak.at_s, peak.channel) == (150 / RATE_HZ, 2)


@pytest.mark.parametrize(
    ("peak", "suffix", "wanted", "insisted", "expected"),
    [
        (0.9, ".wav", "16", False, Fit("16", 0.0)),
        (1.02, ".wav", "float", False, Fit("float", 0.0)),
        (1.02, ".wav", "16", False, Fit("float", 0.0)),
        (1.02, ".wav", "16", True, Fit("16", -0.2)),  # 0.172 dB over
        (2.0, ".flac", "24", False, Fit("24", -6.1)),  # 6.021 dB over; no float in FLAC
    ],
)
def test_overs_go_into_float_or_all_is_lowered(peak, suffix, wanted, insisted, expected):
    finder = PeakFinder(RATE_HZ)
    finder.push(np.array([[peak]]))
    fitted = fit(finder.result(), CONTAINERS[suffix], wanted, insisted=insisted)
    assert fitted.bits == expected.bits
    assert fitted.gain_db == pytest.approx(expected.gain_db)
    assert fitted.bits == "float" or peak * 10 ** (fitted.gain_db / 20) <= 1.0


def test_a_spool_gives_back_rows_and_columns(tmp_path):
    rows = np.arange(300_000.0).reshape(-1, 3)
    with Spool(tmp_path, 3) as spool:
        spool.write(rows[:7])
        spool.write(rows[7:])
        for _ in range(2):
            assert np.array_equal(np.concatenate(list(spool.blocks())), rows)
        assert np.array_equal(np.concatenate(list(spool.blocks(slice(1, None, 2)))), rows[:, 1::2])
    assert list(tmp_path.iterdir()) == []


def test_an_archive_in_blocks_is_one_that_numpy_reads(tmp_path):
    table = np.random.default_rng(3).standard_normal((1000, 2)).astype(np.float32)
    with ArchiveWriter(tmp_path / "x.npz") as archive:
        archive.add("R2.current", table.shape, np.float32, iter(np.array_split(table, 7)))
        archive.add_whole("rate_hz", 48000.0)
    with np.load(tmp_path / "x.npz") as loaded:
        assert np.array_equal(loaded["R2.current"], table)
        assert loaded["rate_hz"] == 48000.0


def stage_two(folder, **options):
    outputs = Outputs(**options)
    with outputs:
        for name in ("a.txt", "b.txt"):
            outputs.stage(folder / name).write_text("new")
    return outputs


def test_outputs_appear_together(tmp_path):
    assert stage_two(tmp_path).paths == (tmp_path / "a.txt", tmp_path / "b.txt")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.txt", "b.txt"]
    assert (tmp_path / "a.txt").stat().st_mode & 0o777 == 0o666 & ~_umask()


@pytest.mark.parametrize("error", [InputError("no"), KeyboardInterrupt(), MemoryError()])
def test_outputs_vanish_on_any_error_and_what_was_there_stays(error, tmp_path):
    (tmp_path / "a.txt").write_text("old")
    with pytest.raises(type(error)), Outputs(overwrite=True) as outputs:
        outputs.stage(tmp_path / "a.txt").write_text("new")
        outputs.stage(tmp_path / "b.txt").write_text("new")
        raise error
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]
    assert (tmp_path / "a.txt").read_text() == "old"


def test_outputs_that_cannot_be_are_refused_at_once(tmp_path):
    (tmp_path / "there.txt").write_text("old")
    (tmp_path / "folder.wav").mkdir()
    (tmp_path / "link.txt").symlink_to("there.txt")
    with Outputs(inputs=(tmp_path / "there.txt",)) as outputs:
        outputs.stage(tmp_path / "b.txt")
        for name, problem in {
            "there.txt": "is the input itself", "link.txt": "is the input itself", "folder.wav": "is a folder",
            "b.txt": "two outputs have this name", "nowhere/x.txt": "there is no folder",
        }.items():  # fmt: skip
            with pytest.raises(InputError, match=problem):
                outputs.stage(tmp_path / name)
    with pytest.raises(InputError, match=r"there.txt: exists already; choose another name or .*--force"):
        Outputs().stage(tmp_path / "there.txt")


def test_a_link_is_written_through(tmp_path):
    (tmp_path / "a.txt").symlink_to("real.txt")
    stage_two(tmp_path)
    assert (tmp_path / "a.txt").is_symlink()
    assert (tmp_path / "real.txt").read_text() == "new"


def _umask():
    mask = os.umask(0)
    os.umask(mask)
    return mask
