"""How large a difference is expected in each cell of time and frequency, out of the differences themselves; arrays
only.

In each band the variance of a cell is a floor (noise of the recording, hum) and a share of the model's power there
(errors of the model: of its laws, of the solution in time). Both by maximum likelihood for normal differences: that
is nonnegative matrix factorisation under the Itakura-Saito divergence with both patterns known (C. Fevotte, N. Bertin,
J.-L. Durrieu, Neural Comp. 21 (2009) 793, from memory), whose multiplicative steps never make it worse. Cells that
stand out (a click, a dropout, a cough) count for no more than ``OUTLIER`` says.
"""

from dataclasses import dataclass

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.studies.observed.sums import Integers

OUTLIER = 2.5
"""Standard deviations, of a cell its rms over what is expected, from which on weight falls (Huber's)."""
ROUNDS = 100
ENOUGH = 1e-4
LEAST = 1e-30


@dataclass(frozen=True, kw_only=True, eq=False)
class Noise:
    """What is expected."""

    floor: Array
    """Variance of a number, of every cell in a band [shape=(bands,)],"""
    share: Array
    """and of the model's power [shape=(bands,)]."""
    variance: Array
    """[shape=(cells,)]"""


def noise_of(
    energy: Array, counts: Array, bands: Integers, power: Array, *, least_share: float = 0.0, freedom: float = 1.0
) -> Noise:
    """Out of the summed squares of each cell, how many numbers it has, its band, and the model's mean square there
    [shape=(cells,) each]. ``least_share``: error of the model that is known. ``freedom``: share of the numbers that
    are left after what was fitted to them."""
    mean, power = np.maximum(energy / counts, LEAST) / freedom, np.maximum(power, LEAST)
    number = int(bands.max()) + 1
    middle = np.array([np.median(mean[bands == band]) for band in range(number)])
    usual = np.array([np.median(power[bands == band]) for band in range(number)])
    patterns = np.stack([np.ones(len(power)), power])
    heights = np.stack([0.5 * middle, 0.5 * middle / usual])
    for _ in range(ROUNDS):
        heights[1] = np.maximum(heights[1], least_share)
        expected = np.sum(heights[:, bands] * patterns, axis=0)
        seen = np.minimum(mean, OUTLIER**2 * expected)
        above, below = (
            np.stack([np.bincount(bands, pattern * weight, number) for pattern in patterns])
            for weight in (counts * seen / expected**2, counts / expected)
        )
        moved = heights * np.sqrt(above / below)
        done = np.all(np.abs(moved - heights)[:, bands] * patterns < ENOUGH * expected)
        heights = moved
        if done:
            break
    floor, share = np.maximum(heights[0], LEAST), np.maximum(heights[1], least_share)
    return Noise(floor=floor, share=share, variance=floor[bands] + share[bands] * power)


def even_noise(energy: Array, counts: Array, bands: Integers, power: Array, *, least_share: float = 0.0) -> Noise:
    """The same far from the truth, where what is left over is what is to be learnt: one floor for each band, so that
    what differs most counts most. (With a share of the power, and less weight for what stands out, a search is content
    with the passages in which little happens.)"""
    floor = np.maximum(np.bincount(bands, energy) / np.bincount(bands, counts), LEAST)
    share = np.full(len(floor), least_share)
    return Noise(floor=floor, share=share, variance=floor[bands] + least_share * power)


def trust(standing_out: Array, *, falling: bool = False) -> Array:
    """Weight of what lies so many standard deviations out [any shape]: 1 up to ``OUTLIER``, then falling so that its
    pull stays (P. Huber, Ann. Math. Stat. 35 (1964) 73) or, with ``falling``, falls as one over how far it lies out:
    far out that is the weight of Student's law, (n + 1) / (n + z^2) (K. Lange, R. Little, J. Taylor, J. Am. Stat.
    Assoc. 84 (1989) 881). The latter has several optima, and wants to begin near the right one, at that of the former
    (V. Yohai, Ann. Stat. 15 (1987) 642; both from memory)."""
    share = np.minimum(1.0, OUTLIER / np.maximum(np.abs(standing_out), 1e-12))
    return share**2 if falling else share
