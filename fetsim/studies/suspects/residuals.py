"""What is left of a recording before and after a suspect is put in, over time and by frequency."""

import numpy as np
from scipy import fft

from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.studies.suspects.gains import gain_db, level_curve, levels_db
from fetsim.studies.suspects.hypotheses import Hypothesis
from fetsim.studies.suspects.record import HeardBefore
from fetsim.studies.suspects.recorded import Heard
from fetsim.studies.suspects.search import Search
from fetsim.studies.suspects.spectra import bands_db

STRETCHES = 120
LEAST_POWER = 1e-14


def heard_before(search: Search, one: Hypothesis) -> tuple[HeardBefore, ...]:
    """Of each recording, a hypothesis played where it stands; none where that cannot be played."""
    if not search.columns.heard:
        return ()
    (play,) = search.columns.predicted([search.build(one)], keep=False, whole=True)
    try:
        after = search.columns.around(play).heard
    except InputError:
        return ()
    return tuple(_before(drawn, put_in) for drawn, put_in in zip(search.columns.heard, after, strict=True))


def _before(heard: Heard, put_in: Heard) -> HeardBefore:
    """Of one, in step with the unit as drawn and with what was put in."""
    looks = (heard, put_in)
    before, after = (each.look.rows(each.wet - each.model) for each in looks)
    level = float(np.mean(heard.wet**2))
    frequency_hz, (before_db,) = bands_db(heard.look, heard.recording.rate_hz, [before])
    at_hz, (after_db,) = bands_db(put_in.look, heard.recording.rate_hz, [after])
    sound = heard.look.bare(heard.wet)
    _, (sound_db,) = bands_db(heard.look, heard.recording.rate_hz, [sound])
    loudest = float(np.max(sound_db))
    left = [_waveform(each, rows) for each, rows in zip(looks, (before, after), strict=True)]
    levels = [level, float(np.mean(put_in.wet**2))]
    traces = [_levels_db(*each) for each in zip(left, levels, strict=True)]
    totals = [10.0 * np.log10(max(float(np.mean(one**2)) / its, LEAST_POWER))
              for one, its in zip(left, levels, strict=True)]  # fmt: skip
    return HeardBefore(
        name=heard.recording.name, noise_db=float(10.0 * np.log10(heard.look.noise_power / level)),
        before_db=totals[0], after_db=totals[1],
        time_s=(np.arange(STRETCHES) + 0.5) * heard.seconds / STRETCHES + heard.first / heard.recording.rate_hz,
        before_time_db=traces[0], after_time_db=traces[1], band_hz=frequency_hz,
        before_band_db=before_db - loudest,
        after_band_db=np.interp(frequency_hz, at_hz, after_db) - loudest,
        noise_band_db=np.zeros(len(frequency_hz)) - loudest, **_gains(heard),
    )  # fmt: skip


def _gains(heard: Heard) -> dict[str, Array]:
    dry_db, wet_db = heard.dry_db, levels_db(heard.wet, heard.window)
    in_db, out_db = level_curve(dry_db, wet_db)
    middles = np.asarray((np.arange(len(dry_db)) + 0.5) * heard.window + heard.first, dtype=np.float64)
    return {
        "window_s": middles / heard.recording.rate_hz, "gain_db": gain_db(dry_db, wet_db), "in_db": in_db,
        "out_db": out_db,
    }  # fmt: skip


def _waveform(heard: Heard, rows: Array) -> Array:
    """Rows as sound again [shape=(n,)]."""
    look = heard.look
    half = len(look.bins)
    spectrum = np.zeros(look.length // 2 + 1, dtype=np.complex128)
    spectrum[look.bins] = (rows[:half] + 1j * rows[half:]) / look.scale
    return np.asarray(fft.irfft(spectrum, look.length))


def _levels_db(signal: Array, level: float) -> Array:
    power = np.array([float(np.mean(one**2)) for one in np.array_split(signal, STRETCHES)])
    return np.asarray(10.0 * np.log10(np.maximum(power / level, LEAST_POWER)))
