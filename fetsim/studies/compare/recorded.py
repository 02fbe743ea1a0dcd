"""A recording of the real unit as a version: brought in step with the untouched simulation, and its gain reduction.

In step with the simulation and not with the programme, since that has the unit's own phase in it: to a hundred
thousandth of a sample where both are alike, and to what their distortion differs by where they are not (0.2 sample in
a loop that reduces by 20 dB with another release). A recording does not tell its own gain reduction, but how its gain
moves against the simulation does: what the simulation has, less the gain between the two, counted from where the
simulation is at rest, or where it never is, from their median. Where nothing is played it is the simulation's.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy import ndimage

from fetsim.audio.loudness import measure_levels
from fetsim.errors import InputError
from fetsim.measurements.recordings.capture import check_not_swapped, check_not_the_same, check_unbroken
from fetsim.measurements.recordings.sound import Sound, check_audible, check_clipping, read_sound
from fetsim.measurements.traces.checks import Samples
from fetsim.measurements.traces.first_guess import UnlikeError
from fetsim.measurements.traces.in_step import InStep, in_step
from fetsim.studies.compare.activity import activity
from fetsim.studies.compare.comparison import Activity
from fetsim.studies.compare.playing import Played
from fetsim.studies.compare.takes import Programme, Take

FOLLOWED_S = 0.02  # over which the gain between both is read
AT_REST_DB = 0.3  # of gain reduction in the simulation, under which it counts as at rest while it is heard
LEAST_AT_REST = 20  # rows of the log
QUIETEST_DB = -60.0  # re the simulation's rms: quieter moments tell no gain
NEVER_AT_REST = (
    "the untouched unit is never at rest while something is heard, so only how the gain reduction moves is known, not "
    "how much it is: play something with a quiet beginning"
)
COVERED_S = 0.05  # less may lack at either end without a word


def read_recordings(
    recordings: dict[str, Path], programme: Programme
) -> dict[str, tuple[Sound, tuple[str, ...]]]:
    """All recordings and what to think of before they are believed, looked at before anything is played. Raises
    InputError."""
    found: dict[str, tuple[Sound, tuple[str, ...]]] = {}
    if not recordings:
        return found
    played = read_sound(programme.path)
    for label, path in recordings.items():
        sound = read_sound(path)
        if sound.rate_hz != programme.rate_hz:
            raise InputError(
                f"{path}: its rate is {sound.rate_hz} Hz, {programme.path} has {programme.rate_hz} Hz; convert it first"
            )
        if sound.channels != programme.channels:
            raise InputError(
                f"{path}: has {sound.channels} channels, {programme.channels} are played; give as many as are played"
            )
        check_audible(sound)
        check_clipping(sound)
        if played.channels == sound.channels:  # else one channel is played into both of a pair
            check_not_the_same(played.samples, sound.samples, 0, path)
        found[label] = sound, _against_the_programme(played, sound)
    return found


def _against_the_programme(played: Sound, sound: Sound) -> tuple[str, ...]:
    """What a fit says of the two files, too. Raises InputError."""
    dry = np.broadcast_to(played.samples, (len(played.samples), sound.channels))
    try:
        pair = in_step(sound.samples, reference=dry, rate_hz=float(sound.rate_hz))
    except UnlikeError:  # the simulation may be liker
        return ()
    except InputError as error:
        raise InputError(f"{sound.path}: {str(error).partition(': ')[2]}") from None
    swapped = check_not_swapped(pair, played.path, sound.path)
    return (*swapped, *check_unbroken(dry, sound.samples, pair, sound.path))


def with_recording(
    one: Played, sound: Sound, warnings: tuple[str, ...], untouched: Take, rate_hz: int
) -> Played:
    """The version with its recording for what was played. Raises InputError where that is of something else."""
    played = np.asarray(untouched.samples, dtype=np.float64)
    try:
        pair = in_step(sound.samples, reference=played, rate_hz=float(rate_hz))
    except InputError as error:
        raise InputError(f"{sound.path}: {str(error).partition(': ')[2]}") from None
    first = round(pair.start_s * rate_hz)
    samples = np.zeros(played.shape)
    samples[first : first + len(pair.recording)] = pair.recording.astype(np.float32)  # as all takes
    reduction = _reduction(pair, first, untouched, rate_hz)
    told = "; ".join([_told(pair, len(untouched.samples), counted=reduction.peak_db is not None), *warnings])
    return replace(one, take=Take(samples, (), measure_levels(samples, rate_hz), told), activity=reduction)


def _told(pair: InStep, frames: int, *, counted: bool) -> str:
    late = f"{1e3 * abs(pair.delay_s):.3f} ms {'late' if pair.delay_s >= 0.0 else 'early'}"
    turned = ", upside down" if -1 in pair.polarity else ""
    clock = f"{round(pair.clock_ppm, 1) + 0.0:+.1f} ppm"
    told = [
        f"a recording, which came {late}{turned}, its clock {clock} off: brought in step with the "
        "untouched unit; its noise is in it, and its gain reduction is told by its gain against the untouched unit's",
        *(() if counted else (NEVER_AT_REST,)),
        *pair.warnings,
    ]
    from_s, to_s, length_s = (
        place / pair.rate_hz
        for place in (pair.start_s * pair.rate_hz, pair.start_s * pair.rate_hz + len(pair.recording), frames)
    )
    if from_s > COVERED_S or length_s - to_s > COVERED_S:
        told.append(f"it holds the programme from {from_s:.2f} to {to_s:.2f} s only and is silent elsewhere")
    return "; ".join(told)


def _reduction(pair: InStep, first: int, untouched: Take, rate_hz: int) -> Activity:
    """Gain reduction over time in the rows of the untouched version's, all channels together."""
    rows = activity(untouched.logs)
    gain_db = _gain_db(pair.reference, pair.recording, rate_hz)
    time_s = (first + np.arange(len(gain_db))) / rate_hz
    known = np.isfinite(gain_db)
    if not np.any(known):
        return replace(rows, peak_db=None, mean_db=None)
    against_db = np.interp(rows.time_s, time_s[known], gain_db[known])
    heard = known[np.clip(np.searchsorted(time_s, rows.time_s), 0, len(known) - 1)]
    resting = heard & (rows.gain_reduction_max_db < AT_REST_DB)
    told = bool(np.sum(resting) >= LEAST_AT_REST)
    counted = resting if told else heard
    at_rest_db = np.median(against_db[counted]) if np.any(counted) else 0.0
    less_db = np.where(heard, against_db - at_rest_db, 0.0)
    mean_db, most_db = rows.gain_reduction_mean_db - less_db, rows.gain_reduction_max_db - less_db
    return Activity(
        time_s=rows.time_s,
        gain_reduction_max_db=most_db,
        gain_reduction_mean_db=mean_db,
        peak_db=float(np.max(most_db)) if told else None,
        mean_db=float(np.mean(mean_db)) if told else None,
    )


def _gain_db(reference: Samples, recording: Samples, rate_hz: int) -> Samples:
    """Gain from one to the other at each sample [shape=(n,)], NaN where the reference is too quiet."""
    width = max(3, round(FOLLOWED_S * rate_hz))
    both, own = (
        ndimage.uniform_filter1d(np.sum(reference * other, axis=1), width) for other in (recording, reference)
    )
    loud = own > 10.0 ** (QUIETEST_DB / 10.0) * np.mean(own)
    gain = np.where(loud & (both > 0.0), both / np.where(loud, own, 1.0), np.nan)
    return np.asarray(20.0 * np.log10(gain))
