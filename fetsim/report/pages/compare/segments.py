"""The sound of a page: short segments, each with all versions; and what can be seen of it on the way.

A segment is a text: one line of base64 for each version, a FLAC file of 24 bit (which the browsers' decoders
return to the last bit). All lines of a segment have one length (the shorter ones are filled with blanks), so that
neither names, places nor sizes of what is read during a blind test tell anything.
"""

import base64
import io
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from fetsim.audio.levels import decibels
from fetsim.errors import InputError
from fetsim.measurements.traces.checks import Samples
from fetsim.studies.compare.comparison import Comparison, VersionResult

SEGMENT_S = 5.0
COLUMN_S = 0.01  # of the drawings,
MOST_COLUMNS = 60_000  # or longer where there would be more of them
FLAC_EFFORT = 0.5  # of 0 to 1; more takes twice the time for 1 % of size
WORKERS = 2  # the encoder lets other threads run

Sound = NDArray[np.floating]


@dataclass(frozen=True)
class Segments:
    """What ``cut`` made; ``k`` counts the playable versions."""

    paths: tuple[Path, ...]
    total_bytes: int
    frames: int
    segment_frames: int
    column_frames: int
    low: Samples
    """Smallest sample of each column, over all channels [shape=(k, columns)]."""
    high: Samples
    difference_db: Samples
    """rms of each version less the first, re the rms of the whole first one [shape=(k, columns)]."""
    difference_peak_db: Samples
    """Largest sample of the difference re the largest of the first version [shape=(k,)]."""
    covariance: Samples
    """Mean product of the samples of each two versions [shape=(k, k)]."""


@dataclass(frozen=True)
class _Look:
    low: Sound
    high: Sound
    difference_square: Sound
    difference_peak: Sound
    products: Sound


def playable(comparison: Comparison) -> list[VersionResult]:
    """Versions that have sound, in their order."""
    return [version for version in comparison.versions if not version.error]


def cut(comparison: Comparison, folder: Path, temporary: Path, progress: Callable[[float], None]) -> Segments:
    """Cut the versions' files in ``folder`` into segments, written to ``temporary``.

    Raises InputError for files that are missing or do not fit together.
    """
    sources = [folder / version.flac_file for version in playable(comparison)]
    if not sources:
        raise InputError(f"{folder}: none of the versions could be played, so there is nothing to listen to")
    frames = _common_length(sources, comparison.rate_hz)
    column_frames = max(1, round(COLUMN_S * comparison.rate_hz), -(-frames // MOST_COLUMNS))
    segment_frames = column_frames * max(1, round(SEGMENT_S * comparison.rate_hz / column_frames))

    def work(start: int) -> tuple[Path, _Look]:
        path = temporary / f"{start // segment_frames}.txt"
        blocks = [_read(source, start, segment_frames) for source in sources]
        path.write_text(_text(blocks, comparison.rate_hz), encoding="ascii")
        return path, _look(blocks, column_frames)

    done: list[tuple[Path, _Look]] = []
    starts = range(0, frames, segment_frames)
    with ThreadPoolExecutor(WORKERS) as pool:
        for one in pool.map(work, starts):
            done.append(one)
            progress(len(done) / len(starts))
    paths, looks = zip(*done, strict=True)
    products = sum(look.products for look in looks)
    programme_square = float(products[0, 0]) / (frames * comparison.channels)
    peaks = np.max([look.difference_peak for look in looks], axis=0)
    programme_peak = max(max(float(np.max(look.high[0])), -float(np.min(look.low[0]))) for look in looks)
    squares = np.concatenate([look.difference_square for look in looks], axis=1)
    return Segments(
        paths,
        sum(path.stat().st_size for path in paths),
        frames,
        segment_frames,
        column_frames,
        np.concatenate([look.low for look in looks], axis=1),
        np.concatenate([look.high for look in looks], axis=1),
        decibels(np.sqrt(squares / (programme_square or 1.0))),  # of silence: re full scale
        decibels(peaks / (programme_peak or 1.0)),
        products / (frames * comparison.channels),
    )


def _common_length(sources: Sequence[Path], rate_hz: int) -> int:
    lengths = set()
    for source in sources:
        try:
            info = soundfile.info(source)
        except (soundfile.SoundFileError, OSError) as error:
            raise InputError(f"{source}: cannot be read ({error}); make the comparison again") from None
        if info.samplerate != rate_hz:
            raise InputError(f"{source}: {info.samplerate} Hz instead of {rate_hz} Hz; make the comparison again")
        lengths.add(info.frames)
    if len(lengths) != 1:
        raise InputError(f"{sources[0].parent}: the versions differ in length; make the comparison again")
    return lengths.pop()


def _read(source: Path, start: int, frames: int) -> Samples:
    """A stretch of a file as 32 bit integers [shape=(n, channels)]: exact, and half the memory."""
    with soundfile.SoundFile(source) as file:
        file.seek(start)
        return file.read(frames, dtype="int32", always_2d=True)


def _text(blocks: Sequence[Samples], rate_hz: int) -> str:
    lines = []
    for block in blocks:
        buffer = io.BytesIO()
        soundfile.write(
            buffer, block, rate_hz, format="FLAC", subtype="PCM_24", compression_level=FLAC_EFFORT
        )
        lines.append(base64.b64encode(buffer.getvalue()).decode("ascii"))
    longest = max(map(len, lines))
    return "\n".join(line.ljust(longest) for line in lines)


def _look(blocks: Sequence[Samples], column_frames: int) -> _Look:
    """``blocks`` have shape=(frames, channels); single precision holds their 24 bits, and is twice as fast."""
    samples = [block.astype(np.float32) * np.float32(2.0**-31) for block in blocks]
    apart = [one - samples[0] for one in samples]
    flat = np.stack(samples).reshape(len(samples), -1)
    return _Look(
        np.stack([_by_column(one, column_frames, lambda rows: rows.min(axis=1)) for one in samples]),
        np.stack([_by_column(one, column_frames, lambda rows: rows.max(axis=1)) for one in samples]),
        np.stack([_by_column(one, column_frames, lambda rows: np.mean(rows * rows, axis=1)) for one in apart]),
        np.array([np.max(np.abs(one)) for one in apart]),
        (flat @ flat.T).astype(float),
    )


def _by_column(samples: Sound, column_frames: int, reduce: Callable[[Sound], Sound]) -> Sound:
    """``reduce`` over each stretch of ``column_frames``, and over what is left at the end."""
    whole = len(samples) // column_frames * column_frames
    parts = samples[:whole].reshape(-1, column_frames * samples.shape[1]), samples[whole:].reshape(1, -1)
    return np.concatenate([reduce(part) for part in parts if part.size])
