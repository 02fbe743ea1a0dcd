"""Which suspects the data cannot tell apart, and which further reading would. Arrays only.

If hypothesis i were true as it stands, j would explain the data too, but for a rest: the loss of its log evidence by
that rest, at the best that j can do, is what the data have to tell the two apart. It is half of the squared distance
between what i gives and what j can give, in the metric in which tolerances, noise and the model's error are one
covariance (``Seen.information``). Suspects within ``TOLD_APART`` of the first of a group belong to it.

A further reading is worth what it is expected to tell of which hypothesis is true: the mutual information of the two,
in bits (Lindley, Ann. Math. Statist. 27 (1956) 986, from memory). Under each hypothesis it is Gaussian, so the
information is the entropy of the mixture less the mean of theirs, by numerical integration.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fetsim.studies.suspects.evidence import WIDTHS, Form, Seen

Array = NDArray[np.float64]

TOLD_APART = 3.0
"""Nats, a ratio of 20: less is not told apart."""
UNSURE = 2.0
"""Nats by which what the data said may be wrong, as plays are not exact (``playing.PROVED_NATS``)."""
SURELY = 14.0
"""Nats that data have said are said, though slopes, which may be flat or bent there, make the two alike."""
WORTH_BITS = 0.1
"""A reading that is expected to tell less is not worth taking."""
GRID = 801
SPAN_SIGMAS = 6.0


def distances(look: Seen, forms: Sequence[Form], means: Sequence[Array], width: float = WIDTHS[-1]) -> Array:
    """Loss of log evidence [nats; shape=(n, n)] when form j explains what form i gives at its mean coefficients
    (``Seen.posterior``, offset left out; of what is free alone). ``width``: of the prior of what j has free."""
    found = np.zeros((len(forms), len(forms)))
    for i, (form, mean) in enumerate(zip(forms, means, strict=True)):
        given = form.offset + mean
        for j, other in enumerate(forms):
            rest = given - other.offset
            power = float(rest @ look.information @ rest)
            if other.free.shape[1]:
                across = other.free.T @ look.information @ rest
                own = other.free.T @ look.information @ other.free + np.eye(other.free.shape[1]) / width**2
                power -= float(across @ np.linalg.solve(own, across))
            found[i, j] = 0.5 * max(power, 0.0)
    np.fill_diagonal(found, 0.0)
    return found


def told_apart(loss: Array, log_evidence: ArrayLike) -> Array:
    """What the data tell two suspects apart by [nats; shape=(n, n)]: no more than they said in fact, less what that is
    ``UNSURE`` by, where both explain them better than health; and no less, if that is much. ``log_evidence``: over
    that of health, without how often parts fail [shape=(n,)]."""
    evidence = np.asarray(log_evidence, dtype=np.float64)
    said = np.maximum(evidence[:, None] - evidence - UNSURE, 0.0)
    both = (evidence[:, None] > 0.0) & (evidence > 0.0)
    return np.asarray(np.maximum(np.minimum(loss, np.where(both, said, np.inf)), np.where(said > SURELY, said, 0.0)))


def groups(probability: ArrayLike, loss: Array, told_apart: float = TOLD_APART) -> list[list[int]]:
    """Suspects by groups: the most probable one that is left opens one, and takes along what could stand in for it.
    Groups with the most probability first, in each the most probable first."""
    chance = np.asarray(probability, dtype=np.float64)
    left = [int(k) for k in np.argsort(-chance, kind="stable")]
    found: list[list[int]] = []
    while left:
        first = left[0]
        group = [k for k in left if loss[first, k] < told_apart]
        found.append(group)
        left = [k for k in left if k not in group]
    return sorted(found, key=lambda group: -float(np.sum(chance[group])))


def uncertainty_bits(probability: ArrayLike) -> float:
    """Entropy of which hypothesis is true [bits]: no reading tells more."""
    chance = np.asarray(probability, dtype=np.float64)
    chance = chance[chance > 0.0] / chance.sum()
    return float(-np.sum(chance * np.log2(chance)))


def expected_bits(probability: ArrayLike, means: ArrayLike, sigmas: ArrayLike) -> float:
    """What a reading tells of which hypothesis is true, that gives N(mean, sigma^2) under each of them [shape=(n,)]."""
    chance = np.asarray(probability, dtype=np.float64)
    chance = chance / chance.sum()
    middle, sigma = np.asarray(means, dtype=np.float64), np.asarray(sigmas, dtype=np.float64)
    # each Gaussian on a grid of its own: E over i of log p_i / p, so that narrow ones beside wide ones are seen
    u = np.linspace(-SPAN_SIGMAS, SPAN_SIGMAS, GRID)
    weight = np.exp(-0.5 * u**2)
    weight /= weight.sum()
    bits = 0.0
    for i in np.flatnonzero(chance > 0.0):
        y = middle[i] + sigma[i] * u
        densities = np.exp(-0.5 * ((y[:, None] - middle) / sigma) ** 2) / sigma
        own = np.exp(-0.5 * u**2) / sigma[i]
        bits += chance[i] * float(np.sum(weight * np.log2(own / (densities @ chance))))
    return max(float(bits), 0.0)


def best_split(probability: ArrayLike, means: ArrayLike, sigmas: ArrayLike) -> tuple[int, float]:
    """The pair of likely hypotheses that a reading tells apart best: the difference of what is expected over its
    uncertainty, and the number of the hypothesis that lies farthest from the most probable one."""
    chance, middle = np.asarray(probability, dtype=np.float64), np.asarray(means, dtype=np.float64)
    sigma = np.asarray(sigmas, dtype=np.float64)
    first = int(np.argmax(chance))
    apart = np.abs(middle - middle[first]) / np.hypot(sigma, sigma[first])
    other = int(np.argmax(apart))
    return other, float(apart[other])
