"""Common-mode rejection out of transfers: as drawn, and in the worst case of what the parts' tolerances allow.

The two legs of the source are driven one against the other, half of a volt each (differential, V_d at the point), and
together, a volt each (common, V_c). Rejection is |V_d / V_c| (IEC 60268-3, from memory). A part at an end of its
tolerance changes the network M x = b, of which w takes the point, by D on a few unknowns; the point then moves by
-w M^-1 D (1 + M^-1 D)^-1 x, exactly, and so does the ratio q = V_c / V_d. Of several parts the moves of q are added,
which leaves out what they do to each other: under 0.001 dB for four resistors of 1 %. The worst case chooses for every
part the end of its tolerance, or none, that makes |q| largest: the support function of the sum, sought over
``DIRECTIONS`` of the complex plane.
"""

import numpy as np
from numpy.typing import NDArray

from fetsim.engine.assembly import Array

Phasors = NDArray[np.complex128]

DIRECTIONS = 180  # the worst case is missed by 1 - cos(1 deg) at the most, 0.0013 dB
LARGEST_DB = 200.0  # a rejection above is that of rounding


def rejection_db(ratio: Phasors) -> Array:
    """Rejection of a ratio of common to differential transfer; at most ``LARGEST_DB`` [shape of the ratio]."""
    return np.asarray(-20.0 * np.log10(np.maximum(np.abs(ratio), 10.0 ** (-LARGEST_DB / 20.0))))


def moved(
    matrices: tuple[Array, Array], frequency_hz: Array, inverse: Phasors, weights: Array, x: Phasors
) -> Phasors:
    """How far a point moves [shape=(frequencies,)] when conductances and capacitances of the network change.

    ``matrices``: changes of G [S] and of C [F], shape=(n, n); ``inverse``: of the network as drawn,
    shape=(frequencies, n, n); ``weights``: that take the point, shape=(n,); ``x``: unknowns, shape=(frequencies, n).
    """
    touched = np.flatnonzero(sum(np.abs(m).sum(axis=0) + np.abs(m).sum(axis=1) for m in matrices))
    g, c = (matrix[np.ix_(touched, touched)] for matrix in matrices)
    change = g + 2j * np.pi * frequency_hz[:, None, None] * c
    back = np.eye(len(touched)) + inverse[:, touched[:, None], touched] @ change
    driven = (change @ np.linalg.solve(back, x[:, touched, None]))[:, :, 0]
    return np.asarray(-np.sum((weights @ inverse[:, :, touched]) * driven, axis=1))


def worst_ratio(ratio: Phasors, parts: Phasors) -> Array:
    """Largest |ratio| that parts can bring about together [shape=(frequencies,)].

    ``ratio``: as drawn, shape=(frequencies,); ``parts``: by how much each part moves it at the lower and at the upper
    end of its tolerance, shape=(parts, 2, frequencies). A part may also be as drawn.
    """
    turn = np.exp(-2j * np.pi * np.arange(DIRECTIONS) / DIRECTIONS)
    largest = (ratio[:, None] * turn).real
    for ends in parts:
        largest = largest + np.maximum(np.max((ends[:, :, None] * turn).real, axis=0), 0.0)
    return np.asarray(np.max(largest, axis=1))
