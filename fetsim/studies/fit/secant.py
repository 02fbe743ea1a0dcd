"""Along what slopes are taken, and slopes that are kept from place to place, put right by what each step did; arrays
only.

(C. Broyden, Math. Comp. 19 (1965) 577, with lengths measured by what is known of the values.) Slopes by value are
mixtures of columns; a step adds one column, what it changed, and mixes it in such that the slopes would have foretold
it, and are as they were along all that the data and the tolerances count as independent of the step.
"""

from dataclasses import replace

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.studies.observed.sums import Sums

LARGEST_STEP = 25.0
"""5 % of sound, half of a value of readings."""


def directions_of(matrix: Array) -> tuple[Array, Array]:
    """Directions [shape=(values, directions)], the largest part of each 1, and by how much larger than the usual one
    the step along each may be: as much as less is seen of it, at the most ``LARGEST_STEP``."""
    scale = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    seen, along = np.linalg.eigh(matrix / np.outer(scale, scale))
    along = along / scale[:, None]
    along = along / np.max(np.abs(along), axis=0)
    return along, np.clip(np.sqrt(seen.max() / np.maximum(seen, 1e-12)), 1.0, LARGEST_STEP)


def by_value(sums: Sums, mix: Array) -> Sums:
    """Columns of values out of the columns that they are mixtures of."""
    values, columns = mix.shape
    others = sums.gram.shape[1] - columns
    whole = np.block([[mix, np.zeros((values, others))], [np.zeros((others, columns)), np.eye(others)]])
    return replace(sums, gram=np.einsum("ik,ckl,jl->cij", whole, sums.gram, whole, optimize=True))


def mixed_in(mix: Array, step: Array, known: Array) -> Array:
    """Mixture [shape=(values, columns + 1)] after a ``step`` [shape=(values,)] whose change is a column more. ``mix``
    [shape=(values, columns)]; ``known``: matrix that lengths are measured by [shape=(values, values)]."""
    share = share_of(step, known)
    return np.column_stack([mix - np.outer(share, step @ mix), share])


def rows_after(rows: Array, change: Array, step: Array, known: Array) -> Array:
    """The same of slopes as numbers [shape=(n, values)], which foretold another ``change`` [shape=(n,)]."""
    return rows + np.outer(change - rows @ step, share_of(step, known))


def share_of(step: Array, known: Array) -> Array:
    """How much of a step is along each value; its product with the step is 1 [shape=(values,)]."""
    pull = known @ step
    return np.asarray(pull / (step @ pull))
