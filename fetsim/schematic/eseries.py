"""Preferred values of IEC 60063 (values from memory): the next resistor, capacitor or coil that can be bought.

E6 to E24 are a table, since eight values differ from the rounded geometric series; E48 and E96 are that series, with
three figures.
"""

from math import floor, log10

_E24 = (
    1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0,
    3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1,
)  # fmt: skip

def _rounded(steps: int) -> tuple[float, ...]:
    return tuple(round(10.0 ** (step / steps), 2) for step in range(steps))


SERIES: dict[str, tuple[float, ...]] = {
    "E6": _E24[::4], "E12": _E24[::2], "E24": _E24, "E48": _rounded(48), "E96": _rounded(96),
}  # fmt: skip

PREFERRED = ("ohm", "farad", "henry")
"""Quantities of what comes in such values."""

EQUAL = 1e-6  # of a value: written with six figures, it is the preferred one


def neighbours(value: float, series: str) -> tuple[float, float]:
    """The preferred values next below and next above ``value`` (> 0, any unit); a preferred value is not its own
    neighbour."""
    decade = floor(log10(value))
    candidates = [float(f"{step}e{decade + shift}") for shift in (-1, 0, 1) for step in SERIES[series]]
    below = max(one for one in candidates if one < value * (1.0 - EQUAL))
    return below, min(one for one in candidates if one > value * (1.0 + EQUAL))


def nearest(value: float, series: str) -> float:
    """The preferred value that lies nearest to ``value`` (> 0, any unit), as a ratio."""
    below, above = neighbours(value, series)
    within = neighbours(below, series)[1]  # a preferred value itself lies between its own neighbours
    return min((below, within, above), key=lambda one: abs(log10(one / value)))
