"""Sound for inputs beside the program's, a key say: from arrays, from a second file or from one channel of it.

It goes along with the program block by block, at its rate and of its length, 1.0 being the same full scale. One
channel feeds every channel of the program; several feed one each.
"""

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from fetsim.audio.arrays import audio_frames
from fetsim.audio.files import AudioReader
from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.schematic.unit import Unit

LONGEST_NUMBER = 10
"""Of a channel; what has more digits is part of a name."""

Beside = Iterator[Mapping[str, Array]]
"""For every block of the program: input -> samples [shape=(n, channels)]."""


@dataclass(frozen=True)
class Feed:
    """A file, or one channel of it, that feeds an input."""

    path: Path
    channel: int | None = None
    """Counted from 1."""

    def __str__(self) -> str:
        return f"{self.path.name}" + ("" if self.channel is None else f", channel {self.channel}")

    @classmethod
    def of(cls, text: str | Path) -> "Feed":
        """``key.wav``, or ``key.wav:2`` for its second channel."""
        path, colon, number = str(text).rpartition(":")
        if colon and number.isdecimal() and len(number) < LONGEST_NUMBER and not os.path.exists(text):
            return cls(Path(path), int(number))
        return cls(Path(text))


def feeds_of(inputs: Mapping[str, str | Path], unit: Unit) -> dict[str, Feed]:
    """Input -> what feeds it. Raises InputError for a name that is no input of the unit beside the program's."""
    check_inputs(inputs, unit)
    for name, text in inputs.items():
        if not isinstance(text, str | Path):
            raise InputError(f"input {name}: must be the name or path of a sound file, not a {type(text).__name__}")
    return {name: Feed.of(text) for name, text in inputs.items()}


def check_inputs(inputs: Mapping[str, object], unit: Unit) -> None:
    """Raises InputError for a name that no part of the unit reads."""
    if not isinstance(inputs, Mapping):
        raise InputError(f"inputs: must map names to what feeds them, not be a {type(inputs).__name__}")
    others = unit.other_inputs
    for name in inputs:
        if name not in others:
            what = f"it reads {', '.join(others)}" if others else "it reads the program alone"
            raise InputError(f"input: no part of {unit.name} reads {repr(name)[:42]}; {what}")


def from_files(feeds: Mapping[str, Feed], readers: Mapping[str, AudioReader], program: AudioReader, n: int) -> Beside:
    """Blocks of ``n`` frames of every feed. Raises InputError, before the first, where one does not fit the program."""
    for name, feed in feeds.items():
        _check_file(name, feed, readers[name], program)
    return _along({name: readers[name].blocks(n) for name in feeds}, feeds, program.channels)


def _along(blocks: Mapping[str, Iterator[Array]], feeds: Mapping[str, Feed], channels: int) -> Beside:
    for together in zip(*blocks.values(), strict=True):
        chosen = {
            name: block if feeds[name].channel is None else block[:, [(feeds[name].channel or 1) - 1]]
            for name, block in zip(blocks, together, strict=True)
        }
        yield {name: _spread(block, channels) for name, block in chosen.items()}


def from_arrays(inputs: Mapping[str, ArrayLike], shape: tuple[int, int], n: int) -> Beside:
    """The same from samples [shape=(frames,) or (frames, channels)] beside a program of ``shape``.

    Raises InputError where they do not fit it.
    """
    whole = {}
    for name, samples in inputs.items():
        frames, given = audio_frames(samples, f"input {name}")
        if len(frames) != shape[0] or frames.shape[1] not in (1, shape[1]):
            raise InputError(f"input {name}: has shape {given} beside {shape[0]} frames of {_channels(shape[1])}")
        whole[name] = _spread(frames, shape[1])
    return ({name: one[k : k + n] for name, one in whole.items()} for k in range(0, shape[0], n))


def _spread(block: Array, channels: int) -> Array:
    return np.broadcast_to(block, (len(block), channels))


def _check_file(name: str, feed: Feed, reader: AudioReader, program: AudioReader) -> None:
    what = f"{reader.path}: for the input {name}"
    if reader.rate_hz != program.rate_hz:
        raise InputError(f"{what} has {reader.rate_hz} Hz, {program.path} {program.rate_hz} Hz; resample one of them")
    if reader.frames != program.frames:
        remedy = "cut or lengthen one of them"
        raise InputError(f"{what} has {reader.frames} frames, {program.path} {program.frames}; {remedy}")
    if feed.channel is not None and not 1 <= feed.channel <= reader.channels:
        raise InputError(f"{what} has {_channels(reader.channels)}, no number {feed.channel}")
    if feed.channel is None and reader.channels not in (1, program.channels):
        remedy = f"choose one, as {name}={reader.path}:1"
        raise InputError(f"{what} has {reader.channels} channels, {program.path} {program.channels}; {remedy}")


def _channels(count: int) -> str:
    return f"{count} channel" if count == 1 else f"{count} channels"
