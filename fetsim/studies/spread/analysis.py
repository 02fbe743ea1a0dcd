"""What a column of figures says of all builds: percentiles and yield, each with how well it is known.

Percentiles are those of the sample, straight lines between neighbours; their confidence is that of order statistics,
which needs no law of the figure (David and Nagaraja, Order Statistics, from memory): the number of builds under the
true percentile is binomial. A yield is a share of builds, its confidence Clopper and Pearson's (scipy).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import binom, binomtest

from fetsim.engine.assembly import Array

PERCENTS = (5.0, 50.0, 95.0)
CONFIDENCE = 0.95


@dataclass(frozen=True, kw_only=True)
class Summary:
    """One figure over all builds; what could not be had is left out and counted. None where no build has it."""

    known: int
    """Builds that have the figure,"""
    unknown: int
    """and those that have not."""
    mean: float | None
    deviation: float | None
    """Standard deviation of the builds; None for fewer than two."""
    least: float | None
    most: float | None
    percentiles: tuple[float | None, ...]
    """At ``PERCENTS``."""
    within: tuple[tuple[float, float] | None, ...]
    """Between which the true percentile lies with 95 % confidence; None where there are too few builds to tell."""


@dataclass(frozen=True, kw_only=True)
class Share:
    """A share of builds."""

    met: int
    of: int
    share: float
    low: float
    """Between these the true share lies with 95 % confidence."""
    high: float


def summary(values: ArrayLike) -> Summary:
    """Of one figure [shape=(builds,)]; NaN is unknown."""
    column = np.asarray(values, dtype=np.float64)
    known = np.sort(column[np.isfinite(column)])
    if not known.size:
        nothing = (None,) * len(PERCENTS)
        return Summary(known=0, unknown=column.size, mean=None, deviation=None, least=None, most=None,
                       percentiles=nothing, within=nothing)  # fmt: skip
    return Summary(
        known=known.size,
        unknown=column.size - known.size,
        mean=float(np.mean(known)),
        deviation=float(np.std(known, ddof=1)) if known.size > 1 else None,
        least=float(known[0]),
        most=float(known[-1]),
        percentiles=tuple(float(value) for value in np.percentile(known, PERCENTS)),
        within=tuple(_within(known, percent) for percent in PERCENTS),
    )


def _within(rising: Array, percent: float) -> tuple[float, float] | None:
    """Order statistics around a percentile: P(low <= count < high) is at least the confidence."""
    n, share, tail = rising.size, 0.01 * percent, 0.5 * (1.0 - CONFIDENCE)
    low, high = int(binom.ppf(tail, n, share)) - 1, int(binom.ppf(1.0 - tail, n, share))
    return (float(rising[low]), float(rising[high])) if low >= 0 and high < n else None


def share_of(met: NDArray[np.bool_]) -> Share:
    """How many builds [shape=(builds,)] meet something."""
    count = int(np.sum(met))
    interval = binomtest(count, met.size).proportion_ci(CONFIDENCE)
    return Share(met=count, of=met.size, share=count / met.size, low=float(interval.low), high=float(interval.high))
