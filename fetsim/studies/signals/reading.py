"""All figures out of a recording of the test file that is on the file's own clock. Arrays only.

Each figure is read by the analysers of ``measure``, and each has one standard deviation: from noise where that rules,
by the residual beside the tones, by repeating the reading with as much noise again (steps), or by how many independent
values there are (noise itself); and from what else is not known: whether a tone had come to rest (its halves differ),
and how the curve runs between two levels (straight against smooth).
"""

from collections.abc import Iterable
from collections.abc import Sequence as Several
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft
from scipy import signal as dsp
from scipy.interpolate import PchipInterpolator

from fetsim.audio.levels import decibels
from fetsim.errors import InputError
from fetsim.measurements.capture.procedure import CapturedStep, pair_in_step, steps_of
from fetsim.measurements.curve.analysis import IEC_THRESHOLD_DB, LOW_THRESHOLD_DB, StaticCurve, static_curve
from fetsim.measurements.curve.procedure import DEFAULT_FREQUENCY_HZ as CURVE_HZ
from fetsim.measurements.distortion.harmonics import harmonics
from fetsim.measurements.distortion.intermodulation import difference_tone_imd, smpte_imd
from fetsim.measurements.noise.procedure import HIGH_HZ, LOW_HZ
from fetsim.measurements.timing.procedure import DEFAULT_FREQUENCY_HZ as STEP_HZ
from fetsim.measurements.traces.checks import Samples
from fetsim.measurements.traces.interruptions import clicks, told_clicks
from fetsim.measurements.traces.quiet import QuietFloor, quiet_floor
from fetsim.rig.gain_cell import REFERENCE_HZ
from fetsim.studies.signals.sequence import BEFORE_S, LOUD_S, STEP_DB, Sequence

READ_SHARE = 0.5  # of a tone, its end; before it comes to rest
IDLE_TONES = 4  # the lowest tones, whose mean gain is that at rest
HIDDEN_DB = 8.0  # over the lowest level: hum or noise may hide tones up to there, above it the unit may be at work
QUIET_FROM_S = 0.25  # after the marker
BROKEN = "the recording stands still in it"
EVERY_DB = 4.0  # of the levels whose reduction and THD are named figures
WINDOW_ERROR = 1e-3  # of a time, by which the window that the gain is read in misreads it at the most
REPEATS = 4  # of the steps, with as much noise again
RESPONSE_DB, RESPONSE_SHARE = 0.005, 0.02  # left of an interface's response: at 1 kHz; between 60 Hz and 20 kHz
LEAST_NOISE = 10.0  # standard deviations by which the noise lies over the recorder's own
LOWEST_SHARE = 0.04  # of the steps' frequency: slower than that is taken out of the steps
PER_OCTAVE = 12  # points of the response
LEAST_HARMONIC = 3.0  # standard deviations of the sum of harmonics, below which THD is only bounded


@dataclass(frozen=True, kw_only=True)
class Read:
    """One figure and its standard deviation, in SI units, dB or dBu as ``studies/builds/asked.py`` has them."""

    key: str
    """Its name there, or ``smpte`` and ``difference_tone`` for the intermodulation, as ratios."""
    value: float | None
    accuracy: float
    reason: str = ""
    """Why there is no value,"""
    most: float | None = None
    """and what it is under then, where that can be told."""


@dataclass(frozen=True, kw_only=True)
class ChannelReading:
    """All that one channel of the recording gives."""

    figures: tuple[Read, ...]
    curve: StaticCurve
    """Output levels are dBu, or dB re the level at the input where the recorder's level is not known."""
    curve_error_db: Samples
    """One standard deviation of each reduction [shape=(levels,)]."""
    thd: Samples
    """Ratio at each level [shape=(levels,)],"""
    thd_error: Samples
    """and its standard deviation."""
    response_hz: Samples
    response_db: Samples
    """Gain, re that at 1 kHz [shape=(points,)],"""
    response_error_db: Samples
    """and its standard deviation."""
    steps: tuple[CapturedStep, ...]
    floor: QuietFloor
    hum_dbu: float | None
    """All lines together; None without hum, or where levels are not known."""
    warnings: tuple[str, ...]
    """What was left out of the reading, and why."""


def read_channel(
    heard: Samples,
    sequence: Sequence,
    *,
    recorded_full_scale_dbu: float | None,
    own_noise: Samples | None = None,
    broken: Several[slice] = (),
) -> ChannelReading:
    """Read one channel ``heard`` [shape=(n,), 1.0 = full scale of the recorder], on the clock of ``sequence``.

    ``recorded_full_scale_dbu``: level at the unit's output for 0 dBFS in it; None: not known, so that gain and levels
    of noise are not either. ``own_noise``: power density of the recorder's own noise, as ``QuietFloor.noise_density``,
    which is taken off. ``broken``: where the recording stands still, in samples of ``sequence``; what would be read
    there is left out.
    """
    known = recorded_full_scale_dbu is not None
    scale_dbu = recorded_full_scale_dbu if recorded_full_scale_dbu is not None else sequence.full_scale
    floor, clicking = quiet_of(heard, sequence)
    tones = _tones(heard, sequence, scale_dbu, floor, broken)
    idle_db = float(np.mean(tones.gain_db[:IDLE_TONES]))
    idle_error_db = float(np.sqrt(np.sum(tones.error_db[:IDLE_TONES] ** 2))) / IDLE_TONES
    curve = static_curve(tones.level_dbu + tones.gain_db, level_dbu=tones.level_dbu, idle_gain_db=idle_db)
    error_db = np.hypot(tones.error_db, idle_error_db)
    response_hz, response_db, response_error_db = _response(heard, sequence, floor, broken)
    steps, timed = _steps(heard, sequence, floor, broken)
    unknown = "the recorder's level is not known; record a loop-back, or give the level of its 0 dBFS"
    gain_error_db = float(np.hypot(idle_error_db, RESPONSE_DB))
    figures = [
        Read(key="gain", value=idle_db if known else None, accuracy=gain_error_db, reason="" if known else unknown),
        *_thresholds(curve, error_db),
        *_of_levels(curve, error_db, tones, sequence),
        *timed,
        *_noise(floor, scale_dbu if known else None, own_noise, unknown),
        *_corners(response_hz, response_db, response_error_db),
        *_intermodulation(heard, sequence, broken),
    ]
    hum = None if not known or floor.mains_hz is None else float(decibels(floor.hum_rms * np.sqrt(2.0))) + scale_dbu
    return ChannelReading(
        figures=tuple(figures), curve=curve, curve_error_db=error_db, thd=tones.thd, thd_error=tones.thd_error,
        response_hz=response_hz, response_db=response_db, response_error_db=response_error_db, steps=steps, floor=floor,
        hum_dbu=hum, warnings=(*clicking, *_told_left_out(tones)),
    )  # fmt: skip


def quiet_of(heard: Samples, sequence: Sequence) -> tuple[QuietFloor, tuple[str, ...]]:
    """Noise and hum where nothing is played, of the longest stretch without a click, and a warning where it clicks."""
    quiet = sequence.of("quiet")[0]
    first = quiet.start + round(QUIET_FROM_S * sequence.rate)
    found = [first + one for one in clicks(heard[first : quiet.stop], float(sequence.rate))]
    margin = round(0.01 * sequence.rate)
    low, high = max(
        zip([first, *(one + margin for one in found)], [*(one - margin for one in found), quiet.stop], strict=True),
        key=lambda ends: ends[1] - ends[0],
    )
    if high - low < QUIET_FROM_S * sequence.rate:
        low, high = first, quiet.stop  # it crackles all along: that is its noise
    told = f"{told_clicks(found, float(sequence.rate))} of the test file, where nothing is played"
    warning = f"{told}: noise and hum are read from {(high - low) / sequence.rate:.2g} s beside"
    floor = quiet_floor(heard[low:high], played=np.zeros(2), rate_hz=float(sequence.rate))
    return floor, (warning,) if found else ()


def _is_broken(start: int, stop: int, broken: Several[slice]) -> bool:
    return any(gap.start < stop and gap.stop > start for gap in broken)


@dataclass(frozen=True)
class _Tones:
    level_dbu: Samples
    gain_db: Samples
    error_db: Samples
    thd: Samples
    thd_error: Samples
    left_out: dict[float, str]
    """Level -> why it was not read."""


def _tones(
    heard: Samples, sequence: Sequence, scale_dbu: float, floor: QuietFloor, broken: Several[slice]
) -> _Tones:
    rows, left_out = [], {}
    hides = "noise" if floor.mains_hz is None or floor.hum_rms < floor.noise_rms else f"hum of {floor.mains_hz:.0f} Hz"
    for piece in sequence.of("tone"):
        first, last = piece.stop - int(READ_SHARE * (piece.stop - piece.start)), piece.stop - sequence.rate // 1000
        if _is_broken(first, last, broken):
            left_out[piece.level_dbu] = BROKEN
            continue
        part = heard[first:last]
        try:
            found = harmonics(part, rate_hz=sequence.rate, fundamental_hz=CURVE_HZ)
            halves = [
                harmonics(half, rate_hz=sequence.rate, fundamental_hz=CURVE_HZ).amplitude[0]
                for half in (part[: len(part) // 2], part[len(part) // 2 :])
            ]
        except InputError as error:
            if piece.level_dbu > sequence.lowest + HIDDEN_DB:
                raise InputError(f"{error} at {piece.level_dbu:+g} dBu over its {hides}") from None
            left_out[piece.level_dbu] = f"{hides} hides it"
            continue
        size, noise = float(found.amplitude[0]), found.amplitude_error
        gain_db = float(decibels(size)) + scale_dbu - piece.level_dbu
        unrest_db = abs(float(decibels(halves[1] / halves[0])))
        noise_db = 8.686 * noise / size
        others = len(found.amplitude) - 1
        # noise lifts each harmonic's power by twice its variance on the average
        power = max(float(np.sum(found.amplitude[1:] ** 2)) - 2.0 * others * noise**2, 0.0)
        spread = 2.0 * noise**2 * np.sqrt(others) + 2.0 * noise * np.sqrt(power)
        thd = np.sqrt(power) / size
        thd_off = spread / (size**2 * max(2.0 * thd, np.sqrt(spread) / size))
        rows.append((piece.level_dbu, gain_db, np.hypot(noise_db, 0.5 * unrest_db), thd, thd_off))
    if len(rows) <= IDLE_TONES:
        raise InputError(f"signal: only {len(rows)} tones of it can be read")
    level, gain, gain_error, thd, thd_error = (np.array(column) for column in zip(*rows, strict=True))
    return _Tones(level, gain, gain_error, thd, thd_error, left_out)


def _told_left_out(tones: _Tones) -> Iterable[str]:
    for why in dict.fromkeys(tones.left_out.values()):
        levels = ", ".join(f"{level:+g}" for level, reason in tones.left_out.items() if reason == why)
        yield f"Of the tones {levels} dBu {'are' if ',' in levels else 'is'} left out: {why}"


def _thresholds(curve: StaticCurve, error_db: Samples) -> Iterable[Read]:
    for key, wanted_db, straight in (
        ("threshold", LOW_THRESHOLD_DB, curve.threshold_half_db_dbu),
        ("threshold_2db", IEC_THRESHOLD_DB, curve.threshold_2db_dbu),
    ):
        if straight is None:
            reason = curve.reasons["threshold_half_db_dbu" if key == "threshold" else "threshold_2db_dbu"].text
            yield Read(key=key, value=None, accuracy=np.nan, reason=reason)
            continue
        after = int(np.searchsorted(curve.level_dbu, straight))
        low, high = curve.level_dbu[max(after - 1, 0)], curve.level_dbu[min(after, len(curve.level_dbu) - 1)]
        smooth = PchipInterpolator(curve.level_dbu, curve.gain_reduction_db)
        fine = np.linspace(low, high, 1001)
        bent = float(fine[int(np.argmin(np.abs(smooth(fine) - wanted_db)))])
        slope = max(float(smooth.derivative()(bent)), 1e-3)
        noise_db = float(np.mean(error_db[max(after - 1, 0) : after + 1])) / slope
        yield Read(key=key, value=bent, accuracy=float(np.hypot(noise_db, 0.5 * abs(bent - straight))))


def _of_levels(
    curve: StaticCurve, error_db: Samples, tones: _Tones, sequence: Sequence
) -> Iterable[Read]:
    levels = np.array([piece.level_dbu for piece in sequence.of("tone")])
    step = round(EVERY_DB / STEP_DB)
    first = int(np.argmin(np.abs(np.mod(levels, EVERY_DB)))) % step
    for level_dbu in levels[first::step].tolist():
        level = f"{level_dbu:g}"
        if level_dbu in tones.left_out:
            for key in ("reduction", "thd"):
                yield Read(key=f"{key}@{level}", value=None, accuracy=np.nan, reason=tones.left_out[level_dbu])
            continue
        place = int(np.searchsorted(curve.level_dbu, level_dbu))
        yield Read(
            key=f"reduction@{level}", value=float(curve.gain_reduction_db[place]), accuracy=float(error_db[place])
        )
        below = tones.thd[place] < LEAST_HARMONIC * tones.thd_error[place]
        reason = f"under the noise, less than {200.0 * tones.thd_error[place]:.2g} %" if below else ""
        yield Read(
            key=f"thd@{level}", value=None if below else float(tones.thd[place]),
            accuracy=float(tones.thd_error[place]), reason=reason,
            most=2.0 * float(tones.thd_error[place]) if below else None,
        )  # fmt: skip


def _steps(
    heard: Samples, sequence: Sequence, floor: QuietFloor, broken: Several[slice]
) -> tuple[tuple[CapturedStep, ...], list[Read]]:
    piece = sequence.of("steps")[0]
    if _is_broken(piece.start, piece.stop, broken):
        return (), [Read(key=key, value=None, accuracy=np.nan, reason=BROKEN) for key in ("attack", "release")]
    # hum and what the control voltage feeds through are no gain
    above = dsp.butter(2, LOWEST_SHARE * STEP_HZ, "high", fs=sequence.rate, output="sos")
    dry, wet = (dsp.sosfiltfilt(above, one) for one in (sequence.waveform(piece), heard[piece.start : piece.stop]))
    noise = np.random.default_rng(1)
    try:
        pair = pair_in_step(dry, wet, sequence.rate, 0.25 / STEP_HZ)
        steps = steps_of(pair, STEP_HZ)
    except InputError as error:
        return (), [Read(key=key, value=None, accuracy=np.nan, reason=str(error)) for key in ("attack", "release")]
    again = []
    for _ in range(REPEATS):
        try:
            noisier = pair.wet + floor.noise_rms * noise.standard_normal(len(pair.wet))
            again.append(steps_of(replace(pair, wet=noisier), STEP_HZ))
        except InputError:
            continue
    found = []
    for key, at_s in (("attack", BEFORE_S), ("release", BEFORE_S + LOUD_S)):
        step = min(steps, key=lambda one: abs(one.at_s - at_s))
        time_s = step.timing.t63_s
        if time_s is None or step.timing.kind != key:
            why = step.timing.reasons["t63_s"].text if "t63_s" in step.timing.reasons else f"no {key} is there"
            found.append(Read(key=key, value=None, accuracy=np.nan, reason=why))
            continue
        repeats = [min(one, key=lambda step: abs(step.at_s - at_s)).timing.t63_s for one in again]
        spread = float(np.std([*(one for one in repeats if one is not None), time_s]))
        # the edge of a step that a converter makes is as long as a sample, and the window smears it
        smear = np.hypot(0.5 / sequence.rate, 0.25 * step.window_s)
        smear = np.hypot(min(smear, 0.05 * time_s), WINDOW_ERROR * time_s)
        found.append(Read(key=key, value=time_s, accuracy=float(np.hypot(spread, smear))))
    return steps, found


def _noise(
    floor: QuietFloor, scale_dbu: float | None, own_noise: Samples | None, unknown: str
) -> Iterable[Read]:
    if scale_dbu is None:
        yield Read(key="noise", value=None, accuracy=np.nan, reason=unknown)
        return
    band = (floor.frequency_hz >= LOW_HZ) & (floor.frequency_hz <= HIGH_HZ)
    width = float(floor.frequency_hz[1])
    heard = float(np.sum(floor.noise_density[band])) * width
    own = 0.0 if own_noise is None else float(np.sum(own_noise[band])) * width
    spread = np.hypot(heard, own) * np.sqrt(1.5 / ((HIGH_HZ - LOW_HZ) * floor.length_s))  # 1.5: Welch's windows
    power = heard - own
    if power < LEAST_NOISE * spread:
        most = 10.0 * np.log10(2.0 * (max(power, 0.0) + 2.0 * spread)) + scale_dbu
        reason = "hidden by the recorder's own"
        yield Read(key="noise", value=None, accuracy=np.nan, reason=reason, most=float(most))
        return
    value = 10.0 * np.log10(2.0 * power) + scale_dbu
    yield Read(key="noise", value=float(value), accuracy=float(4.343 * spread / power))


def _response(
    heard: Samples, sequence: Sequence, floor: QuietFloor, broken: Several[slice]
) -> tuple[Samples, Samples, Samples]:
    """Gain against frequency re 1 kHz and its standard deviation: spectrum of the sweep over that of what was played.

    Only ``1 / PER_OCTAVE`` octave around each point is added up, power with power: phases turn within it. NaN where
    the recording stands still in the sweep.
    """
    piece = sequence.of("sweep")[0]
    tail = round(0.3 * sequence.rate)
    size = fft.next_fast_len(piece.stop - piece.start + tail, real=True)
    dry = fft.rfft(sequence.waveform(piece), size)
    part = heard[piece.start : piece.stop + tail]
    wet = fft.rfft(part - np.mean(part), size)
    at_hz = fft.rfftfreq(size, 1.0 / sequence.rate)
    density = np.interp(at_hz, floor.frequency_hz, floor.noise_density)
    noise = 0.5 * density * sequence.rate * (piece.stop - piece.start + tail)  # expected |spectrum|^2 of the noise
    low, high = 20.0, min(20e3, 0.45 * sequence.rate)
    points = np.geomspace(low, high, 1 + int(PER_OCTAVE * np.log2(high / low)))
    points = np.sort(np.append(points, REFERENCE_HZ))
    gain_db, error_db = [], []
    for point in points:
        near = (at_hz >= point * 2.0 ** (-0.5 / PER_OCTAVE)) & (at_hz < point * 2.0 ** (0.5 / PER_OCTAVE))
        if not np.any(near):
            near[int(np.argmin(np.abs(at_hz - point)))] = True
        power = float(np.sum(np.abs(dry[near]) ** 2))
        got = max(float(np.sum(np.abs(wet[near]) ** 2)) - float(np.sum(noise[near])), 1e-300)
        spread = np.sqrt(2.0 * float(np.sum(noise[near] * np.abs(wet[near]) ** 2)))
        gain_db.append(10.0 * np.log10(got / power))
        error_db.append(4.343 * spread / got)
    levels, errors = np.array(gain_db), np.array(error_db)
    middle = int(np.argmin(np.abs(points - REFERENCE_HZ)))
    if _is_broken(piece.start, piece.stop + tail, broken):
        levels = np.full(len(points), np.nan)
    return points, levels - levels[middle], np.hypot(errors, errors[middle])


def _corners(at_hz: Samples, gain_db: Samples, error_db: Samples) -> Iterable[Read]:
    middle = int(np.argmin(np.abs(at_hz - REFERENCE_HZ)))
    for key, order in (("low_corner", range(middle, 0, -1)), ("high_corner", range(middle, len(at_hz) - 1))):
        step = -1 if key == "low_corner" else 1
        place = next((k for k in order if gain_db[k] > -3.0 >= gain_db[k + step]), None)
        if place is None:
            reached = f"not within {at_hz[0]:.0f} Hz to {at_hz[-1] / 1e3:.3g} kHz"
            reached = reached if np.isfinite(gain_db[middle]) else BROKEN
            yield Read(key=key, value=None, accuracy=np.nan, reason=reached)
            continue
        other = place + step
        share = (gain_db[place] + 3.0) / (gain_db[place] - gain_db[other])
        value = float(at_hz[place] * (at_hz[other] / at_hz[place]) ** share)
        steep = abs((gain_db[other] - gain_db[place]) / np.log(at_hz[other] / at_hz[place]))
        yield Read(key=key, value=value, accuracy=value * float(error_db[place] / steep + 0.02))


def _intermodulation(heard: Samples, sequence: Sequence, broken: Several[slice]) -> Iterable[Read]:
    for key, read in (("smpte", smpte_imd), ("difference", difference_tone_imd)):
        piece = sequence.of(key)[0]
        first, last = piece.start + (piece.stop - piece.start) // 3, piece.stop - sequence.rate // 1000
        part = heard[first:last]
        name = f"{'difference_tone' if key == 'difference' else key}@{piece.level_dbu:g}"
        if _is_broken(first, last, broken):
            yield Read(key=name, value=None, accuracy=np.nan, reason=BROKEN)
            continue
        try:
            found = read(part, rate_hz=float(sequence.rate))
        except InputError as error:
            yield Read(key=name, value=None, accuracy=np.nan, reason=str(error))
            continue
        noise = found.residual_rms * np.sqrt(3.0 / len(part))
        over = found.upper_amplitude + (0.0 if key == "smpte" else found.lower_amplitude)
        spread = float(np.hypot(2.0 * noise / over, RESPONSE_SHARE * found.summed))
        yield Read(key=name, value=found.summed, accuracy=spread)
