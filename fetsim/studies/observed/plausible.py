"""Readings that nothing wrong with a unit makes: they are in the wrong unit."""

from collections.abc import Iterable, Sequence
from math import isfinite

from fetsim.errors import InputError
from fetsim.studies.observed.readings import Reading

BEYOND = 10.0
"""Times the highest volts of a node as drawn,"""
LEAST_HIGHEST_V = 1.0
"""which count as no less."""


def check_volts(taken: Sequence[Reading], drawn_v: Iterable[float]) -> None:
    """Raises InputError, a line each, for volts that no fault makes of a unit whose nodes as drawn have these."""
    highest = max([LEAST_HIGHEST_V, *(abs(volt) for volt in drawn_v if isfinite(volt))])
    mistakes = [
        f"{f'{one.where}: ' if one.where else ''}{one.name} was read as {one.figure.show(one.value)}, no node of the "
        f"unit has more than {one.figure.show(highest)}; is it in the right unit?"
        for one in taken
        if one.figure.kind == "volts" and abs(one.value) > BEYOND * highest
    ]
    if mistakes:
        raise InputError("\n".join(mistakes))
