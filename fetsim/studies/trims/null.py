"""Where a harmonic is least: as a complex amplitude it goes with what is set nearly in a straight line, though its size
does not. So two readings say where it is least, and the third is there; between two readings beside each other the line
says where it is as large as is accepted."""

from collections.abc import Callable, Iterable
from itertools import pairwise

import numpy as np

from fetsim.studies.trims.travel import Travel

MOST_ROUNDS = 12
FURTHEST = 0.7
"""On the way, beyond what has been read: twice a value, and more than half a turn."""
ALIKE = 0.1
"""Of the distance between a step down and a step up: what lies nearer is the same."""

Known = dict[float, complex]
"""Value -> reading."""


def first_values(travel: Travel) -> list[float]:
    """Where a trim stands, and a step beside."""
    below, above = travel.around(travel.present)
    return [travel.present, above if above != travel.present else below]


def null(read: Callable[[float], complex], travel: Travel, known: Known) -> float:
    """Place on the way where the harmonic is least, from two readings at least on; what is read on the way there is
    put into ``known``."""
    place = _least_on_line(known, travel)
    for _ in range(MOST_ROUNDS):
        wanted = [one for one in travel.preferred(travel.value(place)) if not _is_known(one, known, travel)]
        if not wanted:
            break
        known |= {value: read(value) for value in wanted}
        place = _least_on_line(known, travel)
    return place


def is_inside(place: float, travel: Travel) -> bool:
    """Whether a null is one, and not the end of the way."""
    return travel.ends[0] < place < travel.ends[1]


def accepted_around(known: Known, travel: Travel, accepted: float) -> tuple[float, float] | None:
    """Between which values, around the least reading, the harmonic is no larger than ``accepted``; the outermost that
    were read where it is that small up to there; None where it nowhere is."""
    values = sorted(known)
    place = min(range(len(values)), key=lambda k: abs(known[values[k]]))
    if abs(known[values[place]]) > accepted:
        return None
    ends = []
    for row in (values[place::-1], values[place:]):
        end = row[-1]
        for one, other in pairwise(row):
            if abs(known[other]) > accepted:
                share = _share_where(known[one], known[other], accepted)
                end = travel.value(travel.way(one) + share * (travel.way(other) - travel.way(one)))
                break
        ends.append(end)
    return ends[0], ends[1]


def _least_on_line(known: Known, travel: Travel) -> float:
    """On the way, along the straight line through the two least readings."""
    one, other = sorted(known, key=lambda value: abs(known[value]))[:2]
    way, slope = travel.way(one), (known[other] - known[one]) / (travel.way(other) - travel.way(one))
    place = way if slope == 0.0 else way - (known[one] * slope.conjugate()).real / abs(slope) ** 2
    low, high = travel.ends
    ways = [travel.way(value) for value in known]
    return float(np.clip(place, max(low, min(ways) - FURTHEST), min(high, max(ways) + FURTHEST)))


def _share_where(small: complex, large: complex, size: float) -> float:
    """Share of the straight line from one number to another at which it has this size, which lies between theirs."""
    line = large - small
    half = (small.conjugate() * line).real
    return float((np.sqrt(half**2 + abs(line) ** 2 * (size**2 - abs(small) ** 2)) - half) / abs(line) ** 2)


def _is_known(value: float, known: Iterable[float], travel: Travel) -> bool:
    """Whether one has been read that is as good as the same."""
    below, above = travel.around(value)
    return any(abs(value - one) < ALIKE * (above - below) for one in known)
