"""One recording's sums with a weight for each cell: what they say of the values, nuisances solved for; arrays only."""

from dataclasses import dataclass

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.studies.observed.heard import NUISANCES
from fetsim.studies.observed.noise import Noise, even_noise, noise_of, trust
from fetsim.studies.observed.sums import Sums

GAIN = 0
DB = np.log(10.0) / 20.0
RANK = 1e-10
"""Eigenvalues below this share of the largest count as none."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Weights:
    """Of each cell."""

    noise: Noise
    trust: Array
    """Share of its weight that a cell keeps which stands out [shape=(cells,)]."""

    @property
    def each(self) -> Array:
        """[shape=(cells,)]"""
        return np.asarray(self.trust / self.noise.variance)


@dataclass(frozen=True, kw_only=True, eq=False)
class Equations:
    """Normal equations of the values."""

    matrix: Array
    """What the data know: the inverse of the covariance that they alone would leave [shape=(values, values)]."""
    gradient: Array
    """Towards which they pull [shape=(values,)]."""
    cost: float
    """Sum of squares, each over its variance."""
    nuisances: Array
    """Values of gain, delay and clock at zero step [shape=(3,)]."""

    def over(self, excess: float) -> "Equations":
        """With errors that hang together, so that so many numbers tell no more than one would."""
        return Equations(
            matrix=self.matrix / excess, gradient=self.gradient / excess, cost=self.cost / excess,
            nuisances=self.nuisances,
        )  # fmt: skip


def weights_of(
    sums: Sums, *, least_share: float = 0.0, gain: tuple[float, float] | None = None, far: bool = False
) -> Weights:
    """Out of what is left when gain, delay and clock have been solved for, which needs weights itself: done until both
    agree. ``gain``: see ``equations_of``. ``far`` from the truth no cell stands out (``even_noise``)."""
    power = sums.gram[:, _first(sums) + GAIN, _first(sums) + GAIN] / sums.counts
    energy = sums.gram[:, -1, -1]
    for _ in range(3):
        noise = (even_noise if far else noise_of)(energy, sums.counts, sums.bands, power, least_share=least_share)
        trusted = np.ones(len(energy)) if far else trust(np.sqrt(energy / sums.counts / noise.variance))
        weights = Weights(noise=noise, trust=trusted)
        energy = left_over(sums, equations_of(sums, weights, gain=gain).nuisances)
    return weights


def left_over(sums: Sums, nuisances: Array) -> Array:
    """Summed squares of the difference in each cell less what the nuisances explain [shape=(cells,)]."""
    row = np.append(-nuisances, 1.0)
    block = sums.gram[:, _first(sums) :, _first(sums) :]
    return np.asarray(np.maximum(np.einsum("i,cij,j->c", row, block, row), 0.0))


def equations_of(sums: Sums, weights: Weights, *, gain: tuple[float, float] | None = None) -> Equations:
    """``gain``: how many nepers the gain stands above what it is known to be, and how well that is known."""
    whole = np.einsum("c,cij->ij", weights.each, sums.gram)
    first = _first(sums)
    if gain is not None:
        row = np.zeros(len(whole))
        row[first + GAIN], row[-1] = 1.0 / gain[1], -gain[0] / gain[1]
        whole = whole + np.outer(row, row)
    own = slice(first, first + len(NUISANCES))
    kept = np.r_[0:first, len(whole) - 1]
    inverse = np.linalg.pinv(whole[own, own], rcond=RANK, hermitian=True)
    explained = inverse @ whole[own, kept]
    left = whole[kept][:, kept] - whole[kept, own] @ explained
    return Equations(
        matrix=left[:-1, :-1], gradient=left[:-1, -1], cost=float(left[-1, -1]), nuisances=explained[:, -1]
    )


def excess_of(sums: Sums, weights: Weights, nuisances: Array) -> float:
    """By how much the differences of one time hang together beyond noise: mean over all directions of the variance of
    what each slice of time pulls, over what it would be for independent numbers (at least 1; the sandwich of H. White,
    Econometrica 50 (1982) 1, with slices for clusters)."""
    row = np.append(-nuisances, 1.0)
    first = _first(sums)
    pulls = weights.each[:, None] * (sums.gram[:, :-1, first:] @ row)
    each = np.array([np.sum(pulls[sums.slices == k], axis=0) for k in range(int(sums.slices.max()) + 1)])
    matrix = np.einsum("c,cij->ij", weights.each, sums.gram[:, :-1, :-1])
    scale = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    values, vectors = np.linalg.eigh(matrix / np.outer(scale, scale))
    known = values > RANK * values[-1]
    apart = (each - np.mean(each, axis=0)) / scale @ vectors[:, known] / np.sqrt(values[known])
    if len(each) < 2 or not known.any():
        return 1.0
    return max(1.0, float(np.sum(apart**2) / known.sum() * len(each) / (len(each) - 1)))


def _first(sums: Sums) -> int:
    """Column of the first nuisance."""
    return sums.gram.shape[1] - 1 - len(NUISANCES)
