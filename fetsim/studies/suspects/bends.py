"""How far slopes mislead that are not quite right, since all laws bend. Arrays only.

Where a hypothesis has been played, what it gives is known. Its neighbourhood, and with it the intervals and what tells
two suspects apart, is known by slopes, which were taken elsewhere. Where many values nearly make up for each other,
what is left of a hundred may hang on a hundredth of a slope. So each slope is taken to be wrong by a share of itself,
on its own. How large that share is, the last play tells: it differs from what slopes foretold by a sum of such errors
over the way it went, as what slopes foretell does within what is known of the values. That is an error of the model
like others, and raises the least V (``evidence``). On readings, whose accuracy is far coarser, it is left out.
"""

import numpy as np

from fetsim.studies.suspects.evidence import Array


def share_missed(missed: float, step: Array, gram: Array) -> float:
    """By which slopes are wrong, of themselves (root of the mean square), when a ``step`` of the values [shape=(n,)]
    gave what was foretold but for a power of ``missed``. ``gram``: J^T J [shape=(n, n)]."""
    moved = float(np.square(step) @ np.diag(gram))
    return float(np.sqrt(missed / moved)) if moved > 0.0 else 0.0


def power_of(share: float, covariance: Array, gram: Array) -> float:
    """Of the error that slopes, wrong by this share, make within what is known of the values [shape=(n, n)]."""
    return share**2 * float(np.diag(covariance) @ np.diag(gram))
