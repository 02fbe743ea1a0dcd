"""Bringing versions to one level, so that the louder one does not win, and all of them down to where none clips.

``loudness``: the integrated loudness (ITU-R BS.1770) of every version becomes that of version 0. ``rms``: the same
with the rms. ``none``: as they came out, because makeup is sometimes the point. ``auto`` takes loudness except where
it means nothing: a programme shorter than one gating block of 400 ms, below the gate of -70 LUFS, of more than five
channels, or a tone or two (the loudness weighting turns a tone's harmonics into level).

A tenth of a decibel is what a comparison of small differences asks for (D. Clark, J. Audio Eng. Soc. 30 (1982) 330;
from memory); the gains found here are exact to a millionth.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import ceil

from fetsim.audio.levels import FLOOR_DB, decibels
from fetsim.audio.loudness import BLOCK_S, MOST_CHANNELS, ProgrammeLevels
from fetsim.errors import InputError

MATCHINGS = ("auto", "loudness", "rms", "none")
LARGEST_GAIN_DB = 40.0  # a version further off than this is broken, not quiet
HIGHEST_DBTP = -1.0  # EBU R 128 allows programmes this true peak; from memory
TRIM_STEP_DB = 0.1
CLOSE_LU = 1e-6
MOST_ROUNDS = 50


@dataclass(frozen=True)
class Matching:
    """Gains for all versions, in their order."""

    by: str
    reason: str
    gains_db: tuple[float, ...]
    headroom_gain_db: float
    """Common to all; 0 or less."""
    cautions: tuple[str, ...]
    """One for each version, empty where there is nothing to say."""


def match_levels(
    levels: Sequence[ProgrammeLevels | None], wanted: str, channels: int, is_tonal: Callable[[], bool]
) -> Matching:
    """Match to the first of ``levels``; None stands for a version without sound, and gets no gain.

    Raises InputError for a matching that is unknown or impossible.
    """
    first = levels[0]
    assert first is not None
    by, reason = _choose(first, wanted, channels, is_tonal)
    found = [0.0 if one is None else _gain_db(by, first, one) for one in levels]
    gains = tuple(0.0 if isinstance(gain, str) else gain for gain in found)
    loudest_db = max(float(decibels(one.true_peak)) + gain for one, gain in zip(levels, gains, strict=True) if one)
    cautions = tuple(one if isinstance(one, str) else "" for one in found)
    return Matching(by, reason, gains, lowered_db(loudest_db, HIGHEST_DBTP), cautions)


def lowered_db(peak_db: float, highest_db: float) -> float:
    """The least gain, 0 or a negative multiple of 0.1 dB, that brings ``peak_db`` down to ``highest_db``."""
    return 0.0 - TRIM_STEP_DB * ceil(max(peak_db - highest_db, 0.0) / TRIM_STEP_DB)


def check_matching(wanted: str) -> None:
    """Raises InputError for a word that is none of ``MATCHINGS``."""
    if wanted not in MATCHINGS:
        raise InputError(f"match: unknown matching {wanted[:20]!r}; choose from {', '.join(MATCHINGS)}")


def _choose(first: ProgrammeLevels, wanted: str, channels: int, is_tonal: Callable[[], bool]) -> tuple[str, str]:
    check_matching(wanted)
    if wanted in ("rms", "none"):
        return wanted, "asked for"
    if channels > MOST_CHANNELS:
        hindrance = f"loudness is defined for {MOST_CHANNELS} channels, this has {channels}"
    elif not first.block_lufs.size:
        hindrance = f"shorter than one gating block of {1000.0 * BLOCK_S:g} ms"
    elif first.loudness_lufs() is None:
        hindrance = "never above the loudness gate of -70 LUFS"
    else:
        if wanted == "auto" and is_tonal():
            return "rms", "the programme is a tone or a few"
        return "loudness", "asked for" if wanted == "loudness" else "a programme long enough for BS.1770"
    if wanted == "loudness":
        raise InputError(f"match: loudness cannot be measured ({hindrance}); choose auto, rms or none")
    return "rms", hindrance


def _gain_db(by: str, first: ProgrammeLevels, one: ProgrammeLevels) -> float | str:
    """Gain for ``one``, or why it gets none."""
    if by == "none" or one is first:
        return 0.0
    if one.rms_dbfs <= FLOOR_DB or first.rms_dbfs <= FLOOR_DB:
        return "" if first.rms_dbfs <= FLOOR_DB else "is silent, so its level cannot be matched"
    gain = first.rms_dbfs - one.rms_dbfs if by == "rms" else _loudness_gain_db(first, one)
    if gain is None or abs(gain) > LARGEST_GAIN_DB:
        return f"is over {LARGEST_GAIN_DB:g} dB from the untouched unit, so its level is not matched"
    return gain


def _loudness_gain_db(first: ProgrammeLevels, one: ProgrammeLevels) -> float | None:
    """Not simply the difference: the gain moves blocks across the absolute gate."""
    target = first.loudness_lufs()
    gain_db = 0.0 if one.loudness_lufs() is not None else first.rms_dbfs - one.rms_dbfs
    for _ in range(MOST_ROUNDS):
        reached = one.loudness_lufs(gain_db)
        if target is None or reached is None:
            return None
        if abs(target - reached) < CLOSE_LU:
            break
        gain_db += target - reached
    return gain_db
