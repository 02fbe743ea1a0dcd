"""A recording against what a model gives: brought to the model's clock and level, and all of it as sums over cells.

Level, delay and clock difference are nobody's question; they are columns of their own beside the slopes, so that
whoever solves for values solves for them too, and none of what they can explain counts as a difference.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.measurements.traces.first_guess import UnlikeError
from fetsim.measurements.traces.in_step import InStep, in_step
from fetsim.measurements.traces.instants import on_clock
from fetsim.studies.observed.observations import Recording
from fetsim.studies.observed.sums import Column, Sums, Whole, sums_of

NUISANCES = ("gain", "delay", "clock")
"""Columns behind the slopes, in this order; the last of all is the difference, recording less model."""
EDGE = 512
"""Samples at both ends of the recording that filters have touched."""
LEAST_SHARE = 0.25
"""Of the dry sound that the recording must cover."""
LIKE = 0.5
"""Normalised correlation; where it is less, another reference may be nearer."""
MUCH_LIKE = 0.9
"""Two builds that a recording is so like lie within ``in_step.FARTHEST_OFF`` of each other."""
UNLIKE = (
    "{name}: is not like what the unit gives by its file; if it is the right take at the right settings, and not "
    "buried in noise, the fault is too gross for a recording to tell: leave it out and go by readings"
)


@dataclass(frozen=True, kw_only=True)
class Place:
    """How a recording lies to the dry sound."""

    delay: float
    """Samples by which it comes late, at the first of the dry sound,"""
    clock: float
    """and by how much more for each sample."""
    gain: float
    """By which it is louder than the model; negative where it is upside down."""

    def moved(self, found: Array, length: int) -> "Place":
        """After these values of the nuisances [shape=(3,)] have been found in a difference of so many samples."""
        gain, delay, clock = found.tolist()
        return replace(
            self, gain=self.gain * (1.0 + gain), delay=self.delay + delay - 0.5 * clock,
            clock=self.clock + clock / length,
        )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Stretch:
    """A part of a column."""

    column: Column
    first: int

    def part(self, first: int, last: int) -> Array:
        return self.column.part(self.first + first, self.first + last)


def check_covered(name: str, covered: int, length: int, rate_hz: float) -> None:
    """Raises InputError where too few of the dry sound's samples were recorded."""
    if covered < LEAST_SHARE * length:
        raise InputError(
            f"{name}: wet covers {max(covered, 0) / rate_hz:.3g} s of the {length / rate_hz:.3g} s of dry; is it cut "
            "short? give a dry file of that part alone, or record it again"
        )


def brought(
    recording: Recording, output: Array, like: Array | None = None, near: InStep | None = None
) -> InStep:
    """The recording in step with what a model gives [shape=(n,)], by its likeness with that, or with what is more
    ``like`` it; where it has none, as with a gross fault, by that with the dry sound. ``near``: of the same recording
    to another build, which is where it is looked for first. Raises InputError where it is like none of them."""
    if near is not None and near.likeness[0] > MUCH_LIKE:
        found = in_step(recording.wet, reference=output, rate_hz=recording.rate_hz, near=near)
        if found.likeness[0] > MUCH_LIKE:
            return found
    tried: list[InStep] = []
    for reference in [*([] if like is None else [like]), output, recording.dry]:
        try:
            tried.append(in_step(recording.wet, reference=reference, rate_hz=recording.rate_hz))
        except UnlikeError:
            continue
        except InputError as error:
            told = str(error)
            named = told.startswith(f"{recording.name}: ")
            raise InputError(told if named else f"{recording.name}: {told}") from None
        if tried[-1].likeness[0] > LIKE:
            break
    if not tried:
        raise InputError(UNLIKE.format(name=recording.name))
    found = max(tried, key=lambda one: one.likeness[0])
    check_covered(recording.name, len(found.reference), len(output), recording.rate_hz)
    first = round(found.start_s * recording.rate_hz)
    model = output[first : first + len(found.reference)]
    sign = -1 if float(found.recording[:, 0] @ model) < 0.0 else 1  # a reference may be upside down against the model
    gain = float(found.recording[:, 0] @ model) / float(model @ model)
    return replace(
        found, reference=model[:, None], recording=sign * found.recording, polarity=(sign * found.polarity[0],),
        gain_db=(float(20.0 * np.log10(max(abs(gain), 1e-15))),),
    )  # fmt: skip


def placed(recording: Recording, output: Array) -> Place:
    """Where a recording lies to what the model gives [shape=(n,)]. Raises InputError where it is not like that at
    all."""
    found = brought(recording, output)
    gain = found.polarity[0] * 10.0 ** (found.gain_db[0] / 20.0)
    clock = 1e-6 * found.clock_ppm
    return Place(delay=found.delay_s * recording.rate_hz, clock=clock, gain=gain)


def compared(
    recording: Recording, place: Place, output: Array, slopes: Sequence[Column] = ()
) -> Sums:
    """Sums of the slopes, of gain, delay and clock, and of the difference to a model's output [shape=(n,)].

    Gain is counted in nepers, delay in samples, clock in samples from the first to the last. Slopes may be any signals
    of n samples. Raises InputError where too little of the dry sound is covered.
    """
    length = len(output)
    first = max(0, int(np.ceil(-place.delay / (1.0 + place.clock))) + EDGE)
    last = min(length, int((len(recording.wet) - 1 - place.delay) / (1.0 + place.clock)) - EDGE)
    check_covered(recording.name, last - first, length, recording.rate_hz)
    begin = place.delay + (first - EDGE) * (1.0 + place.clock)
    wet = on_clock(recording.wet, delay_samples=begin, clock=place.clock)[EDGE : EDGE + last - first] / place.gain
    last = first + len(wet)
    model = np.asarray(output, dtype=np.float64)
    later = -_slope(model)[first:last]
    along = (np.arange(first, last) - 0.5 * length) / length
    own = (Whole(model[first:last]), Whole(later), Whole(along * later), Whole(wet - model[first:last]))
    columns: list[Column] = [*(_Stretch(column, first) for column in slopes), *own]
    return sums_of(columns, len(wet), recording.rate_hz)


def _slope(samples: Array) -> Array:
    """By the time in samples, of what is silent before and after."""
    size = fft.next_fast_len(2 * len(samples), real=True)
    omega = 2j * np.pi * np.arange(size // 2 + 1) / size
    if size % 2 == 0:
        omega[-1] = 0.0
    return np.asarray(fft.irfft(omega * fft.rfft(samples, size), size)[: len(samples)])
