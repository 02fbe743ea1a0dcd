"""The audio files of a comparison: every version and every difference as 24 bit FLAC and WAV, aligned to the sample.

Names start with the version's number and go on with what of its name every file system takes. All files get the same
dither: versions that are equal are equal in their files, too.
"""

import re
import unicodedata
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np

from fetsim.audio.files import CONTAINERS, AudioWriter
from fetsim.audio.levels import decibels
from fetsim.audio.loudness import blocks
from fetsim.errors import InputError
from fetsim.measurements.traces.checks import Samples
from fetsim.studies.compare.comparison import NO_DIFFERENCE_DB, Difference, Outline
from fetsim.studies.compare.matching import lowered_db
from fetsim.studies.compare.outline import outline, outline_stretch

SUFFIXES = (".flac", ".wav")
BITS, BYTES = "24", 3
LONGEST_SLUG = 48  # characters
HIGHEST_DBFS = -1.0  # of the files of a difference
DIGITS = 4  # of an outline, which is for drawing


@dataclass(frozen=True)
class Leveled:
    """A version with the gain that it gets in its files."""

    samples: Samples
    """[shape=(frames, channels)]; may lie on disk."""
    gain: float
    rate_hz: int

    def blocks(self) -> Iterator[Samples]:
        """As in the files [shape=(n, channels)]."""
        for block, _ in blocks(self.samples, outline_stretch(len(self.samples))):
            yield self.gain * block

    def less(self, other: "Leveled") -> Iterator[Samples]:
        """This one less another one."""
        for mine, its in zip(self.blocks(), other.blocks(), strict=True):
            yield mine - its

    def outline(self) -> Outline:
        """Drawn small."""
        return _drawn(outline(self.blocks(), len(self.samples), self.rate_hz))


def file_stem(number: int, name: str) -> str:
    """``1-bigger-timing-cap``; the number alone for a name without a letter or digit of the Latin alphabet."""
    latin = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    slug = re.sub(r"[^a-z0-9]+", "-", latin)[:LONGEST_SLUG].strip("-")
    return f"{number}-{slug}" if slug else str(number)


def check_size(path: Path, frames: int, channels: int) -> None:
    """Raises InputError for a programme that no WAV file holds."""
    if frames * channels * BYTES > (CONTAINERS[".wav"].largest_bytes or np.inf):
        raise InputError(f"{path}: too long for a WAV file of {BITS} bit; compare a part of it")


def write_version(folder: Path, stem: str, version: Leveled) -> tuple[str, str]:
    """Write the version's files; their names, FLAC first. Raises InputError."""
    return _write(folder, stem, version.blocks(), version)


def write_difference(folder: Path, stem: str, version: Leveled, reference: Leveled) -> Difference:
    """Measure what ``version`` adds to ``reference``, and write it where there is anything. Raises InputError."""
    frames, rate_hz = len(version.samples), version.rate_hz
    shape = outline(version.less(reference), frames, rate_hz)
    rest, whole = (_rms(one, frames, rate_hz) for one in (shape, outline(reference.blocks(), frames, rate_hz)))
    level_db = float(decibels(rest / whole if whole > 0.0 else rest))
    gain_db = lowered_db(float(decibels(max(-shape.minimum.min(), shape.maximum.max()))), HIGHEST_DBFS)
    names = ("", "")
    if level_db >= NO_DIFFERENCE_DB:
        gain = 10.0 ** (gain_db / 20.0)
        names = _write(folder, f"{stem}-difference", (gain * b for b in version.less(reference)), version)
    flac_file, wav_file = names
    return Difference(
        level_db=level_db, outline=_drawn(shape), flac_file=flac_file, wav_file=wav_file, gain_db=gain_db
    )


def _write(folder: Path, stem: str, stretches: Iterable[Samples], like: Leveled) -> tuple[str, str]:
    paths = [folder / f"{stem}{suffix}" for suffix in SUFFIXES]
    channels = like.samples.shape[1]
    with ExitStack() as files:
        writers = [files.enter_context(AudioWriter(path, path, like.rate_hz, channels, BITS, {})) for path in paths]
        for block in stretches:
            for writer in writers:
                writer.write(block)
    return paths[0].name, paths[1].name


def _rms(shape: Outline, frames: int, rate_hz: int) -> float:
    lengths = np.full(len(shape.rms), float(round(shape.column_s * rate_hz)))
    lengths[-1] += frames - np.sum(lengths)
    return float(np.sqrt(np.sum(shape.rms**2 * lengths) / frames))


def _drawn(shape: Outline) -> Outline:
    """With as many digits as a drawing needs."""
    names = [f.name for f in fields(shape) if f.name != "column_s"]
    drawn = {name: np.array([float(f"{x:.{DIGITS}g}") for x in getattr(shape, name)]) for name in names}
    return Outline(column_s=shape.column_s, **drawn)
