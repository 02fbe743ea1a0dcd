"""Combinations of preferred values around an optimum, ranked by what its slopes predict; arrays only.

What can have any value, as a control, is put for each combination where the prediction is best.
"""

from collections.abc import Sequence
from itertools import product

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.studies.wish.optimum import Optimum

MOST_COMBINATIONS = 4096
MOST_EACH, LEAST_EACH = 8, 2
ALIKE = 1
"""Decimals of a misfit: of those that agree in them, the combination goes first that changes less. A tenth of half of
what is accepted is less than tolerances leave (own choice)."""


def values_each(parts: int) -> int:
    """Preferred values of each of so many parts, so that there are no more combinations than can be ranked."""
    return int(np.clip(MOST_COMBINATIONS ** (1.0 / max(parts, 1)) + 1e-9, LEAST_EACH, MOST_EACH))


def ranked(best: Optimum, choices: Sequence[Sequence[float] | None]) -> list[Array]:
    """All combinations, that with the least predicted misfit first.

    ``choices``: for each coordinate the places that it can have, None for any.
    """
    fixed = np.array([one is not None for one in choices])
    if not fixed.any():
        return [best.way]
    combined = np.array(list(product(*(one for one in choices if one is not None))))
    ways = np.tile(best.way, (len(combined), 1))
    ways[:, fixed] = combined
    missed = best.miss + (ways - best.way) @ best.slope.T
    if not fixed.all():
        free = best.slope[:, ~fixed]
        ways[:, ~fixed] -= missed @ np.linalg.pinv(free).T
        ways[:, ~fixed] = np.clip(ways[:, ~fixed], best.low[~fixed], best.high[~fixed])
        missed = best.miss + (ways - best.way) @ best.slope.T
    changed = np.sum(ways != best.start, axis=1)
    misfit = np.sqrt(np.mean(missed**2, axis=1))
    order = np.lexsort((misfit, changed, np.round(misfit, ALIKE)))
    return list(ways[order])


def corrected(way: Array, miss: Array, best: Optimum, choices: Sequence[Sequence[float] | None]) -> Array:
    """A combination that was measured, with what can have any value moved to where that should have been best."""
    free = np.array([one is None for one in choices])
    moved = way.copy()
    moved[free] -= np.linalg.pinv(best.slope[:, free]) @ miss
    moved[free] = np.clip(moved[free], best.low[free], best.high[free])
    return moved
