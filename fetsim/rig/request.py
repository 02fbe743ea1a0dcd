"""What may be asked of a unit in one go: tones that can be played, and how much there is to march.

A measurement counts its steps before it begins: what would take days is refused in one line that says what to ask for
less of, and what takes minutes is told beforehand, on the log ``fetsim`` (the command line prints it).

The estimate is meant to be right within a factor of three. Measured on one core of a shared server: 0.9 us a step for
the Dunlin (94 parts), half of that for the teaching loop (13 parts); a level settles in about 0.4 s of signal at 1 kHz,
in 1 s at 50 Hz and in 17 s at 5 Hz (Dunlin).
"""

import logging
import os
from math import inf

from fetsim.errors import InputError
from fetsim.schematic.unit import Unit

LOWEST_TONE_HZ = 1.0  # its period is marched as a whole, some dozens of times
HIGHEST_DBU = 100.0  # 77 kV: what is above is a slip
BASE_STEP_S, PART_STEP_S = 0.4e-6, 5e-9
SETTLING = 60.0  # periods, or blocks of BLOCK_S where those are longer
BLOCK_S = 5e-3
LONGEST_S = 86400.0  # of one core
LONG_S = 60.0  # on all cores: from here on it is told

log = logging.getLogger("fetsim")


def check_tone(frequency_hz: float, highest_hz: float = inf) -> None:
    """Raises InputError for a frequency that is none, or that is not played."""
    if not LOWEST_TONE_HZ <= frequency_hz <= highest_hz:
        below = f" to {highest_hz:g} Hz" if highest_hz < inf else " up"
        raise InputError(f"frequency: {frequency_hz:g} Hz cannot be played; tones go from {LOWEST_TONE_HZ:g} Hz{below}")


def check_level(level_dbu: float) -> None:
    """Raises InputError for a level that is none; -inf is silence."""
    if not level_dbu <= HIGHEST_DBU:
        raise InputError(f"level: {level_dbu:g} dBu is none; it must lie below {HIGHEST_DBU:g} dBu")


def settling_s(frequency_hz: float) -> float:
    """About so much signal until a tone has settled."""
    return SETTLING * max(BLOCK_S, 1.0 / frequency_hz)


def check_work(unit: Unit, signal_s: float, rate_hz: float, advice: str) -> None:
    """Raises InputError, with ``advice``, for more than a core's day of marching ``signal_s`` at ``rate_hz``.

    Tells on the log how long it will take where that is long.
    """
    work_s = signal_s * rate_hz * (BASE_STEP_S + PART_STEP_S * len(unit.parts))
    if not work_s <= LONGEST_S:
        raise InputError(f"this is {in_words(work_s)} of computing on one core; {advice}")
    told_s = work_s / (os.cpu_count() or 1)
    if told_s > LONG_S:
        log.info("this will take about %s", in_words(told_s))


def in_words(duration_s: float) -> str:
    """A duration as people say it."""
    for unit, length_s in (("years", 31_557_600.0), ("days", 86_400.0), ("hours", 3600.0), ("minutes", 60.0)):
        if duration_s >= 2.0 * length_s:
            return f"{duration_s / length_s:.2g} {unit}" if duration_s < 99.5 * length_s else (
                f"{duration_s / length_s:.0f} {unit}" if duration_s < 1e5 * length_s else f"over 10000 {unit}"
            )
    return f"{duration_s:.0f} seconds"
