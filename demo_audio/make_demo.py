"""Three short recordings to try things on, as they come up at the desk of a small community radio station.

    python demo_audio/make_demo.py

writes beside this script, at 48 kHz:

- ``jingle.wav``: the station's jingle, drums, bass and a chime of three notes; stereo, 16 bit, 6 s;
- ``announcement.wav``: somebody reads the tide table, vowels and consonants without words; mono, 24 bit, 6 s;
- ``bass_jump.wav``: a held bass note that is 14 dB louder for two seconds; mono, 24 bit, 5 s.

Everything is synthesised from a fixed seed, the same files every time, 2.7 MB together. 0 dBFS is +18 dBu,
and the Dunlin starts to work at -10 dBu, so the loudest samples are at -14.5 dBFS: at its default settings
the unit then reduces the gain by 5 to 12 dB.
"""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, sosfilt

from fetsim.audio.files import AudioWriter
from fetsim.files.whole_files import Outputs

Array = NDArray[np.float64]

RATE_HZ = 48000
SEED = 1953
BEAT_S = 60.0 / 112.0
PEAK_DBFS = -14.5
JUMP_DB = 14.0
BITS = {"jingle.wav": "16", "announcement.wav": "24", "bass_jump.wav": "24"}

# formants F1, F2, F3 [Hz] of adult speakers (Peterson and Barney, J. Acoust. Soc. Am. 24 (1952) 175; from memory)
VOWELS = {"a": (730, 1090, 2440), "e": (530, 1840, 2480), "i": (270, 2290, 3010), "o": (570, 840, 2410)}
BANDWIDTHS_HZ = (80.0, 100.0, 140.0)  # common practice, no source
# (vowel, start [s], length [s], pitch [Hz], loudness, with a consonant of noise before it)
SYLLABLES: tuple[tuple[str, float, float, float, float, bool], ...] = (
    ("a", 0.20, 0.22, 128, 1.0, True), ("i", 0.47, 0.18, 122, 0.8, False), ("o", 0.72, 0.30, 118, 0.9, True),
    ("e", 1.15, 0.16, 126, 0.7, True), ("a", 1.36, 0.24, 120, 0.9, False), ("o", 1.66, 0.34, 104, 0.7, True),
    ("i", 2.45, 0.20, 134, 0.9, True), ("e", 2.72, 0.20, 130, 1.0, True), ("a", 2.98, 0.26, 124, 0.9, False),
    ("o", 3.30, 0.18, 118, 0.6, True), ("i", 3.55, 0.22, 116, 0.8, False), ("a", 3.82, 0.40, 98, 0.8, True),
    ("e", 4.60, 0.18, 130, 0.9, True), ("a", 4.85, 0.22, 124, 1.0, True), ("o", 5.15, 0.45, 94, 0.7, False),
)  # fmt: skip
RIFF_HZ = (55.0, 55.0, 82.4, 65.4, 55.0, 98.0, 82.4, 65.4)
CHIME = ((4.0, 659.3), (5.0, 784.0), (6.0, 987.8))  # beat, Hz


def jingle(rng: np.random.Generator) -> Array:
    """[shape=(n, 2)]"""
    sound = np.zeros((6 * RATE_HZ, 2))
    for beat in range(10):
        if beat % 2 == 0:
            _add(sound, beat * BEAT_S, _kick(), (0.9, 0.9))
        else:
            _add(sound, beat * BEAT_S, _snare(rng), (0.55, 0.65))
        for half in (0.0, 0.5):
            _add(sound, (beat + half) * BEAT_S, _hat(rng), (0.10, 0.17))
    for step, pitch_hz in enumerate((*RIFF_HZ, *RIFF_HZ[:2])):
        _add(sound, step * BEAT_S, _bass(pitch_hz, 0.85 * BEAT_S), (0.45, 0.45))
    for at_beat, pitch_hz in CHIME:
        _add(sound, at_beat * BEAT_S, _bell(pitch_hz), (0.30, 0.20))
    return sound


def announcement(rng: np.random.Generator) -> Array:
    """[shape=(n, 1)]"""
    sound = np.zeros((6 * RATE_HZ, 1))
    for vowel, start_s, length_s, pitch_hz, loudness, consonant in SYLLABLES:
        if consonant:
            _add(sound, start_s - 0.06, _hiss(rng, 0.07), (0.10 * loudness,))
        _add(sound, start_s, _vowel(rng, VOWELS[vowel], pitch_hz, length_s), (loudness,))
    return sound + 4e-4 * _noise(rng, len(sound), (80.0, 300.0))[:, None]


def bass_jump(rng: np.random.Generator) -> Array:
    """[shape=(n, 1)]"""
    seconds = _seconds(5.0)
    jump_db = np.where((seconds >= 1.0) & (seconds < 3.0), 0.0, -JUMP_DB)
    fade = np.minimum(1.0, np.minimum(seconds, 5.0 - seconds) / 0.02)
    note = np.zeros_like(seconds)
    for k in range(1, 9):
        note += np.sin(2.0 * np.pi * 73.4 * k * seconds + rng.uniform(0.0, 2.0 * np.pi)) / k**1.5
    return (note * fade * 10.0 ** (jump_db / 20.0))[:, None]


def main() -> None:
    """Write all three."""
    folder = Path(__file__).parent
    with Outputs(overwrite=True) as outputs:
        for number, make in enumerate((jingle, announcement, bass_jump)):
            name = f"{make.__name__}.wav"
            sound = make(np.random.default_rng(SEED + number))
            sound *= 10.0 ** (PEAK_DBFS / 20.0) / np.abs(sound).max()
            path = outputs.stage(folder / name)
            with AudioWriter(path, folder / name, RATE_HZ, sound.shape[1], BITS[name], {}) as writer:
                writer.write(sound)
    print("\n".join(str(path) for path in outputs.paths))


def _add(sound: Array, start_s: float, voice: Array, gains: tuple[float, ...]) -> None:
    first = round(start_s * RATE_HZ)
    room = sound[first : first + len(voice)]
    room += np.outer(voice[: len(room)], gains)


def _seconds(length_s: float) -> Array:
    return np.arange(round(length_s * RATE_HZ)) / RATE_HZ


def _kick() -> Array:
    t = _seconds(0.35)
    pitch_hz = 50.0 + 90.0 * np.exp(-t / 0.03)
    tone = np.sin(2.0 * np.pi * np.cumsum(pitch_hz) / RATE_HZ)
    return tone * np.exp(-t / 0.09) * np.minimum(1.0, t / 0.001)


def _snare(rng: np.random.Generator) -> Array:
    t = _seconds(0.25)
    rattle = _noise(rng, len(t), (900.0, 8000.0))
    return 0.5 * np.sin(2.0 * np.pi * 190.0 * t) * np.exp(-t / 0.05) + 0.8 * rattle * np.exp(-t / 0.06)


def _hat(rng: np.random.Generator) -> Array:
    t = _seconds(0.08)
    return _noise(rng, len(t), (7000.0, 18000.0)) * np.exp(-t / 0.02)


def _bass(pitch_hz: float, length_s: float) -> Array:
    t = _seconds(length_s)
    tone = np.zeros_like(t)
    for k in range(1, 13):
        tone += np.sin(2.0 * np.pi * pitch_hz * k * t) / k
    return tone * np.minimum(1.0, t / 0.008) * np.minimum(1.0, (length_s - t) / 0.03) * np.exp(-t / 0.6)


def _bell(pitch_hz: float) -> Array:
    t = _seconds(1.6)
    tone = np.zeros_like(t)
    for ratio, share, decay_s in (
        (1.0, 1.0, 0.7),
        (2.76, 0.4, 0.3),
        (5.40, 0.2, 0.12),
    ):  # partials of a free bar
        tone += share * np.sin(2.0 * np.pi * pitch_hz * ratio * t) * np.exp(-t / decay_s)
    return tone


def _vowel(rng: np.random.Generator, formants_hz: tuple[int, ...], pitch_hz: float, length_s: float) -> Array:
    """Pulses of the glottis, falling in pitch, through three resonances."""
    t = _seconds(length_s)
    wobble = 1.0 + 0.01 * np.sin(2.0 * np.pi * 5.0 * t + rng.uniform(0.0, 2.0 * np.pi))
    phase = np.cumsum(pitch_hz * (1.08 - 0.15 * t / length_s) * wobble) / RATE_HZ
    source = np.diff(np.floor(phase), prepend=0.0)
    source = lfilter([1.0], [1.0, -0.97], source)  # falls by 6 dB an octave
    for formant_hz, bandwidth_hz in zip(formants_hz, BANDWIDTHS_HZ, strict=True):
        radius = np.exp(-np.pi * bandwidth_hz / RATE_HZ)
        turn = 2.0 * np.cos(2.0 * np.pi * formant_hz / RATE_HZ)
        source = lfilter([1.0 - radius * turn + radius**2], [1.0, -radius * turn, radius**2], source)
    return source * np.minimum(1.0, t / 0.02) * np.minimum(1.0, (length_s - t) / 0.05)


def _hiss(rng: np.random.Generator, length_s: float) -> Array:
    t = _seconds(length_s)
    return _noise(rng, len(t), (2500.0, 9000.0)) * np.sin(np.pi * t / length_s) ** 2


def _noise(rng: np.random.Generator, samples: int, band_hz: tuple[float, float]) -> Array:
    return sosfilt(butter(2, band_hz, "bandpass", fs=RATE_HZ, output="sos"), rng.standard_normal(samples))


if __name__ == "__main__":
    main()
