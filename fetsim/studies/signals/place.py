"""Where the test file begins in a recording, by its markers, and the recording on its clock. Arrays only.

Each marker is looked for in all of the recording at first, below ``COARSE_BAND_HZ``: another clock turns the phase at 4
kHz by 0.12 cycles per 100 ppm between its middle and its ends, too little to lose it. The line through what is found
tells the clock roughly, on which each marker then is brought in step by itself. Samples that were lost or inserted on
the way put the markers off a line. A single one does not by more than may be (``MOST_OFF``), since a crystal that warms
up by 1 ppm a minute bends the line by a third of a sample; three of them, before they were seen, moved no figure that
is told.
"""

from collections.abc import Sequence as Several
from dataclasses import dataclass

import numpy as np
from scipy import signal as dsp

from fetsim.errors import InputError
from fetsim.measurements.traces.checks import Samples
from fetsim.measurements.traces.first_guess import LARGEST_PPM
from fetsim.measurements.traces.in_step import in_step
from fetsim.measurements.traces.instants import on_clock

LEAST_LIKENESS = 0.3
COARSE_BAND_HZ, COARSE_RATE_HZ = (600.0, 4000.0), 10_000.0
COARSE_OFF = 8.0  # samples, by which the peak at the lower rate may be off
MOST_OFF = 0.5  # samples from the line, beyond ``SURE`` of a marker's own standard errors
SURE = 4.0
ROOM_S = 0.01  # to either side of where a marker is expected


@dataclass(frozen=True, kw_only=True)
class Placed:
    """A recording on the clock of what was played."""

    samples: Samples
    """[shape=(n,)], as long as what was played, turned the right way up."""
    delay_s: float
    clock_ppm: float
    polarity: int
    scatter_s: float
    """rms of the markers about the line through them."""


def placed(recording: Samples, markers: Several[tuple[int, Samples]], length: int, rate_hz: float) -> Placed:
    """``recording`` [shape=(m,)] so that sample 0 is that of what was played, ``length`` samples of which there are.

    ``markers``: first sample and samples [shape=(k,)] of each. Raises InputError where one is not found, the
    recording begins behind the first or ends before the last, its clock is too far off or it is not of one piece.
    """
    starts = np.array([start for start, _ in markers])
    sizes = np.array([len(marker) for _, marker in markers])
    line = _Line.through(
        starts + 0.5 * sizes, _roughly(recording, markers, rate_hz) + 0.5 * sizes, sizes, COARSE_OFF, rate_hz
    )
    if abs(line.clock) > 1e-6 * LARGEST_PPM:
        raise InputError(
            f"its clock is {1e6 * line.clock:+.0f} ppm off, {LARGEST_PPM:g} ppm at the most can be; is its rate right?"
        )
    room = round(ROOM_S * rate_hz)
    heard_at, errors, signs = [], [], []
    for start, marker in markers:
        begin = line.offset + (start - room) * (1.0 + line.clock)
        low, whole = max(int(begin) - 2 * room, 0), len(marker) + 2 * room
        part = recording[low : int(begin) + whole + 2 * room]
        part = on_clock(part, delay_samples=begin - low, clock=line.clock)[:whole]
        pair = in_step(part, reference=np.pad(marker, room), rate_hz=rate_hz, max_lag_s=ROOM_S)
        if not np.isfinite(pair.delay_error_s):
            raise InputError("its noise hides the markers; raise the level and record it again")
        middle = room + 0.5 * len(marker)
        at_middle = middle * (1.0 + 1e-6 * pair.clock_ppm) + pair.delay_s * rate_hz
        heard_at.append(begin + at_middle * (1.0 + line.clock))
        errors.append(pair.delay_error_s * rate_hz)
        signs.append(pair.polarity[0])
    most = MOST_OFF + SURE * float(np.max(errors))
    line = _Line.through(starts + 0.5 * sizes, np.array(heard_at), sizes, most, rate_hz)
    early = max(0, int(np.ceil(-line.offset / (1.0 + line.clock))))  # samples of the file that the recording missed
    read = on_clock(recording, delay_samples=line.offset + early * (1.0 + line.clock), clock=line.clock)
    whole_file = np.zeros(length)
    read = read[: length - early]
    whole_file[early : early + len(read)] = read
    polarity = 1 if sum(signs) >= 0 else -1
    return Placed(
        samples=polarity * whole_file,
        delay_s=line.offset / rate_hz,
        clock_ppm=1e6 * line.clock,
        polarity=polarity,
        scatter_s=line.scatter / rate_hz,
    )


@dataclass(frozen=True)
class _Line:
    """A sample that was played at ``t`` is heard at ``offset + t * (1 + clock)``."""

    offset: float
    clock: float
    scatter: float

    @classmethod
    def through(cls, played: Samples, heard: Samples, sizes: Samples, most: float, rate_hz: float) -> "_Line":
        """The one through the markers' middles, of which none is off by more than ``most`` samples, else InputError."""
        delay = heard - played
        clock, offset = np.polyfit(played, delay, 1)
        off = delay - offset - clock * played
        if np.max(np.abs(off)) <= most:
            return cls(float(offset), float(clock), float(np.sqrt(np.mean(off**2))))
        left, steps = [], []
        for place in range(1, len(played)):  # behind which of them a line of the same slope goes on elsewhere
            model = np.stack([np.ones(len(played)), played, np.arange(len(played)) >= place], axis=1)
            found = np.linalg.lstsq(model, delay, rcond=None)[0]
            left.append(float(np.sum((delay - model @ found) ** 2)))
            steps.append(float(found[2]))
        place = int(np.argmin(left)) + 1
        step = steps[place - 1]
        begin_s = (heard[place - 1] + 0.5 * sizes[place - 1]) / rate_hz
        end_s = (heard[place] - 0.5 * sizes[place]) / rate_hz
        how = "lost" if step < 0.0 else "inserted"
        raise InputError(
            f"about {abs(step):.0f} samples ({1e3 * abs(step) / rate_hz:.2g} ms) were {how} between {begin_s:.1f} and "
            f"{end_s:.1f} s; record it again, with a larger buffer"
        )


def _roughly(recording: Samples, markers: Several[tuple[int, Samples]], rate_hz: float) -> Samples:
    """First sample of each marker in ``recording``, to a few samples. Raises InputError where one is not there."""
    fewer = max(1, int(rate_hz / COARSE_RATE_HZ))
    band = dsp.butter(4, COARSE_BAND_HZ, "band", fs=rate_hz / fewer, output="sos")
    heard, *wanted = (
        dsp.sosfilt(band, dsp.resample_poly(one, 1, fewer)) for one in (recording, *(marker for _, marker in markers))
    )
    found = [_found(heard, one) for one in wanted]
    there = [(begin * fewer, start) for begin, (start, _) in zip(found, markers, strict=True) if begin is not None]
    if not there:
        raise InputError("the test file is not found in it; is it the recording of this very file, at its rate?")
    begin, start = there[0]
    for place, (wanted_at, marker) in zip(found, markers, strict=True):
        expected = begin - start + wanted_at
        if place is None and expected < 0:
            raise InputError("it begins after the test file does; record from the beginning")
        if place is None and expected + len(marker) > len(recording):
            raise InputError(
                f"it ends at {len(recording) / rate_hz:.2f} s, before the test file does; record to the end"
            )
        if place is None:
            raise InputError(
                f"what was played {wanted_at / rate_hz:.1f} s after the file's beginning is not found in it; was it "
                "interrupted? record it again"
            )
    return np.array([place * fewer for place in found if place is not None])


def _found(recording: Samples, marker: Samples) -> float | None:
    """First sample of ``marker`` in ``recording`` where their normalised correlation is largest, by a parabola."""
    if len(recording) < len(marker):
        return None
    both = dsp.correlate(recording, marker, mode="valid", method="fft")
    energy = np.concatenate([[0.0], np.cumsum(recording * recording)])
    energy = energy[len(marker) :] - energy[: len(both)]
    scale = np.sqrt(np.maximum(energy, 1e-6 * np.max(energy)) * np.sum(marker * marker))
    likeness = np.abs(both) / np.maximum(scale, 1e-300)
    best = int(np.argmax(likeness))
    if likeness[best] < LEAST_LIKENESS:
        return None
    before, top, after = (likeness[np.clip(best + step, 0, len(likeness) - 1)] for step in (-1, 0, 1))
    bend = before - 2.0 * top + after
    return best + (0.5 * float((before - after) / bend) if bend < 0.0 else 0.0)
