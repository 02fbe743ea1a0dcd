"""What a sound makes of another: gain over time, and level out against level in. Arrays only."""

import numpy as np

from fetsim.studies.suspects.evidence import Array

WINDOW_S, MOST_WINDOWS = 0.01, 400
QUIET_DB = -45.0
"""Re the loudest window of what goes in: where that is quieter, noise and ringing have the say."""
STEP_DB, LEAST_WINDOWS = 2.0, 3
"""Width of a step of the level in, and windows that it must have."""


def window_of(length: int, rate_hz: float) -> int:
    """Samples in each."""
    return max(1, round(WINDOW_S * rate_hz), -(-length // MOST_WINDOWS))


def levels_db(samples: Array, window: int) -> Array:
    """Of each whole window [dB re 1; shape=(windows,)]."""
    whole = samples[: len(samples) // window * window].reshape(-1, window)
    return np.asarray(10.0 * np.log10(np.maximum(np.mean(whole**2, axis=1), 1e-20)))


def gain_db(dry_db: Array, wet_db: Array) -> Array:
    """From levels in to levels out [shape=(windows,)]; NaN where too little goes in."""
    return np.where(dry_db > np.max(dry_db) + QUIET_DB, wet_db - dry_db, np.nan)


def level_curve(dry_db: Array, wet_db: Array) -> tuple[Array, Array]:
    """Middle of each step of the level in, and the median of the levels out there [dB; shape=(steps,) each]."""
    top = float(np.max(dry_db))
    place = np.floor((top - dry_db) / STEP_DB).astype(int)
    kept = [k for k in range(int(-QUIET_DB / STEP_DB)) if np.sum(place == k) >= LEAST_WINDOWS][::-1]
    middles = np.array([top - (k + 0.5) * STEP_DB for k in kept])
    return middles, np.array([float(np.median(wet_db[place == k])) for k in kept])
