"""Values that a hypothesis needs farther off than a good unit has them. Arrays only.

Tolerances scatter as normal numbers here, but none is farther off than its limit, three standard deviations: what is
farther off is what is wrong. So of what a hypothesis explains only that part counts for which the others stay within
theirs. With a posterior N(m, C) of the values, the least loss of its logarithm for which value k stays within its limit
b is 1/2 (|m_k| - b)^2 / C_kk, the rest following as they go with it; of several that are beyond the worst one is taken,
which is the least that they cost together. A limit is not sharp: ``SOFT`` goes into C_kk, what slopes leave unsure too.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LIMIT, SOFT = 3.0, 0.3
"""Standard deviations (of values that are off: nepers)."""
FARTHEST = 3.0
"""Nepers by which a value is off at the most: a factor of 20 either way."""
MOST = 12
"""Values that are brought back."""


def losses(means: Array, variances: Array, sigmas: Array) -> Array:
    """Nats [shape=(...)] of posteriors with such means and variances [shape=(..., values)] of values that scatter by
    ``sigmas`` [shape=(values,)]; 0 says that one does not."""
    beyond = np.maximum(np.abs(means) - LIMIT * sigmas, 0.0)
    soft = variances + np.square(SOFT * sigmas)
    return np.asarray(0.5 * np.max(np.where(sigmas > 0.0, beyond**2 / np.where(soft > 0.0, soft, 1.0), 0.0), axis=-1))


def too_far(means: Array, variances: Array) -> Array:
    """Nats [shape=(...)] that values which are off lose where none of them is farther off than ``FARTHEST``
    [shape=(..., values) both]."""
    beyond = np.maximum(np.abs(means) - FARTHEST, 0.0)
    return np.asarray(0.5 * np.sum(beyond**2 / (variances + SOFT**2), axis=-1))


def within(mean: Array, covariance: Array, sigmas: Array, free: Sequence[int] = ()) -> Array:
    """The most probable place [shape=(values,)] of a posterior at which all values are within their limits but those
    that are ``free``, found one after the other, the worst first."""
    place, spread = mean.copy(), covariance.copy()
    bound = LIMIT * sigmas
    held = np.isin(np.arange(len(mean)), list(free)) | (sigmas <= 0.0)
    for _ in range(MOST):
        beyond = np.where(held, 0.0, np.abs(place) - bound)
        k = int(np.argmax(beyond))
        if beyond[k] <= 0.0:
            break
        held[k] = True
        along = spread[:, k] / max(spread[k, k], np.finfo(float).tiny)
        place = place + along * (np.sign(place[k]) * bound[k] - place[k])
        spread = spread - np.outer(along, spread[k])
    return np.where(np.isin(np.arange(len(mean)), list(free)), place, np.clip(place, -bound, bound))
