"""Which faults a set of readings tells apart, and how well each fits what was read: arrays only.

A figure of a fault is set against another in units of ``scale``: the rms of the reading's accuracy and of what the
unit's tolerances make of it. Where one of two has a figure and the other has not, they are told apart by it.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.spatial.distance import squareform

Array = NDArray[np.float64]

TOLD_APART = 3.0
"""Distance in some reading, in the scale of a difference of two, from which two are told apart."""
LOST = 10.0
"""That of a figure that only one of two has."""


def distances(values: ArrayLike, scale: ArrayLike) -> Array:
    """Largest distance over all figures, in the scale of a difference (sqrt 2 times that of one) [shape=(n, n)], of
    rows of figures [shape=(n, figures)]; NaN is a figure that a row has not."""
    rows, unit = np.asarray(values, dtype=np.float64), np.sqrt(2.0) * np.asarray(scale, dtype=np.float64)
    found = np.zeros((len(rows), len(rows)))
    for column, one in zip(rows.T, unit, strict=True):
        apart = np.abs(column[:, None] - column[None, :]) / one
        lost = ~np.isfinite(column)
        apart[lost, :] = apart[:, lost] = LOST
        apart[np.ix_(lost, lost)] = 0.0
        np.maximum(found, apart, out=found)
    return found


def groups(apart: ArrayLike, limit: float = TOLD_APART) -> NDArray[np.intp]:
    """Number of the group that each row belongs to, from 0 in the order of the rows: within a group no two lie further
    apart than ``limit`` (complete linkage) [shape=(n,)].

    >>> groups([[0, 1, 9], [1, 0, 9], [9, 9, 0]])
    array([0, 0, 1])
    """
    table = np.asarray(apart, dtype=np.float64)
    if len(table) < 2:
        return np.zeros(len(table), dtype=np.intp)
    labels = fcluster(linkage(squareform(table, checks=False), "complete"), limit, criterion="distance")
    order = {label: number for number, label in enumerate(dict.fromkeys(labels.tolist()))}
    return np.array([order[label] for label in labels.tolist()], dtype=np.intp)


def misses(values: ArrayLike, reported: ArrayLike, scale: ArrayLike) -> Array:
    """Rms over the readings of how far each row is off what was read, in the scale of each [shape=(n,)]; a figure that
    a row has not counts as ``LOST``, which is also the most that one reading can count."""
    rows, read = np.asarray(values, dtype=np.float64), np.asarray(reported, dtype=np.float64)
    off = np.abs(rows - read) / np.asarray(scale, dtype=np.float64)
    return np.asarray(np.sqrt(np.mean(np.where(np.isfinite(off), np.minimum(off, LOST), LOST) ** 2, axis=1)))


def likelihoods(missed: ArrayLike, readings: int, rates: ArrayLike) -> Array:
    """Share of each row in all that could explain the readings: its rate by exp(-chi^2 / 2) [shape=(n,)]. Normal
    errors without correlation; zeros where nothing has a rate."""
    chi2 = readings * np.asarray(missed, dtype=np.float64) ** 2
    weights = np.asarray(rates, dtype=np.float64) * np.exp(-0.5 * (chi2 - np.min(chi2, initial=np.inf)))
    total = float(np.sum(weights))
    return weights / total if total > 0.0 else weights
