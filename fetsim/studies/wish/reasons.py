"""Why no combination meets all wishes: what nothing moves, what stands at its end, what pulls against what."""

from collections.abc import Sequence

import numpy as np

from fetsim.schematic.values import format_value
from fetsim.studies.wish.optimum import Optimum
from fetsim.studies.wish.record import Combination
from fetsim.studies.wish.wants import Want
from fetsim.studies.wish.ways import Way

NOTHING = 0.1
"""Of what is accepted: misses, and moves over the whole way of a part, that are no larger count as none."""
AT_END = 0.01
"""Of the way: so near to its end a part stands at it."""


def why_not(place: Optimum, wants: Sequence[Want], ways: Sequence[Way], exact: Combination) -> tuple[str, ...]:
    """In sentences."""
    if exact.met:
        return (
            "Exact values would meet every wish; no combination of the series does. Take a finer series, accept more, "
            "or let another part change.",
        )
    told = []
    reach = np.max(np.abs(place.slope) * (place.high - place.low), axis=1)
    idle = [one.figure.key for one, far in zip(wants, reach, strict=True) if far < NOTHING]
    missed = [one for one, miss in zip(wants, place.miss, strict=True) if abs(miss) > NOTHING]
    if idle:
        told.append(f"Nothing that may change moves {_and(idle)}.")
    told += [
        f"{way.name} stands at its end, {format_value(way.travel.value(end), way.travel.quantity, 4)}."
        for way, end in _at_ends(place, ways)
    ]
    against = [one.figure.key for one in missed if one.figure.key not in idle]
    if len(against) > 1:
        told.append(f"{_and(against)} pull against each other with what may change.")
    short = [
        f"{one.figure.key} {_shown(one, exact.figures[one.figure.key])} instead of "
        f"{_shown(one, one.low)} to {_shown(one, one.high)}"
        for one in wants
        if not one.met(exact.figures[one.figure.key])
    ]
    return (*told, f"The best possible leaves {_and(short)}.")


def _at_ends(place: Optimum, ways: Sequence[Way]) -> list[tuple[Way, float]]:
    """Those that the misses push on beyond their end."""
    downhill = -place.slope.T @ place.miss
    found = []
    for way, at, push in zip(ways, place.way, downhill, strict=True):
        for end, outwards in ((way.low, push < 0.0), (way.high, push > 0.0)):
            if abs(at - end) <= AT_END * (way.high - way.low) and outwards:
                found.append((way, end))
    return found


def _shown(want: Want, value: float) -> str:
    return f"{want.figure.show(value)} {want.figure.unit}".rstrip()


def _and(names: Sequence[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else names[0]
