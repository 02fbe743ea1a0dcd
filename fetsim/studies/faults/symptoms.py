"""The plain word for what a fault does: rules on its figures against those of the sound unit.

A figure counts as changed where it lies further off than tolerances bring it (``OUT`` standard deviations of the
spread) and further than anybody minds (``MINDED``; own choice, no source). What anybody minds and tolerances bring as
well is no symptom, but told with its size: the fault moves it, though a reading cannot say that it was the fault.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from fetsim.studies.builds.asked import Figure
from fetsim.studies.builds.figures import OVER

OUT = 3.0
MINDED = {
    "gain": 1.0, "reduction": 1.0, "threshold": 1.0, "threshold_2db": 1.0, "noise": 3.0, "hum": 6.0, "loss": 0.5,
    "volts": 0.1, "gate": 0.1,
}  # fmt: skip
"""In the figure's own unit; of all others by a ratio:"""
MINDED_RATIO = 1.25
MINDED_A = 100e-6
"""Less of a supply's current is left to the eye of the meter's owner."""
DEAD_DB = 30.0
"""Less gain than the sound unit from which there is hardly any sound, and nothing to measure by,"""
SILENT_DB = 60.0
"""and from which there is none."""
NO_REDUCTION = 0.1
"""Share of the sound unit's gain reduction below which there is none."""
NO_REST, NO_TONE = "has no state at rest", "does not settle under a tone: it oscillates or latches"
NOTHING = "nothing that these figures show"
ELSE_RIGHT = "everything else right"
WITHIN = "within what tolerances do"

Values = Mapping[str, float]


def changed(figure: Figure, sound: float, now: float, spread: float) -> int:
    """-1 or 1 where it is lower or higher by more than tolerances do and anybody minds, else 0."""
    return _minded(figure, sound, now) if abs(now - sound) > OUT * spread else 0


def _minded(figure: Figure, sound: float, now: float) -> int:
    """-1 or 1 where it is lower or higher by more than anybody minds, else 0."""
    if not (np.isfinite(sound) and np.isfinite(now)):
        return 0
    off = now - sound
    if figure.kind in MINDED:
        return 0 if abs(off) < MINDED[figure.kind] else int(np.sign(off))
    if figure.kind == "current" and abs(off) < MINDED_A:
        return 0
    low, high = sorted((abs(sound), abs(now)))
    return 0 if sound * now > 0.0 and high < MINDED_RATIO * low else int(np.sign(off))


def symptom(
    figures: Sequence[Figure],
    sound: Values,
    now: Values,
    spread: Values,
    *,
    volts: Sequence[tuple[str, float]],
    reasons: Mapping[str, str],
) -> str:
    """One phrase. ``volts``: nodes whose idle volts are wrong, with how far, the largest first; ``reasons``: figure ->
    why it is not there."""
    if "rest" in reasons:
        return f"{NO_REST}: {reasons['rest']}"
    ways = {one.key: changed(one, sound[one.key], now[one.key], spread[one.key]) for one in figures}
    lost = {one.key for one in figures if np.isfinite(sound[one.key]) and not np.isfinite(now[one.key])}
    found: list[str] = []
    gain_db = next((now[one.key] - sound[one.key] for one in figures if one.kind == "gain"), 0.0)
    if gain_db < -DEAD_DB:
        found.append("no sound" if gain_db < -SILENT_DB else "hardly any sound")
    else:
        if gain_db and any(ways[one.key] for one in figures if one.kind == "gain"):
            found.append(f"{abs(gain_db):.0f} dB too {'loud' if gain_db > 0.0 else 'quiet'}")
        found += _of_cell(figures, sound, now, ways, lost, reasons)
        found += _of_sound(figures, ways)
    if _unsteady(reasons):
        found.append(NO_TONE)
    wrong = [f"{one.heading} {'high' if ways[one.key] * sound[one.key] > 0.0 else 'low'}" for one in figures
             if one.kind == "current" and ways[one.key]]  # fmt: skip  # of a negative rail it has the other sign
    others = _idle(volts)
    hidden = [] if gain_db < -DEAD_DB else _within_tolerances(figures, sound, now, ways)
    if not (found or wrong or others or hidden):
        return NOTHING
    if len(found) == 1 and not (wrong or others or hidden):
        return f"{found[0]}, {ELSE_RIGHT}"
    return ", ".join([*found, *wrong, *others, *hidden])


def _within_tolerances(
    figures: Sequence[Figure], sound: Values, now: Values, ways: Mapping[str, int]
) -> list[str]:
    """Figures that anybody would mind, but that good units have as well, in one phrase."""
    told = [_moved(one, sound[one.key], now[one.key]) for one in figures
            if not ways[one.key] and _minded(one, sound[one.key], now[one.key])]  # fmt: skip
    return [f"{' and '.join(told)} ({WITHIN})"] if told else []


def _moved(figure: Figure, sound: float, now: float) -> str:
    off = now - sound
    if figure.unit in ("dB", "dBu") or sound * now <= 0.0:
        return f"{figure.heading}: {off:+.2g} {'dB' if figure.unit == 'dBu' else figure.unit}".rstrip()
    return f"{figure.heading}: {100.0 * off / sound:+.0f} %"


def _of_cell(
    figures: Sequence[Figure], sound: Values, now: Values, ways: Mapping[str, int], lost: set[str],
    reasons: Mapping[str, str],
) -> list[str]:  # fmt: skip
    """What is wrong with the gain reduction and its times."""
    found = []
    reductions = [one for one in figures if one.kind == "reduction" and sound[one.key] >= 1.0]
    if any("already" in reasons.get(one.key, "") for one in figures if one.kind.startswith("threshold")):
        found.append("gain reduction at any level")
    elif reductions and all(now[one.key] < NO_REDUCTION * sound[one.key] for one in reductions):
        return ["no gain reduction"]
    elif any(ways[one.key] for one in reductions):
        one = max(reductions, key=lambda one: abs(now[one.key] - sound[one.key]))
        found.append(f"too {'much' if ways[one.key] > 0 else 'little'} gain reduction")
    elif any(ways[one.key] for one in figures if one.kind.startswith("threshold")):
        way = next(ways[one.key] for one in figures if one.kind.startswith("threshold") and ways[one.key])
        found.append(f"threshold too {'high' if way > 0 else 'low'}")
    for kind in () if _unsteady(reasons) else ("attack", "release"):
        if kind in ways and (ways[kind] or kind in lost):
            slower = f"{kind} too {'slow' if ways[kind] > 0 else 'fast'}"
            found.append(slower if ways[kind] else _no_time(kind, reasons))
    return found


def _unsteady(reasons: Mapping[str, str]) -> bool:
    """Whether it comes to no steady state under a tone: then it has no times either, which goes without saying."""
    return any("steady state" in text for text in reasons.values())


def _no_time(kind: str, reasons: Mapping[str, str]) -> str:
    reason = reasons.get(kind, "")
    return f"{kind} {reason}" if reason.startswith(OVER) else f"no {kind} to time"


def _of_sound(figures: Sequence[Figure], ways: Mapping[str, int]) -> list[str]:
    words = {("low_corner", 1): "bass missing", ("high_corner", -1): "treble missing", ("thd", 1): "distorts",
             ("noise", 1): "noisy", ("hum", 1): "hums"}  # fmt: skip
    return list(dict.fromkeys(words[one.kind, ways[one.key]] for one in figures if (one.kind, ways[one.key]) in words))


def _idle(volts: Sequence[tuple[str, float]]) -> list[str]:
    if not volts:
        return []
    node, off = volts[0]
    more = f" and at {len(volts) - 1} more" if len(volts) > 1 else ""
    return [f"idle volts off by {off:+.2g} V at {node}{more}"]
