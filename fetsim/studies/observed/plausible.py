"""Readings that nothing wrong with a unit makes: they are in the wrong unit, or a digit or a sign is."""

from collections.abc import Iterable, Sequence
from math import isfinite

from fetsim.errors import InputError
from fetsim.studies.observed.readings import Reading

BEYOND = 10.0
"""Times the highest volts of a node as drawn,"""
LEAST_HIGHEST_V = 1.0
"""which count as no less."""
MOST_DB = 100.0
"""By which a level or a gain is another one than as drawn, since a dead stage still lets some through;"""
MOST_TIMES = 1e4
"""and by which a time is (both own choice)."""


def check_plausible(taken: Sequence[Reading], drawn: Sequence[float], nodes_v: Iterable[float]) -> None:
    """Raises InputError, a line each, for readings that no fault makes of a unit whose nodes have such volts at rest.
    ``drawn``: what each reading is as drawn; NaN where that is not known."""
    highest_v = max([LEAST_HIGHEST_V, *(abs(volt) for volt in nodes_v if isfinite(volt))])
    mistakes = [
        f"{f'{one.where}: ' if one.where else ''}{one.name} was read as {one.figure.show(one.value)}, {why}; is it in "
        "the right unit?"
        for one, own in zip(taken, drawn, strict=True)
        if (why := _why_not(one, own, highest_v))
    ]
    if mistakes:
        raise InputError("\n".join(mistakes))


def _why_not(one: Reading, own: float, highest_v: float) -> str:
    figure = one.figure
    if figure.kind == "volts":
        too_high = abs(one.value) > BEYOND * highest_v
        return f"no node of the unit has more than {figure.show(highest_v)}" if too_high else ""
    other_level = figure.unit in ("dB", "dBu") and abs(one.value - own) > MOST_DB
    other_time = figure.quantity == "second" and one.value > MOST_TIMES * own > 0.0
    return f"and as drawn the unit has {figure.show(own)}" if isfinite(own) and (other_level or other_time) else ""
