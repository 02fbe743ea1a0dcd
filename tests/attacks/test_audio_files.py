"""Sound files as they come: damaged, cut, mislabelled, of every coding. Played whole or refused in one line."""

import io
import os
import struct

import numpy as np
import pytest
import soundfile

from tests.attacks.conftest import FRAMES, RATE_HZ, tone


def encoded(kind, subtype=None, samples=None, rate_hz=RATE_HZ):
    target = io.BytesIO()
    soundfile.write(target, tone() if samples is None else samples, rate_hz, format=kind, subtype=subtype)
    return target.getvalue()


def played_or_refused(outcome, output="out.wav"):
    """Whichever it is, it is clean; a file that came out is finite and of the input's rate."""
    if outcome.status == 0:
        outcome.done(output)
        samples, _ = soundfile.read(output)
        assert len(samples) and np.all(np.isfinite(samples))
    else:
        outcome.refused()


@pytest.mark.parametrize("size", [0, 1, 3, 4, 11, 12, 20, 24, 35, 36, 43, 44, 45, 46, 100, 500, 900])
def test_a_wav_file_cut_anywhere(place, render, size):
    (place / "cut.wav").write_bytes(encoded("WAV")[:size])
    render("cut.wav", "out.wav").refused("cut.wav")


@pytest.mark.parametrize("kind", ["FLAC", "OGG", "AIFF", "AU", "CAF", "W64", "RF64", "MP3"])
@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_other_files_cut(place, render, kind, share):
    whole = encoded(kind)
    (place / f"cut.{kind.lower()}").write_bytes(whole[: int(share * len(whole))])
    played_or_refused(render(f"cut.{kind.lower()}", "out.wav"))


@pytest.mark.parametrize("value", [0, 0xFF])
@pytest.mark.parametrize("at", range(0, 44, 4))
def test_four_bytes_of_a_header_overwritten(place, render, at, value):
    whole = bytearray(encoded("WAV"))
    whole[at : at + 4] = bytes([value]) * 4
    (place / "bad.wav").write_bytes(whole)
    played_or_refused(render("bad.wav", "out.wav"))


@pytest.mark.parametrize("kind", ["FLAC", "OGG", "AIFF", "CAF", "MP3", "AU"])
@pytest.mark.parametrize("seed", range(3))
def test_bytes_turned_over(place, render, kind, seed):
    whole = bytearray(encoded(kind))
    random = np.random.default_rng(seed)
    for at in random.integers(0, len(whole), 20):
        whole[at] = int(random.integers(256))
    (place / f"bad.{kind.lower()}").write_bytes(whole)
    played_or_refused(render(f"bad.{kind.lower()}", "out.wav"))


@pytest.mark.parametrize("kind", ["WAV", "FLAC", "AIFF", "AU", "CAF", "W64", "RF64"])
def test_no_frames(place, render, kind):
    (place / "none.wav").write_bytes(encoded(kind, samples=np.zeros(0)))
    render("none.wav", "out.wav").refused("none.wav")


@pytest.mark.parametrize(
    "content", [b"RIFF", b"\x89PNG\r\n\x1a\n" + bytes(100), b"some text\n" * 50, bytes(5000), b"ID3"]
)
@pytest.mark.parametrize("suffix", [".wav", ".mp3"])
def test_no_sound_at_all(place, render, content, suffix):
    (place / f"no{suffix}").write_bytes(content)
    render(f"no{suffix}", "out.wav").refused(f"no{suffix}")


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e300, 1e31, -1e38, 1.7e308])
def test_samples_that_are_no_sound(place, render, value):
    samples = tone()
    samples[240] = value
    (place / "wild.wav").write_bytes(encoded("WAV", "DOUBLE", samples))
    render("wild.wav", "out.wav").refused("0.005000 s, channel 1")


@pytest.mark.parametrize("value", [1e-310, 1.0, -1.0, 1e3])
def test_samples_that_are_odd(place, render, value):
    (place / "odd.wav").write_bytes(encoded("WAV", "DOUBLE", np.full(FRAMES, value)))
    played_or_refused(render("odd.wav", "out.wav"))


@pytest.mark.parametrize("rate_hz", [1, 1000, 3999, 800_000, 2_000_000])
def test_rates_that_no_unit_is_played_at(place, render, rate_hz):
    (place / "odd.wav").write_bytes(encoded("WAV", rate_hz=rate_hz))
    render("odd.wav", "out.wav").refused("sample rate")


def test_more_channels_than_a_desk_has(place, render):
    (place / "wide.wav").write_bytes(encoded("WAV", samples=np.zeros((48, 200))))
    render("wide.wav", "out.wav").refused("200 channels")


@pytest.mark.parametrize(
    ("kind", "subtype"),
    [
        ("WAV", "GSM610"),
        ("AIFF", "GSM610"),
        ("WAV", "G721_32"),
        ("AU", "G721_32"),
        ("AU", "G723_24"),
        ("WAV", "NMS_ADPCM_16"),
        ("WAV", "NMS_ADPCM_24"),
        ("WAV", "NMS_ADPCM_32"),
        ("XI", "DPCM_8"),
        ("XI", "DPCM_16"),
        ("WAV", "IMA_ADPCM"),
        ("WAV", "MS_ADPCM"),
        ("WAV", "ULAW"),
        ("WAV", "ALAW"),
        ("WAV", "PCM_U8"),
        ("OGG", "VORBIS"),
        ("OGG", "OPUS"),
        ("MP3", "MPEG_LAYER_III"),
        ("CAF", "ALAC_16"),
        ("RAW", "VOX_ADPCM"),
    ],
)
def test_every_coding(place, render, kind, subtype):
    if not soundfile.check_format(kind, subtype):
        pytest.skip("this libsndfile has no such coding")
    rate_hz = 8000 if "GSM" in subtype or "G72" in subtype or "NMS" in subtype else RATE_HZ
    (place / "coded.snd").write_bytes(encoded(kind, subtype, tone(9600), rate_hz))
    outcome = render("coded.snd", "out.wav")
    played_or_refused(outcome)
    if kind not in ("RAW",):
        assert outcome.status == 0, outcome.err


@pytest.mark.parametrize("stated", [2000, 100_000, 0x60000000, 0x7FFEFFFF, 0x90000000, 0xC0000000, 0xFFFFFD00])
def test_a_header_that_promises_more_is_a_cut_file(place, render, stated):
    whole = bytearray(encoded("WAV"))
    whole[4:8], whole[40:44] = struct.pack("<I", min(stated + 36, 0xFFFFFFFF)), struct.pack("<I", stated)
    (place / "cut.wav").write_bytes(whole)
    render("cut.wav", "out.wav").refused("cut short")


@pytest.mark.parametrize("stated", [0x7FFF0000, 0x7FFFF000, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 0xFFFFFFFF - 36])
def test_a_header_of_a_stream_is_excused_and_told(place, render, stated):
    whole = bytearray(encoded("WAV"))
    whole[4:8], whole[40:44] = struct.pack("<I", min(stated + 36, 0xFFFFFFFF)), struct.pack("<I", stated)
    (place / "stream.wav").write_bytes(whole)
    outcome = render("stream.wav", "out.wav")
    outcome.done("out.wav")
    assert "length of a stream" in " ".join(outcome.out.split())


@pytest.mark.parametrize(
    "name", ["folder", "pipe", "loop", "none.wav", "/dev/null", "/dev/zero", "in.wav/x", "a" * 300]
)
def test_what_is_no_file(place, render, name):
    os.mkfifo("pipe")
    os.symlink("loop", "loop")
    render(name, "out.wav").refused()


def test_equal_sound_makes_equal_files(place, render):
    for name in ("one", "two"):
        files = [f"{name}{suffix}" for suffix in (".wav", ".npz", ".svg", ".aiff")]
        render("in.wav", files[0], "--bits", "float", "--log", files[1], "--plot", files[2]).done(*files[:3])
        render("in.wav", files[3], "--bits", "float").done(files[3])
    for suffix in (".wav", ".npz", ".aiff", ".svg"):
        assert (place / f"one{suffix}").read_bytes() == (place / f"two{suffix}").read_bytes(), suffix


def test_nothing_infinite_in_a_log(place, render):
    render("in.wav", "out.wav", "--log", "l.csv").done("out.wav", "l.csv")
    render("in.wav", "out2.wav", "--log", "l.npz").done("out2.wav", "l.npz")
    assert "inf" not in (place / "l.csv").read_text()
    with np.load("l.npz") as log:
        assert not any(np.any(np.isinf(log[name])) for name in log.files)
