"""A recording off the disk: its samples, and what makes it useless said in one line."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from fetsim.audio.files import AudioReader
from fetsim.errors import InputError
from fetsim.measurements.traces.checks import Samples
from fetsim.measurements.traces.clipping import clipped_samples, silent

SHORTEST_S, LONGEST_S = 0.25, 600.0
BLOCK_FRAMES = 1 << 16


@dataclass(frozen=True, kw_only=True)
class Sound:
    """Samples [shape=(n, channels), 1.0 = full scale] of a file."""

    path: Path
    samples: Samples
    rate_hz: int
    chosen: int | None = None
    """Number of the channel in its file, where it is one of several."""

    @property
    def channels(self) -> int:
        """How many."""
        return self.samples.shape[1]

    def channel(self, number: int) -> "Sound":
        """Its channel of that number, counted from 1. Raises InputError."""
        if not 1 <= number <= self.channels:
            raise InputError(f"{self.path}: has no channel {number}; it has {self.channels}, counted from 1")
        return replace(self, samples=self.samples[:, number - 1 : number], chosen=number)


def read_sound(path: Path) -> Sound:
    """All of a sound file. Raises InputError where it cannot be read, is too long or all silent."""
    with AudioReader(path) as reader:
        if reader.frames > LONGEST_S * reader.rate_hz:
            raise InputError(
                f"{path}: lasts {reader.frames / reader.rate_hz:.0f} s; {LONGEST_S:g} s at the most, so cut a part out"
            )
        sound = Sound(
            path=path, samples=np.concatenate(list(reader.blocks(BLOCK_FRAMES))), rate_hz=reader.rate_hz
        )
    if all(silent(one) for one in sound.samples.T):
        raise InputError(f"{path}: is silent; was the right input recorded?")
    if (highest := float(np.max(np.abs(sound.samples)))) > MOST_FULL_SCALES:
        raise InputError(f"{path}: has samples of {highest:.3g} times full scale; is it sound? save it anew")
    return sound


def check_length(sound: Sound) -> None:
    """Refuse what is too short to tell anything. Raises InputError."""
    length_s = len(sound.samples) / sound.rate_hz
    if length_s < SHORTEST_S:
        raise InputError(f"{sound.path}: lasts {length_s:.3g} s; {SHORTEST_S:g} s is the least, so record for longer")


def check_audible(sound: Sound) -> None:
    """Refuse a channel that is silent. Raises InputError."""
    for number, one in enumerate(sound.samples.T, start=1):
        if silent(one):
            number = sound.chosen or number
            raise InputError(f"{sound.path}: channel {number} is silent; choose the other channel")


def check_clipping(sound: Sound) -> None:
    """Refuse a recording that was driven over its full scale. Raises InputError."""
    for number, one in enumerate(sound.samples.T, start=1):
        count = clipped_samples(one)
        if count and np.max(np.abs(one)) > CLIPS_AT:
            where = f" in channel {number}" if sound.channels > 1 else ""
            raise InputError(
                f"{sound.path}: is clipped at {count} samples{where}; lower the recording level and record it again"
            )


MOST_FULL_SCALES = 1e6
"""No recording has more, in whatever numbers it is saved."""
CLIPS_AT = 0.5
"""Flat tops under half of full scale are what a unit did, not a converter."""
