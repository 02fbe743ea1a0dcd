"""Where the test file begins in a recording, by its markers, and the recording on its clock. Arrays only."""

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

    ``markers``: first sample and samples [shape=(k,)] of each. Raises InputError where one is not found, or the
    recording ends before the last.
    """
    first, marker = markers[0]
    begin = _found(np.diff(recording), np.diff(marker))
    if begin is None:
        raise InputError("the test file is not found in it; is it the recording of this very file, at its rate?")
    delay, expected, signs = [], begin - first, []
    for start, marker in markers:
        room = round(ROOM_S * rate_hz + 1e-6 * LARGEST_PPM * start)
        low = start + expected - room
        part = recording[max(low, 0) : low + len(marker) + 2 * room]
        if low + len(marker) + room > len(recording):
            raise InputError(
                f"it ends at {len(recording) / rate_hz:.2f} s, before the test file does; record to the end"
            )
        silence = np.zeros(room)
        pair = in_step(
            part, reference=np.concatenate([silence, marker, silence]), rate_hz=rate_hz, max_lag_s=room / rate_hz
        )
        at_middle = pair.delay_s * rate_hz + 1e-6 * pair.clock_ppm * (room + 0.5 * len(marker))
        delay.append(max(low, 0) - start + at_middle + room)
        signs.append(pair.polarity[0])
    at = np.array([start + 0.5 * len(one) for start, one in markers])
    clock, _ = np.polyfit(at, delay, 1)
    offset = float(np.mean(np.array(delay) - clock * at))
    off = np.array(delay) - clock * at - offset
    clock = float(clock)
    early = max(0, int(np.ceil(-offset / (1.0 + clock))))  # samples of the file that the recording missed
    read = on_clock(recording, delay_samples=offset + early * (1.0 + clock), clock=clock)
    whole = np.zeros(length)
    read = read[: length - early]
    whole[early : early + len(read)] = read
    polarity = 1 if sum(signs) >= 0 else -1
    return Placed(
        samples=polarity * whole,
        delay_s=offset / rate_hz,
        clock_ppm=1e6 * clock,
        polarity=polarity,
        scatter_s=float(np.sqrt(np.mean(off**2))) / rate_hz,
    )


def _found(recording: Samples, marker: Samples) -> int | None:
    """First sample of ``marker`` in ``recording`` where their normalised correlation is largest."""
    if len(recording) < len(marker):
        return None
    both = dsp.correlate(recording, marker, mode="valid", method="fft")
    energy = np.concatenate([[0.0], np.cumsum(recording * recording)])
    energy = energy[len(marker) :] - energy[: len(both)]
    scale = np.sqrt(np.maximum(energy, 1e-6 * np.max(energy)) * np.sum(marker * marker))
    likeness = np.abs(both) / np.maximum(scale, 1e-300)
    best = int(np.argmax(likeness))
    return best if likeness[best] >= LEAST_LIKENESS else None
