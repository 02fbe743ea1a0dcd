"""What is known of values after a fit: intervals, what goes together, and which combination the data do know; arrays
only."""

from dataclasses import dataclass

import numpy as np

from fetsim.engine.assembly import Array

TOGETHER = 0.95
"""Correlation from which on two values count as not told apart (own choice: their intervals are 3 times as wide as if
the other one were known)."""
LEAST_POWER = 0.05
"""Of a combination's largest exponent; smaller ones are left out."""
NORMAL_95 = 1.959964
"""Standard deviations of the two-sided 95 % interval of a normal law."""
LOPSIDED_SIGMA = 0.02
"""Deviations from which on it is looked whether an interval is lopsided: a smaller one sees a straight line."""

TELLING = 0.1
"""A reading that would tell so much of what is known of a value, or more, is one that tells it (own choice),"""
UNDECIDED = 0.4
"""and where more of those do not go with the rest, nothing is decided: one of two, not one of three (own choice)."""


@dataclass(frozen=True, kw_only=True)
class Together:
    """Values that the data do not tell apart."""

    names: tuple[str, ...]
    powers: tuple[float, ...]
    """What is best known: the product of the values to these powers, the first largest being 1 (of controls their
    positions times these, in the exponent),"""
    sigma: float
    """and the standard deviation of its logarithm."""


def covariance_of(matrix: Array) -> Array:
    """Inverse of what is known [shape=(values, values)]; what nothing is known of has an enormous variance."""
    scale = np.sqrt(np.maximum(np.diag(matrix), 1e-12))
    values, vectors = np.linalg.eigh(matrix / np.outer(scale, scale))
    inverse = (vectors / np.maximum(values, 1e-14)) @ vectors.T
    return np.asarray(inverse / np.outer(scale, scale))


def excess_over(off: Array, weights: Array, rows: Array, matrix: Array) -> float:
    """By how much variances of readings are stated too small, at least 1: chi squared over degrees of freedom (R.
    Birge, Phys. Rev. 40 (1932) 207). ``off`` and ``rows``: what they are off by, and slopes, in standard deviations
    [shape=(readings,), (readings, values)]; ``matrix``: all that is known. Freedom is what leverages leave, so that one
    that alone tells a value does not count; under 1 it would be errors of the search that are divided, and is 1."""
    leverage = float(np.sum(weights * np.einsum("ri,ij,rj->r", rows, covariance_of(matrix), rows)))
    return max(1.0, float(np.sum(weights * off**2)) / max(1.0, len(off) - leverage))


def contradictions(weights: Array, rows: Array, matrix: Array) -> list[tuple[int, ...]]:
    """Of each value the readings that tell it, where as good as half of them do not go with the others and nothing else
    tells it; else none. They are counted, since a gross error does not ask for accuracy."""
    each, whole = rows**2, np.diag(matrix)
    telling = each > TELLING * whole
    alone = whole - weights @ each < TELLING * whole
    count = telling.sum(axis=0)
    undecided = alone & (count > 1) & ((1.0 - weights) @ telling > UNDECIDED * count)
    return [tuple(np.flatnonzero(telling[:, k]).tolist()) if undecided[k] else () for k in range(len(whole))]


def correlations_of(covariance: Array) -> Array:
    """[shape=(values, values)]"""
    sigma = np.sqrt(np.diag(covariance))
    return np.asarray(covariance / np.outer(sigma, sigma))


def groups_of(covariance: Array, names: tuple[str, ...]) -> tuple[Together, ...]:
    """Of values that are linked by correlations of ``TOGETHER`` or more, and the best known combination of each."""
    linked = np.abs(correlations_of(covariance)) >= TOGETHER
    left, found = set(range(len(names))), []
    while left:
        group, new = set(), {min(left)}
        while new:
            group |= new
            new = {int(k) for one in new for k in np.flatnonzero(linked[one])} - group
        left -= group
        if len(group) > 1:
            found.append(_together(sorted(group), covariance, names))
    return tuple(found)


def _together(group: list[int], covariance: Array, names: tuple[str, ...]) -> Together:
    """By the smallest axis of the group's covariance."""
    _, vectors = np.linalg.eigh(covariance[np.ix_(group, group)])
    powers = vectors[:, 0] / vectors[np.argmax(np.abs(vectors[:, 0])), 0]
    kept = [k for k in range(len(group)) if abs(powers[k]) >= LEAST_POWER]
    powers = np.where(np.abs(powers) >= LEAST_POWER, powers, 0.0)
    sigma = float(np.sqrt(powers @ covariance[np.ix_(group, group)] @ powers))
    return Together(
        names=tuple(names[group[k]] for k in kept), powers=tuple(float(powers[k]) for k in kept), sigma=sigma
    )


def profile_places(place: Array, covariance: Array, k: int, way: float) -> Array:
    """Where the cost is least with value ``k`` held so many standard deviations off [shape=(values,)], as far as the
    sum of squares is one."""
    sigma = np.sqrt(covariance[k, k])
    return np.asarray(place + way * covariance[:, k] / sigma)


def end_of(sigma: float, tried: float, rise: float) -> float:
    """How far an end of the 95 % interval lies off, where a place ``tried`` deviations off raised the cost by ``rise``:
    where the root of the rise, taken as straight, passes that of the normal law (the profile likelihood's interval)."""
    return NORMAL_95 * abs(tried) * sigma / float(np.sqrt(max(rise, 1e-2)))
