"""What a search comes to, in a sentence or two that claim no more than the data hold."""

from collections.abc import Sequence

import numpy as np

from fetsim.studies.suspects.record import HeardBefore, NextReading, SuspectGroup

CLEAR, LIKELY = 0.9, 0.5
MOST_NAMED = 6
UNEXPLAINED_DB = -20.0
"""No model is so far off that a recording of a good unit leaves more."""
OVER_NOISE_DB, BETTER_DB = 10.0, 6.0
"""A suspect that leaves so much more than noise, and so little less than the unit as drawn, explains nothing."""
OFF_SIGMAS = 4.0
"""A reading that a suspect would make so far from what was read speaks against it."""


def verdict_of(
    below: bool,
    healthy: float,
    groups: Sequence[SuspectGroup],
    reads: Sequence[NextReading],
    heard: Sequence[HeardBefore] = (),
    *,
    recorded: bool = False,
    contradicted: bool = False,
) -> str:
    """Whom to suspect and what to read next. ``heard``: what the first suspect leaves of each recording, where it could
    be played; ``recorded``: whether there is any; ``contradicted``: whether readings speak ``against`` the first, or
    ``against`` tolerances where nothing else is seen."""
    if not groups:
        return "Nothing can be told: there is no suspect that could be weighed."
    first = groups[0]
    # a value that is off and a fault as drawn may be two groups of one part
    chance = sum(one.probability for one in groups if set(_names(one)) <= set(_names(first)))
    played = first.suspects[0].played
    left_db = max((one.after_db for one in heard), default=-np.inf)
    if (below and left_db > UNEXPLAINED_DB) or any(map(_is_unexplained, heard)):
        what = (
            f"No suspect explains the recording, of which {left_db:.0f} dB are left at best, with {named(first)}: what "
            "is wrong is none of them, or several at once, or sounds other each time, as a loop does that chatters"
        )
        return f"{what}; {_and_then(reads, recorded)}."
    if contradicted and below:
        return f"Neither tolerances nor a suspect explain all that was read; {_and_then(reads, recorded)}."
    if contradicted:
        return f"No suspect explains all that was read; {named(first)} comes nearest; {_and_then(reads, recorded)}."
    if below and healthy < 1.0 - CLEAR and chance >= LIKELY:
        what = (
            f"Not accused, but suspected: {named(first)} ({_percent(chance)}; nothing wrong: {100.0 * healthy:.0f} %); "
            "faults explain it better than tolerances, but not 20 times as well, and a good unit may show as much in 5 "
            "of 100 cases"
        )
    elif below:
        what = (
            f"Nothing is seen that tolerances do not explain as well (nothing wrong: {100.0 * healthy:.0f} %); the "
            "effect of a fault, if there is one, lies below noise, tolerances and the error of the model"
        )
    elif chance >= CLEAR and played:
        what = named(first)
    elif chance >= LIKELY:
        what = f"Probably {named(first)} ({_percent(chance)}{'' if played else ', estimated, not played'})"
    else:
        others = " or ".join(named(one) for one in groups[:3])
        what = f"Not decided: {others}; the first has {100.0 * chance:.0f} %"
    if not below and chance >= CLEAR and played and len(_names(first)) == 1 and not reads:
        return f"{what} ({_percent(chance)}); nothing is gained by another reading."
    return f"{what}; {_and_then(reads, recorded)}."


def _percent(chance: float) -> str:
    return "over 99 %" if chance > 0.99 else f"{100.0 * chance:.0f} %"


def _is_unexplained(one: HeardBefore) -> bool:
    return one.after_db > max(one.noise_db + OVER_NOISE_DB, one.before_db - BETTER_DB)


def against(first: str, readings: Sequence[tuple[str, float, float, float, float, str]]) -> list[str]:
    """Readings (``Suspicion.readings``) that speak against the first suspect."""
    return [
        f"{name}: {first} would make it {after:.4g} {unit}, and {value:.4g} {unit} was read, "
        f"{abs(after - value) / accuracy:.0f} standard deviations off"
        for name, value, accuracy, _, after, unit in readings
        if accuracy > 0.0 and abs(after - value) > OFF_SIGMAS * accuracy
    ]


def named(group: SuspectGroup) -> str:
    """The parts of a group, as ``C16 or P4``, pairs as ``C16 with P4``."""
    names = _names(group)
    more = len(names) - MOST_NAMED
    return " or ".join(names[:MOST_NAMED]) + (f" or {more} more" if more > 0 else "")


def _names(group: SuspectGroup) -> list[str]:
    """Each once; a pair only where nothing simpler is as probable."""
    most = max(one.probability for one in group.suspects)
    kept = [one for one in group.suspects if len(one.parts) == 1 or one.probability >= most]
    return list(dict.fromkeys(" with ".join(one.parts) for one in kept))


def _and_then(reads: Sequence[NextReading], recorded: bool) -> str:
    if reads:
        return f"read {reads[0].short} next"
    return "no reading that could be taken tells more" + ("" if recorded else "; record it too")
