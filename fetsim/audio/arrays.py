"""Audio given as arrays: floats, 1.0 = full scale, frames down and channels across; anything else is told apart.

What looks like audio and is not would be played without a word: integers of a sound file are ninety decibels over full
scale, an array with its channels first is thousands of channels of two samples.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from numbers import Real
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fetsim.errors import InputError

Array = NDArray[np.float64]

MOST_CHANNELS = 64
_FULL_CODES = {"int8": "128", "int16": "32768", "int32": "2147483648", "uint8": "128"}
EVERY_INTEGER = (*_FULL_CODES, "uint16", "uint32", "int64", "uint64")
_OTHER_KINDS = {
    "b": "truth values", "c": "complex numbers; give the real part", "M": "dates", "m": "time spans",
    "V": "records; give the field with the samples", "U": "text", "S": "bytes",
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class ArraySource:
    """Samples in memory [shape=(frames, channels)] as a player takes them in."""

    samples: Array
    anywhere = True

    @property
    def frames(self) -> int:
        return len(self.samples)

    def blocks(self, frames: int) -> Iterator[Array]:
        """All of it in order, so many frames at a time."""
        for first in range(0, len(self.samples), frames):
            yield self.samples[first : first + frames]

    def at(self, first: int, frames: int) -> Array:
        """As many frames from ``first`` on."""
        return self.samples[first : first + frames]


def numbers_of(values: ArrayLike, name: str, *, codes: tuple[str, ...] = tuple(_FULL_CODES)) -> Array:
    """An array of floats, of any shape. Raises InputError that says what ``name`` holds instead, and the remedy.

    ``codes`` are the kinds of integers that are taken for the codes of a sound file, not for numbers.
    """
    if np.ma.is_masked(values):
        raise InputError(f"{name}: has masked values; fill them first")
    try:
        array: NDArray[Any] = np.asarray(values)
    except (ValueError, TypeError):
        raise InputError(f"{name}: is a list of unequal lists; give an array of one shape") from None
    if array.dtype.kind == "f" or (array.dtype.kind in "iu" and str(array.dtype) not in codes):
        return np.asarray(array, dtype=np.float64)
    if array.size == 0 and array.dtype.kind != "O":
        return np.empty(array.shape)
    if array.dtype.kind in "iu":
        raise InputError(f"{name}: holds integers ({array.dtype}), not samples; {_scaled(str(array.dtype))}")
    what = _OTHER_KINDS.get(array.dtype.kind, f"a {type(values).__name__}, not numbers")
    raise InputError(f"{name}: holds {what}; give floats, 1.0 = full scale")


def audio_frames(audio: ArrayLike, name: str = "audio") -> tuple[Array, tuple[int, ...]]:
    """Samples [shape=(frames, channels)] and the shape they were given in. Raises InputError."""
    samples = numbers_of(audio, name, codes=EVERY_INTEGER)
    if samples.ndim not in (1, 2) or samples.size == 0:
        raise InputError(f"{name}: need frames or (frames, channels), got shape {samples.shape}")
    frames = samples.reshape(len(samples), -1)
    if frames.shape[1] > MOST_CHANNELS:
        channels = f"{name}: {len(frames)} frames of {frames.shape[1]} channels"
        remedy = f"did you mean {name}.T?" if len(frames) <= MOST_CHANNELS else f"{MOST_CHANNELS} at the most"
        raise InputError(f"{channels}; {remedy}")
    return frames, samples.shape


def real_number(value: object, name: str) -> float:
    """A finite number. Raises InputError for anything else."""
    if isinstance(value, Real) and not isinstance(value, bool | np.bool_) and np.isfinite(float(value)):
        return float(value)
    shown = f"{value!r}"[:40]
    raise InputError(f"{name}: must be a finite number, not {shown}")


def names_of(names: object, name: str) -> tuple[str, ...]:
    """Texts in a row, each once. Raises InputError for one text, or what holds none."""
    if not isinstance(names, str | bytes):
        try:
            found = tuple(dict.fromkeys(names))  # type: ignore[call-overload]
        except TypeError:
            found = (None,)
        if all(isinstance(one, str) for one in found):
            return found
    raise InputError(f"{name}: must be a list of names, not {f'{names!r}'[:40]}")


def _scaled(kind: str) -> str:
    if kind == "uint8":
        return "subtract 128 and divide by 128.0"
    if kind in _FULL_CODES:
        return f"divide by {_FULL_CODES[kind]}.0"
    return "divide by their full scale, so that 1.0 is full scale"
