"""A lapped orthogonal transform: sound as numbers over time and frequency, as many as samples; arrays only.

The modulated cosine transform under a sine window (J. Princen, A. Bradley, IEEE Trans. ASSP 34 (1986) 1153, from
memory): frames overlap by half, and still every sum of products of two signals is that of their numbers. So white
noise stays white, and a sum over a stretch and a band is that stretch's and band's share.
"""

import numpy as np
from scipy import fft

from fetsim.engine.assembly import Array


def lapped(samples: Array, size: int) -> Array:
    """Frames of ``samples`` [shape=(..., (frames + 1) * size)], silence before and after them taken for granted only
    where it is among them [shape=(..., frames, size)]; frame k covers samples k ``size`` to (k + 2) ``size``, its
    number j the frequencies around (j + 1/2) / (2 ``size``) of the rate. ``size`` is even."""
    blocks = samples.reshape(*samples.shape[:-1], -1, size)
    window = np.sin(np.pi * (np.arange(2 * size) + 0.5) / (2 * size))
    early, late = blocks[..., :-1, :] * window[:size], blocks[..., 1:, :] * window[size:]
    half = size // 2
    a, b = early[..., :half], early[..., half:]
    c, d = late[..., :half], late[..., half:]
    folded = np.concatenate([-c[..., ::-1] - d, a - b[..., ::-1]], axis=-1)
    return np.asarray(fft.dct(folded, type=4, norm="ortho", axis=-1))
