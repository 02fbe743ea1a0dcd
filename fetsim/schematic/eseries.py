"""Preferred values of IEC 60063 (values from memory): which resistor or capacitor can be bought.

E6, E12 and E24 are a table: eight of E24 differ from the rounded geometric series. E48, E96 and E192 are
rounded to three figures, with the one exception 9.20 in E192 where the formula gives 9.19.
"""

from math import floor, log10

from fetsim.errors import InputError

_E24 = (
    1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0,
    3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1,
)  # fmt: skip
_E192 = tuple(9.20 if step == 185 else round(10.0 ** (step / 192), 2) for step in range(192))

SERIES: dict[str, tuple[float, ...]] = {
    "E6": _E24[::4],
    "E12": _E24[::2],
    "E24": _E24,
    "E48": _E192[::4],
    "E96": _E192[::2],
    "E192": _E192,
}


def nearest(value: float, series: str) -> float:
    """The preferred value that is nearest to ``value`` (> 0, any unit) by ratio.

    InputError for a wrong series.
    """
    if series not in SERIES:
        raise InputError(f"no series {series!r}; choices: {', '.join(SERIES)}")
    if not 0.0 < value < float("inf"):
        raise InputError(f"{value:g} has no preferred value; it must be positive")
    decade = floor(log10(value))
    candidates = [float(f"{step}e{decade + shift}") for shift in (-1, 0, 1) for step in SERIES[series]]
    return min(candidates, key=lambda candidate: max(candidate / value, value / candidate))
