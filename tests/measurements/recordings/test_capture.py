"""Captures off the disk: what is right with them, and one line for each thing that can be wrong."""

import numpy as np
import pytest
import soundfile
from scipy import signal as dsp

from fetsim.errors import InputError
from fetsim.measurements.recordings.capture import load_capture
from fetsim.measurements.recordings.loopback import load_loopback

RATE_HZ = 48_000


def played(seed=1, seconds=3.0):
    """Noise in bursts, half a second of silence first."""
    chance = np.random.default_rng(seed)
    count = round(seconds * RATE_HZ)
    level = np.repeat(chance.uniform(0.01, 0.1, count // 4800 + 1), 4800)[:count]
    sound = dsp.sosfilt(dsp.butter(2, 3000, fs=RATE_HZ, output="sos"), level * chance.standard_normal(count))
    sound[: RATE_HZ // 2] = 0.0
    return sound


def squeezed(sound):
    """A memoryless compressor: 12 dB less gain at the top."""
    return sound / (1.0 + 20.0 * np.abs(sound))


@pytest.fixture
def files(tmp_path):
    def write(**sounds):
        for name, sound in sounds.items():
            soundfile.write(tmp_path / f"{name}.wav", sound, RATE_HZ, subtype="FLOAT")
        return [tmp_path / f"{name}.wav" for name in sounds]

    return write


def test_dry_and_wet_come_in_step_with_what_noise_there_is(files):
    dry = played()
    wet = np.concatenate([np.zeros(777), -0.5 * squeezed(dry)])
    wet += 1e-5 * np.random.default_rng(2).standard_normal(wet.size)
    found = load_capture(*files(dry=dry, wet=wet), settings={"release": "1"})
    assert found.delay_s * RATE_HZ == pytest.approx(777.0, abs=0.01)
    assert found.polarity == (-1,)
    assert found.floors[0].read_from == "quiet"
    assert found.floors[0].noise_rms == pytest.approx(1e-5, rel=0.02)
    assert np.std(found.wet - 0.5 * squeezed(found.dry)) < 3e-5
    assert found.settings == {"release": "1"}


def test_a_loop_back_takes_the_interface_out(files):
    """An interface with a gain of -9 dB, a low pass at 15 kHz and the other polarity."""
    dry, lowpass = played(), dsp.butter(1, 15_000, fs=RATE_HZ, output="sos")
    interface = lambda sound: -0.355 * dsp.sosfilt(lowpass, np.concatenate([np.zeros(300), sound]))  # noqa: E731
    noise = 1e-6 * np.random.default_rng(3).standard_normal((2, dry.size + 300))
    paths = files(dry=dry, loop=interface(dry) + noise[0], wet=interface(squeezed(dry)) + noise[1])
    loop = load_loopback(paths[0], paths[1])
    found = load_capture(paths[0], paths[2], loopback=loop)
    assert loop.gain_db == pytest.approx(20 * np.log10(0.355), abs=0.1)  # the low pass takes a little
    assert found.polarity == (1,)
    assert abs(found.delay_s) * RATE_HZ < 0.02
    inner = slice(RATE_HZ, -RATE_HZ // 2)
    right = squeezed(found.dry)[inner, 0]
    assert np.std(found.wet[inner, 0] - right) < 0.01 * np.std(right)  # with the low pass left in it: 0.12


def test_gaps_in_a_capture_are_told_with_their_instants(files):
    """By hand: sample 96,000 of the recording is at 2 s of it."""
    dry = played()
    wet = np.concatenate([np.zeros(777), -0.5 * squeezed(dry)])
    assert load_capture(*files(dry=dry, wet=wet)).warnings == ()
    wet[96_000:96_960] = 0.0
    (told,) = load_capture(*files(dry=dry, wet=wet)).warnings
    assert "wet.wav: stands still at 2.000 s (20 ms) while something is played" in told


def test_what_was_played_is_no_loop_back(files):
    paths = files(dry=played())
    with pytest.raises(InputError, match="is what was played; record the interface with its output wired to its input"):
        load_loopback(paths[0], paths[0])


def _wide(sound):
    """With all frequencies in it, up to half of the rate."""
    return sound + 0.05 * np.random.default_rng(9).standard_normal(sound.size)


def clipped(sound):
    return np.clip(40.0 * sound, -0.9, 0.9)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda dry: (dry, 1e-9 * dry), "is silent; was the right input recorded"),
        (lambda dry: (dry, clipped(dry)), "is clipped at .* lower the recording level"),
        (lambda dry: (dry, 1e19 * squeezed(dry)), "times full scale; is it sound"),
        (lambda dry: (1e19 * dry, squeezed(dry)), "dry.wav: has samples of"),
        (lambda dry: (dry, dry), "is the dry file again"),
        (lambda dry: (dry, 0.5 * dry[100:]), "is the dry file again"),
        (lambda dry: (_wide(dry), -0.5 * _wide(dry)[100:]), "is the dry file again"),
        (lambda dry: (dry, squeezed(played(7))), "does not resemble what was played"),
        (lambda dry: (np.concatenate([np.zeros(700), squeezed(dry)]), dry), "look swapped"),
        (lambda dry: (dry, np.stack([squeezed(dry)] * 2, 1)), "has 2 channels, .* has one; choose the channel"),
        (lambda dry: (dry, 1e9 * dry), r"has samples of .*e\+0. times full scale; is it sound"),
        (lambda dry: (dry, squeezed(dry)[30_000:32_000]), "lasts 0.0417 s; 0.25 s is the least"),
    ],
)
def test_what_cannot_be_used_is_refused_in_one_line(files, make, says):
    dry, wet = make(played())
    with pytest.raises(InputError, match=says) as refused:
        load_capture(*files(dry=dry, wet=wet))
    assert "\n" not in str(refused.value)


def test_another_rate_or_channel_is_refused(files, tmp_path):
    paths = files(dry=played())
    soundfile.write(tmp_path / "slow.wav", squeezed(played()), 44_100)
    with pytest.raises(InputError, match="its rate is 44100 Hz"):
        load_capture(paths[0], tmp_path / "slow.wav")
    with pytest.raises(InputError, match="has no channel 3; it has 1"):
        load_capture(paths[0], paths[0], channel=3)
    one_sided = np.stack([played(2, 1.0), np.zeros(RATE_HZ)], axis=1)
    with pytest.raises(InputError, match="channel 2 is silent"):
        load_capture(paths[0], *files(wet=one_sided), channel=2)
