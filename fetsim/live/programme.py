"""The recording that goes round: a stretch of it, again and again, as a function of the frame that is asked for.

Nothing is remembered between blocks, so that a log of places replays to the same samples. At the ends of the stretch
the sound fades over 5 ms, and from one place to another it goes in as long: a seam is no part of what is listened to.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fetsim.audio.files import AudioReader
from fetsim.audio.player import check_rate
from fetsim.engine.assembly import Array
from fetsim.errors import InputError

LONGEST_S = 600.0  # held in memory: 230 MB of one channel at 48 kHz
SHORTEST_S = 0.1
EDGE_S = 0.005
MOST_CHANNELS = 2


@dataclass(frozen=True)
class Place:
    """From a frame of the session on the programme goes round between two frames of the recording."""

    since: int
    """Frame of the session."""
    start: int
    """Frame of the recording that the stretch begins with,"""
    end: int
    """and the one behind it."""
    at: int
    """Frame of the recording that is heard at ``since``."""

    def within(self, frame: NDArray[np.int64]) -> NDArray[np.int64]:
        """How far behind its start it is at frames of the session."""
        return (self.at - self.start + frame - self.since) % (self.end - self.start)


@dataclass(frozen=True, eq=False)
class Programme:
    """A recording, or a part of one."""

    name: str
    path: Path
    rate_hz: int
    samples: Array
    """[shape=(frames, channels), 1.0 = full scale]."""
    first_s: float = 0.0
    """Where in the file it begins."""

    @property
    def frames(self) -> int:
        return len(self.samples)

    @property
    def channels(self) -> int:
        return self.samples.shape[1]

    def place(self, since: int, start_s: float, end_s: float, at_s: float | None = None) -> Place:
        """Go round between two instants [s from the beginning of the programme], from ``at_s`` on (default: the
        start). What lies outside is brought in. Raises InputError for too short a stretch."""
        start, end = (min(max(round(s * self.rate_hz), 0), self.frames) for s in (start_s, end_s))
        if end - start < SHORTEST_S * self.rate_hz:
            raise InputError(f"loop: {start_s:g} to {end_s:g} s is shorter than {SHORTEST_S:g} s")
        at = start if at_s is None else min(max(round(at_s * self.rate_hz), start), end - 1)
        return Place(since, start, end, at)

    def instant_s(self, place: Place, frame: int) -> float:
        """Where in the programme a frame of the session lies."""
        return float(place.start + place.within(np.array(frame))) / self.rate_hz

    def sound(self, frame: int, frames: int, place: Place, before: Place | None = None) -> Array:
        """What is heard from a frame of the session on [shape=(frames, channels)]: at ``place`` since it is there, and
        ``before`` that at another; None: silence."""
        frames_of_session = np.arange(frame, frame + frames)
        entered = np.clip((frames_of_session - place.since + 0.5) / (EDGE_S * self.rate_hz), 0.0, 1.0)
        sound = self._at(place, frames_of_session) * entered[:, None]
        if before is not None and entered[0] < 1.0:
            sound += self._at(before, frames_of_session) * (1.0 - entered)[:, None]
        return sound

    def _at(self, place: Place, frames_of_session: NDArray[np.int64]) -> Array:
        """What goes round there, faded at the ends."""
        within, edge = place.within(frames_of_session), EDGE_S * self.rate_hz
        fade = np.minimum((within + 0.5) / edge, (place.end - place.start - within - 0.5) / edge)
        return np.asarray(self.samples[place.start + within] * np.minimum(fade, 1.0)[:, None])


def read_programme(
    path: Path, start_s: float | None = None, end_s: float | None = None, *, alike: int = 1
) -> Programme:
    """A recording, or its part between two instants; ``alike``: one channel is heard in so many.

    Raises InputError for what is no sound file, a part outside of it, more than 10 minutes or more than two channels.
    """
    with AudioReader(path, alike=alike) as reader:
        check_rate(reader.rate_hz, str(path))
        if reader.channels > MOST_CHANNELS:
            raise InputError(f"{path}: has {reader.channels} channels; one or two can be listened to, so take some out")
        length_s = reader.frames / reader.rate_hz
        start, end = start_s or 0.0, length_s if end_s is None else end_s
        if not 0.0 <= start < end <= length_s + 1.0 / reader.rate_hz:
            part = f"{start:g} to {end:g} s"
            raise InputError(f"--loop: {part} is no part of {path}, which has {length_s:.3f} s")
        if end - start > LONGEST_S:
            remedy = "give a part with --loop"
            raise InputError(f"{path}: {end - start:.0f} s are too long to go round; {remedy}")
        first, last = round(start * reader.rate_hz), min(round(end * reader.rate_hz), reader.frames)
        samples = _between(reader, first, last)
    if len(samples) < SHORTEST_S * reader.rate_hz:
        raise InputError(f"{path}: a loop of {len(samples) / reader.rate_hz:.3f} s is shorter than {SHORTEST_S:g} s")
    return Programme(path.name, path, reader.rate_hz, samples, first / reader.rate_hz)


def _between(reader: AudioReader, first: int, last: int) -> Array:
    """Frames of a file, whatever its coding."""
    kept: list[Array] = []
    done = 0
    for block in reader.blocks(1 << 16):
        kept.append(block[max(first - done, 0) : max(last - done, 0)])
        done += len(block)
        if done >= last:
            break
    return np.concatenate(kept)


def programme_of(samples: Array, rate_hz: int, name: str = "samples") -> Programme:
    """One that is in memory [shape=(frames, channels)]."""
    return Programme(name, Path(name), rate_hz, samples)
