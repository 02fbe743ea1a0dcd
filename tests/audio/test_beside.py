"""A key beside the program: from arrays, from files and their channels, and whatever does not fit."""

import numpy as np
import pytest
import soundfile

import fetsim
from fetsim.cli.main import main
from fetsim.errors import InputError

RATE_HZ = 48000
KEYED = """
name = "keyed"
source = "invented"
[stages.all.parts]
IN = { kind = "input", nodes = ["p", "0"], source_resistance = "50" }
KEY = { kind = "input", input = "key", nodes = ["k", "0"], source_resistance = "50" }
R1 = { kind = "resistor", value = "10k", nodes = ["p", "out"] }
R2 = { kind = "resistor", value = "10k", nodes = ["k", "out"] }
C1 = { kind = "capacitor", value = "1p", nodes = ["out", "0"] }
OUT = { kind = "output", nodes = ["out", "0"], load = "100k" }
"""
# by hand, at frequencies far below the corner at 30 MHz: each input over 10.05 kohm into 10.05 kohm and the load
SHARE = (1 / (1 / 10_050 + 1 / 100e3)) / (1 / (1 / 10_050 + 1 / 100e3) + 10_050)

TIME = np.arange(20_000) / RATE_HZ  # more than two blocks
PROGRAM = 0.2 * np.sin(2 * np.pi * 400 * TIME)
KEY = 0.3 * np.sin(2 * np.pi * 700 * TIME)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "keyed.toml").write_text(KEYED)
    for name, sound in {
        "in": PROGRAM, "key": KEY, "stereo": np.column_stack((KEY, -KEY)), "three": np.column_stack((KEY,) * 3),
        "short": KEY[:-1], "two": np.column_stack((PROGRAM, PROGRAM)),
    }.items():  # fmt: skip
        soundfile.write(tmp_path / f"{name}.wav", sound, RATE_HZ, subtype="DOUBLE")
    soundfile.write(tmp_path / "slow.wav", KEY, 44100)
    return tmp_path


def played(audio=PROGRAM, **inputs):
    return fetsim.render(audio, RATE_HZ, unit="keyed.toml", quality="draft", inputs=inputs).output


def test_arrays_by_hand(folder):
    """Gain of each input as the divider says, 100 dB down; without a key it is silent."""
    middle = slice(1000, -1000)  # away from where the sines are cut
    assert played(key=KEY)[middle] == pytest.approx(SHARE * (PROGRAM + KEY)[middle], abs=1e-5)
    assert played()[middle] == pytest.approx(SHARE * PROGRAM[middle], abs=1e-5)


def test_one_key_feeds_every_channel_and_two_feed_one_each(folder):
    both = np.column_stack((PROGRAM, 0.5 * PROGRAM))
    single, double = played(both, key=KEY), played(both, key=np.column_stack((KEY, 2 * KEY)))
    assert single[:, 0] == pytest.approx(played(key=KEY), abs=1e-12)
    assert np.array_equal(single[:, 0], double[:, 0])
    assert double[:, 1] == pytest.approx(played(0.5 * PROGRAM, key=2 * KEY), abs=1e-12)


def rendered(*arguments):
    with pytest.raises(SystemExit) as stop:
        main(["render", "in.wav", "out.wav", "-u", "keyed.toml", "-q", "draft", "-b", "float", *arguments])
    assert stop.value.code == 0
    return soundfile.read("out.wav")[0]


@pytest.mark.parametrize(("feed", "sign", "told"), [
    ("key.wav", 1, "key.wav"),
    ("stereo.wav:2", -1, "stereo.wav, channel 2"),
    ("stereo.wav:1", 1, "stereo.wav, channel 1"),
])  # fmt: skip
def test_files_sound_like_arrays(feed, sign, told, folder, capsys):
    out = rendered("--input", f"key={feed}")
    assert out == pytest.approx(played(key=sign * KEY), abs=1e-7)  # single precision
    assert capsys.readouterr().out.splitlines()[1].split(maxsplit=2) == ["Input", "key", told]


def test_silence_is_told(folder, capsys):
    assert rendered() == pytest.approx(played(), abs=1e-7)
    assert "silent, no file feeds it" in capsys.readouterr().out


@pytest.mark.parametrize(("arguments", "line"), [
    (["--input", "kez=key.wav"], "no part of keyed reads 'kez'; it reads key"),
    (["--input", "key=slow.wav"], "slow.wav: for the input key has 44100 Hz, in.wav 48000 Hz; resample one of them"),
    (["--input", "key=short.wav"], "short.wav: for the input key has 19999 frames, in.wav 20000; cut or lengthen"),
    (["--input", "key=stereo.wav"], "has 2 channels, in.wav 1; choose one, as key=stereo.wav:1"),
    (["--input", "key=stereo.wav:3"], "channels, no number 3"),
    (["--input", "key=stereo.wav:0"], "channels, no number 0"),
    (["--input", "key=gone.wav"], "gone.wav"),
    (["--input", "key"], "--input: 'key' is not of the form NAME=FILE"),
    (["--input", "key=key.wav", "--input", "key=in.wav"], "--input: 'key' is given twice"),
    (["--input", "key=out.wav", "--force"], "out.wav"),
    (["--unit", "teaching", "--input", "key=key.wav"], "it reads the program alone"),
])  # fmt: skip
def test_what_does_not_fit_gets_one_line(arguments, line, folder, capsys):
    before = sorted(path.name for path in folder.iterdir())
    with pytest.raises(SystemExit) as stop:
        main(["render", "in.wav", "out.wav", "-u", "keyed.toml", "-q", "draft", *arguments])
    told = capsys.readouterr()
    assert stop.value.code == 2
    assert line in told.err and len(told.err.splitlines()) == 1 and not told.out
    assert sorted(path.name for path in folder.iterdir()) == before


def test_arrays_that_do_not_fit(folder):
    with pytest.raises(InputError, match=r"input key: has shape \(19999,\) beside 20000 frames of 1 channel"):
        played(key=KEY[:-1])
    with pytest.raises(InputError, match="no part of keyed reads 'side'"):
        played(side=KEY)
    with pytest.raises(InputError, match=r"input key: nan times full scale at 0\.208333 s, channel 1"):
        played(key=np.where(np.arange(20_000) == 10_000, np.nan, KEY))
