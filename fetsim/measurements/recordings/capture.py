"""A dry and a wet file of one real unit, brought in step: what fits, readings and comparisons take.

Everything that would make figures wrong without a sign is refused in one line: silence, a clipped converter, files that
do not belong together or stand the other way round, the dry file given twice, different rates.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from fetsim.errors import InputError
from fetsim.measurements.recordings.loopback import Loopback
from fetsim.measurements.recordings.sound import Sound, check_audible, check_clipping, check_length, read_sound
from fetsim.measurements.traces.checks import Samples
from fetsim.measurements.traces.in_step import InStep, in_step
from fetsim.measurements.traces.interruptions import dropouts, told_dropouts
from fetsim.measurements.traces.quiet import QuietFloor, quiet_floor

SAME_DB = -80.0  # left over of the same file at a whole number of samples; no unit is so flat and so linear
FRAME_S, LOUD_DB = 0.05, -50.0  # over which levels are compared, and re the loudest which ones
EXPANDS = 0.1  # dB/dB by which the gain may rise with the level before the files look swapped


@dataclass(frozen=True, kw_only=True)
class Capture:
    """What was played into a unit and what came out of it [shape=(n, channels) each], in step."""

    name: str
    dry: Samples
    """1.0 = full scale of the played file."""
    wet: Samples
    """On the clock of ``dry`` and with its polarity; with a loop-back 1.0 is the same volts as in ``dry``."""
    rate_hz: float
    settings: Mapping[str, str | float] = field(default_factory=dict)
    """What the unit was set to, as changes take it."""
    full_scale_dbu: float | None
    """Level at the unit's input for 0 dBFS played; None: not told."""
    loopback: Loopback | None
    """Taken out of ``wet``; without one the interface's response and gain are still in it."""
    start_s: float
    delay_s: float
    delay_error_s: float
    clock_ppm: float
    clock_error_ppm: float
    polarity: tuple[int, ...]
    gain_db: tuple[float, ...]
    likeness: tuple[float, ...]
    floors: tuple[QuietFloor, ...]
    """Noise and hum of each channel of ``wet``, in its unit."""
    warnings: tuple[str, ...]

    @property
    def noise_db(self) -> float:
        """Noise without hum re the loudest channel of ``wet``, dB; an upper bound where no piece of it is quiet."""
        noise = max(floor.noise_rms for floor in self.floors)
        return float(20.0 * np.log10(max(noise, 1e-15) / np.max(np.std(self.wet, axis=0))))


def load_capture(
    dry: str | Path,
    wet: str | Path,
    *,
    channel: int | None = None,
    settings: Mapping[str, str | float] | None = None,
    full_scale_dbu: float | None = None,
    loopback: Loopback | None = None,
    max_lag_s: float | None = None,
) -> Capture:
    """Read a dry and a wet file of one unit, of one channel or of as many as each other.

    ``channel``: of ``wet`` (and of ``dry``, where that has as many), counted from 1. ``max_lag_s``: largest delay
    looked for.

    Raises InputError, a line each, for what cannot be used.

    >>> import fetsim
    >>> import numpy as np, soundfile
    >>> played = 0.1 * np.random.default_rng(1).standard_normal(96000)
    >>> soundfile.write("dry.wav", played, 48000, subtype="FLOAT")
    >>> soundfile.write("wet.wav", -0.5 * np.tanh(8.0 * played[30:]), 48000, subtype="FLOAT")
    >>> found = fetsim.load_capture("dry.wav", "wet.wav")
    >>> found.polarity, round(found.delay_s * 48000.0)
    ((-1,), -30)
    """
    played, heard = read_sound(Path(dry)), read_sound(Path(wet))
    played, heard = _channels(played, heard, channel)
    for one in (played, heard):
        check_length(one)
        check_audible(one)
    check_clipping(heard)
    if heard.rate_hz != played.rate_hz:
        raise InputError(
            f"{wet}: its rate is {heard.rate_hz} Hz, {dry} has {played.rate_hz} Hz; convert one of them first"
        )
    rate_hz = float(heard.rate_hz)
    if loopback is not None and loopback.rate_hz != rate_hz:
        raise InputError(f"{wet}: its rate is {rate_hz:g} Hz, the loop-back's {loopback.rate_hz:g} Hz; record it anew")
    if played.samples.shape == heard.samples.shape and np.array_equal(played.samples, heard.samples):
        raise InputError(_SAME.format(wet=wet))
    samples, loop_s = heard.samples, 0.0
    if loopback is not None:
        samples, loop_s = np.stack([loopback.taken_out(one) for one in samples.T], axis=1), loopback.delay_s
    try:
        pair = in_step(samples, reference=played.samples, rate_hz=rate_hz, max_lag_s=max_lag_s)
    except InputError as error:
        raise InputError(f"{wet}: {str(error).partition(': ')[2]}") from None
    check_not_the_same(played.samples, samples, round(pair.delay_s * rate_hz), wet)
    swapped = check_not_swapped(pair, dry, wet)
    stands_still = check_unbroken(played.samples, heard.samples, pair, wet)
    floors = [
        quiet_floor(y, played=x, rate_hz=rate_hz, delay_s=pair.delay_s)
        for x, y in zip(played.samples.T, samples.T, strict=True)
    ]
    return Capture(
        name=heard.path.name,
        dry=pair.reference,
        wet=pair.recording,
        rate_hz=rate_hz,
        settings=dict(settings or {}),
        full_scale_dbu=full_scale_dbu,
        loopback=loopback,
        start_s=pair.start_s,
        delay_s=pair.delay_s - loop_s,
        delay_error_s=pair.delay_error_s,
        clock_ppm=pair.clock_ppm,
        clock_error_ppm=pair.clock_error_ppm,
        polarity=pair.polarity,
        gain_db=pair.gain_db,
        likeness=pair.likeness,
        floors=tuple(floors),
        warnings=(*pair.warnings, *swapped, *stands_still),
    )


_SAME = "{wet}: is the dry file again, but for its level, delay and polarity; give what the unit made of it"


def _channels(played: Sound, heard: Sound, channel: int | None) -> tuple[Sound, Sound]:
    if channel is not None:
        return played.channel(channel if played.channels > 1 else 1), heard.channel(channel)
    if played.channels == heard.channels:
        return played, heard
    if heard.channels == 1:
        raise InputError(f"{played.path}: has {played.channels} channels, {heard.path} has one; choose a channel of it")
    if played.channels == 1:
        raise InputError(
            f"{heard.path}: has {heard.channels} channels, {played.path} has one; choose the channel with the unit"
        )
    raise InputError(f"{heard.path}: has {heard.channels} channels, {played.path} has {played.channels}; choose one")


def check_not_the_same(played: Samples, heard: Samples, delay: int, wet: str | Path) -> None:
    """Refuse a copy of what was played [shape=(n, channels) each], ``delay`` samples later: it keeps the clock, so the
    samples are taken as they are. Raises InputError."""
    played, heard = played[max(-delay, 0) :], heard[max(delay, 0) :]
    for x, y in zip(played.T, heard.T, strict=True):
        x, y = x[: len(y)], y[: len(x)]
        copy = np.dot(x, y) / max(np.dot(x, x), 1e-300) * x
        if np.std(y - copy) < 10.0 ** (SAME_DB / 20.0) * np.std(y):
            raise InputError(_SAME.format(wet=wet))


def check_not_swapped(pair: InStep, dry: str | Path, wet: str | Path) -> tuple[str, ...]:
    """Refuse two files the wrong way round; a warning where they only look like it. Raises InputError."""
    if not _looks_swapped(pair):
        return ()
    if pair.delay_s < 0.0:
        raise InputError(
            f"{dry} and {wet}: look swapped (the second comes first, and its level moves more); give the dry file first"
        )
    return (f"{wet}: its level moves more than that of {dry}; are they swapped?",)


def check_unbroken(played: Samples, heard: Samples, pair: InStep, wet: str | Path) -> tuple[str, ...]:
    """A warning for each channel of ``heard`` [shape=(m, channels)], as it was recorded, that has gaps."""
    told = []
    for number, (x, y) in enumerate(zip(played.T, heard.T, strict=True), start=1):
        gaps = dropouts(
            y, x, delay=pair.delay_s * pair.rate_hz, clock=1e-6 * pair.clock_ppm, rate_hz=pair.rate_hz
        )
        if gaps:
            where = f", channel {number}," if heard.shape[1] > 1 else ""
            each = [(gap.start / pair.rate_hz, gap.stop / pair.rate_hz) for gap in gaps]
            told.append(f"{wet}:{where} {told_dropouts(each)} while something is played; record it again")
    return tuple(told)


def _looks_swapped(pair: InStep) -> bool:
    """Whether the gain from dry to wet rises with the level: a compressor's falls."""
    frame = max(1, round(FRAME_S * pair.rate_hz))
    count = len(pair.reference) // frame
    x, y = (
        np.sqrt(np.mean(one[: count * frame].reshape(count, frame, -1) ** 2, axis=(1, 2)))
        for one in (pair.reference, pair.recording)
    )
    loud = (x > 10.0 ** (LOUD_DB / 20.0) * np.max(x)) & (y > 0.0)
    if np.sum(loud) < 10:
        return False
    level, gain = 20.0 * np.log10(x[loud]), 20.0 * np.log10(y[loud] / x[loud])
    if np.std(level) < 1.0:
        return False
    return bool(np.polyfit(level, gain, 1)[0] > EXPANDS)
