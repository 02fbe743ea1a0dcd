"""Sound files, in and out, block by block: what is read, what is written, and with how many bits.

Everything that libsndfile reads comes in as double precision, 1.0 = full scale. What goes out is a linear
coding: 16 or 24 bit integers or 32 bit float. A lossy output would hide what a unit did, so there is none; a
lossy input becomes 24 bit.

Integers get triangular dither of two steps peak to peak, which makes mean and power of the error independent
of the signal (Lipshitz, Wannamaker, Vanderkooy, J. Audio Eng. Soc. 40 (1992) 355; from memory). Its seed is
fixed: the same input gives the same file. A sample of exactly +1.0 becomes the largest code, one step lower.
"""

import os
import re
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from types import TracebackType
from typing import Self

import numpy as np
import soundfile
from numpy.typing import NDArray

from fetsim.errors import InputError

Array = NDArray[np.float64]

BITS = ("16", "24", "float")
DITHER_SEED = 20
GIB = 2**30  # bytes
HEADER_SLACK = 16  # bytes by which a header may overstate its file before that counts as damage
STREAMED = ((0x7FFF0000, 0x80000100), (0xFFFFFE00, 0xFFFFFFFF))
"""Lengths in bytes, from and to, that programs write into the header of a stream, which they do not know yet."""
READ_FRAMES = 1 << 16
NO_PEAK_CHUNK = 0x1050  # libsndfile's SFC_SET_ADD_PEAK_CHUNK, with "no" for its argument
TALKATIVE = (".mp3", ".mp2", ".mpa", ".mpga", ".mpeg")
SYSTEM_ERROR = 2  # libsndfile's code for a failure of the operating system

_SUBTYPES = {"16": "PCM_16", "24": "PCM_24", "float": "FLOAT"}
_BITS_OF = {"PCM_24": "24", "PCM_32": "float", "FLOAT": "float", "DOUBLE": "float"}
_BITS_OF |= {"ALAC_20": "24", "ALAC_24": "24", "ALAC_32": "float", "VORBIS": "24", "OPUS": "24"}
_BITS_OF |= {f"MPEG_LAYER_{n}": "24" for n in ("I", "II", "III")}
_WHOLE_BY_HEADER = ("PCM_S8", "PCM_U8", "PCM_16", "PCM_24", "PCM_32")
_ANYWHERE = (*_WHOLE_BY_HEADER, "FLOAT", "DOUBLE")
_OVERSTATED = re.compile(
    r"^\s*(?:data|SSND|RIFF|riff|FORM|Riff size|Data Size)\s*: (\d+) \(should be (\d+)\)", re.MULTILINE
)
_TAGS = ("title", "artist", "album", "date", "tracknumber", "genre", "copyright", "license")


_descriptor_lock = Lock()


@dataclass(frozen=True)
class Container:
    """A kind of file that can be written."""

    name: str
    """As libsndfile calls it."""
    bits: tuple[str, ...]
    largest_bytes: int | None = None


CONTAINERS = {
    ".wav": Container("WAV", BITS, 4 * GIB),
    ".flac": Container("FLAC", ("16", "24")),
    ".aiff": Container("AIFF", BITS, 2 * GIB),
    ".aif": Container("AIFF", BITS, 2 * GIB),
    ".caf": Container("CAF", BITS),
    ".w64": Container("W64", BITS),
    ".rf64": Container("RF64", BITS),
    ".au": Container("AU", BITS, 4 * GIB),
}


def container_for(path: Path) -> Container:
    """The kind of file that ``path``'s suffix names. Raises InputError that lists the choices."""
    try:
        return CONTAINERS[path.suffix.lower()]
    except KeyError:
        choices = " ".join(CONTAINERS)
        what = f"cannot write {path.suffix} files" if path.suffix else "the name says no format"
        raise InputError(f"{path}: {what}; choose a suffix from {choices}") from None


class AudioReader:
    """A sound file opened for reading.

    Raises InputError when it is missing, damaged, empty or no sound file.
    """

    def __init__(self, path: Path, *, alike: int = 1) -> None:
        """``alike``: a file of one channel is read as so many that are alike."""
        self.path = path
        _refuse_non_file(path)
        try:
            with _library_quiet(path):
                self._file = soundfile.SoundFile(_for_library(path))
        except (RuntimeError, TypeError, ValueError) as error:
            reason = re.split(r"['\"]: ", str(error))[-1].strip().rstrip(".") or "unknown contents"
            choices = "WAV, FLAC, AIFF, CAF, Ogg and MP3 can"
            raise InputError(f"{path}: is not a sound file that can be read ({reason}); {choices}") from None
        self.rate_hz: int = self._file.samplerate
        self.is_spread = self._file.channels == 1 and alike > 1
        """Whether there is one channel in the file and its samples are given as several."""
        self.channels: int = alike if self.is_spread else self._file.channels
        self.frames: int = self._file.frames
        self.subtype: str = self._file.subtype
        self.warning = ""
        """What the header says that the file does not hold; mostly empty."""
        self._position = 0
        self._lock = Lock()
        try:
            self._refuse_overstated()
            if self.subtype not in _WHOLE_BY_HEADER or self._file.format == "FLAC":
                self._check_through()
            if self.frames == 0:
                raise InputError(f"{path}: holds no audio (0 frames)")
        except InputError:
            self._file.close()
            raise

    @property
    def bits(self) -> str:
        """Which of ``BITS`` loses nothing that is in this file; 24 for a lossy coding."""
        return _BITS_OF.get(self.subtype, "16")

    @property
    def tags(self) -> dict[str, str]:
        """Title, artist and the like, where the file has them."""
        return {key: text for key, text in self._file.copy_metadata().items() if key in _TAGS}

    def blocks(self, frames: int) -> Iterator[Array]:
        """All of it [shape=(n, channels), 1.0 = full scale], n = ``frames`` but in the last block."""
        self._rewind()
        read = 0
        while read < self.frames:
            block = self._read(min(frames, self.frames - read))
            if not len(block):
                raise InputError(self._cut_short(read))
            read += len(block)
            yield block

    @property
    def anywhere(self) -> bool:
        """Whether ``at`` gives from every place the very samples of ``blocks``: not so in a lossy coding, whose
        decoder remembers what came before."""
        return bool(self._file.seekable()) and self.subtype in _ANYWHERE

    def at(self, first: int, frames: int) -> Array:
        """As many frames from ``first`` on [shape=(n, channels), 1.0 = full scale]; fewer at the end."""
        with self._lock:
            self._file.seek(first)
            self._position = first
            return self._read(max(0, min(frames, self.frames - first)))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()

    def _refuse_overstated(self) -> None:
        log = self._file.extra_info
        for stated, found in _OVERSTATED.findall(log):
            if int(found) + HEADER_SLACK >= int(stated):
                continue
            if not any(low <= int(stated) <= high for low, high in STREAMED):
                raise InputError(self._cut_short(self.frames))
            self.warning = (
                f"the header of {self.path.name} gives the length of a stream, {int(stated)} bytes; the file ends at "
                f"{self.frames / self.rate_hz:.3f} s"
            )
        if "does not match value from 'ds64' chunk" in log:
            raise InputError(self._cut_short(self.frames))

    def _check_through(self) -> None:
        """Read a coding that can hide damage or non-numbers to its end once, before hours of work begin."""
        read = 0
        while len(block := self._read(READ_FRAMES)):
            bad = np.argwhere(~np.isfinite(block))
            if len(bad):
                frame, channel = bad[0]
                where = f"{(read + frame) / self.rate_hz:.6f} s, channel {channel + 1}"
                raise InputError(f"{self.path}: a sample is {block[frame, channel]} ({where}); repair the file")
            read += len(block)
        if read < self.frames:
            raise InputError(self._cut_short(read))

    def _rewind(self) -> None:
        if not self._position:
            return
        if self._file.seekable():
            self._file.seek(0)
        else:  # a coding that is read from its start only
            self._file.close()
            self._file = soundfile.SoundFile(_for_library(self.path))
        self._position = 0

    def _read(self, frames: int) -> Array:
        try:
            with _library_quiet(self.path):
                block = np.asarray(self._file.read(frames, dtype="float64", always_2d=True))
            self._position += len(block)
            return np.repeat(block, self.channels, axis=1) if self.is_spread else block
        except RuntimeError:
            at_s = self._position / self.rate_hz
            problem = f"is damaged or cut short at about {at_s:.3f} s"
            raise InputError(f"{self.path}: {problem}; repair the file") from None

    def _cut_short(self, frames: int) -> str:
        ends = f"is cut short, it ends at {frames / self.rate_hz:.3f} s and its header promises more"
        return f"{self.path}: {ends}; repair the file"


class AudioWriter:
    """A sound file opened for writing at ``path``, a temporary name for ``target``; raises InputError."""

    def __init__(
        self, path: Path, target: Path, rate_hz: int, channels: int, bits: str, tags: Mapping[str, str]
    ) -> None:
        self._path, self._target, self._bits = path, target, bits
        self._dither = np.random.default_rng(DITHER_SEED)
        self._frames = 0
        try:
            self._file = soundfile.SoundFile(
                _for_library(path), "w", rate_hz, channels, _SUBTYPES[bits], format=container_for(target).name
            )
            _without_clock(self._file)
        except RuntimeError as error:
            if getattr(error, "code", None) == SYSTEM_ERROR:
                raise InputError(f"{target}: cannot be written; is the disk full?") from None
            problem = f"{target.suffix} cannot hold {channels} channels at {rate_hz} Hz"
            raise InputError(f"{target}: {problem}; choose another suffix") from None
        for key, text in tags.items():
            try:
                setattr(self._file, key, text)
            except RuntimeError:
                break  # a kind of file without tags

    def write(self, block: Array) -> None:
        """Append a block [shape=(n, channels)]."""
        codes = block.astype(np.float32) if self._bits == "float" else self._quantised(block)
        try:
            self._file.write(codes)
        except (RuntimeError, AssertionError, OSError):
            raise InputError(f"{self._target}: cannot be written to its end; is the disk full?") from None
        self._frames += len(block)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self._file.close()
            if kind is None and soundfile.info(_for_library(self._path)).frames != self._frames:
                raise RuntimeError
        except RuntimeError:
            if kind is None:
                raise InputError(f"{self._target}: could not be finished; is the disk full?") from None

    def _quantised(self, block: Array) -> NDArray[np.int16] | NDArray[np.int32]:
        steps = float(1 << (int(self._bits) - 1))
        uniform = self._dither.random((*block.shape, 2), dtype=np.float32)
        codes = np.clip(np.rint(block * steps + (uniform[..., 0] - uniform[..., 1])), -steps, steps - 1.0)
        # libsndfile takes the upper bits of a 32 bit integer
        return codes.astype(np.int16) if self._bits == "16" else codes.astype(np.int32) << 8


def _refuse_non_file(path: Path) -> None:
    try:
        if not path.exists():
            raise InputError(f"{path}: no such file")
        if not path.is_file():
            raise InputError(f"{path}: is {'a folder' if path.is_dir() else 'not a file'}; give a sound file")
        with path.open("rb") as file:
            if not file.read(1):
                raise InputError(f"{path}: is empty (0 bytes)")
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror})") from None


def _for_library(path: Path) -> bytes | str:
    """A path as libsndfile takes it, names that are not UTF-8 included."""
    return str(path) if os.name == "nt" else os.fsencode(path)


def _without_clock(file: soundfile.SoundFile) -> None:
    """Leave out the list of peaks of float files, which holds the time of day: equal sound, equal files.

    The bindings have no public word for this command; where they change, one field of the file differs again.
    """
    with suppress(AttributeError):
        soundfile._snd.sf_command(file._file, NO_PEAK_CHUNK, soundfile._ffi.NULL, 0)


@contextmanager
def _library_quiet(path: Path) -> Iterator[None]:
    """Keep what the MP3 decoder says of a damaged file off standard error: one line of our own is enough."""
    if path.suffix.lower() not in TALKATIVE:
        yield
        return
    with _descriptor_lock:
        sys.stderr.flush()
        kept, nowhere = os.dup(2), os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 2)
        try:
            yield
        finally:
            os.dup2(kept, 2)
            os.close(kept)
            os.close(nowhere)
