"""Slopes that are kept from place to place, put right by what each step did; arrays only.

(C. Broyden, Math. Comp. 19 (1965) 577, with lengths measured by what is known of the values.) Slopes by value are
mixtures of columns; a step adds one column, what it changed, and mixes it in such that the slopes would have foretold
it, and are as they were along all that the data and the tolerances count as independent of the step.
"""

import numpy as np

from fetsim.engine.assembly import Array


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
