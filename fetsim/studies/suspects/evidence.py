"""How well hypotheses explain data, with everything else that a good unit may have integrated out. Arrays only.

The data, less what the unit as drawn would give, are r = J (z + d) + e + n:

* ``z``, natural logarithms of all values over those drawn, are spread as tolerances have it, z ~ N(0, S);
* ``d`` is what is wrong (``Form``): nothing (health), one value or two, each with a wide prior, or a fault;
* ``n`` is the noise, by which the rows are divided;
* ``e`` is the error of the model itself. Beside the directions that the data know values by it lives in far fewer
  independent numbers (``Sums.freedom``) than a recording has samples, since what is modelled wrongly goes on being so.
  It is taken as white among both, with a variance that nobody knows: V = 1 + that, in units of the noise's, is
  integrated over, evenly in its logarithm. A law that differs leaves a residual, the residual raises V, and a larger V
  takes the certainty out of everything. What of the whole residual the noise could be by itself (``Sums.unsure``) says
  nothing of V; but an error of the model moves with the music, and what is left along such directions (``Sums.modes``)
  says how large it is.

J has a column for each value, and further ones, without a spread, for what has been simulated: the difference that a
fault makes, or how the data move with a value where that is far from the drawn one.

All is Gaussian, so the evidence is a closed form (Rasmussen and Williams, Gaussian Processes for Machine Learning, MIT
2006, eq. 2.30 and A.9-A.11 for the inverse and the determinant; MacKay, Neural Computation 4 (1992) 415, for the
comparison; from memory), and data enter it only by their sums.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.special import logsumexp

Array = NDArray[np.float64]

WIDTHS = (0.15, 0.5, 1.5)
"""Standard deviations of the logarithm of a value that is wrong, each as likely as the others: by 15 %, by a factor of
1.6, of 4.5. Our choice; the tails decide little, since a wide prior is lost only by its logarithm."""
KNOWN = 1.0
"""Information beyond which data know a coefficient: what one of it moves is the noise's deviation."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Sums:
    """What data, divided by their noise, say: enough for every evidence."""

    gram: Array
    """J^T J [shape=(values, values)]."""
    score: Array
    """J^T r [shape=(values,)]."""
    power: float
    """r^T r."""
    count: float
    """Rows, less those that level, delay and the like have been fitted with."""
    freedom: float | None = None
    """Independent numbers that the error of the model has among them, beside those that say something of values; None:
    the rows have no such error, or theirs stands in their noise, as with readings."""
    unsure: float = 0.0
    """Power by which that of the noise may differ from what it is taken for."""
    least: float = 1.0
    """V at the least: what is known of the model's error."""
    modes: Array | None = None
    """What columns give along directions that the error of the model has [shape=(directions, values)],"""
    along: Array | None = None
    """and the residual there [shape=(directions,)]."""

    @staticmethod
    def of(jacobian: ArrayLike, residual: ArrayLike, sigma: ArrayLike = 1.0, freedom: float | None = None) -> "Sums":
        """Of rows [jacobian: shape=(rows, values), residual: shape=(rows,)] with noise of ``sigma`` each."""
        residual, each = np.asarray(residual, dtype=np.float64), np.asarray(sigma, dtype=np.float64)
        rows = np.asarray(jacobian, dtype=np.float64) / np.broadcast_to(each, residual.shape)[:, None]
        r = residual / each
        return Sums(gram=rows.T @ rows, score=rows.T @ r, power=float(r @ r), count=float(len(r)), freedom=freedom)

    def shifted(self, step: ArrayLike) -> "Sums":
        """The same data, of which what is measured from is moved by ``step`` [shape=(values,)]: r + J step."""
        way = np.asarray(step, dtype=np.float64)
        return replace(
            self, score=self.score + self.gram @ way,
            power=self.power + 2.0 * float(self.score @ way) + float(way @ self.gram @ way),
            along=None if self.modes is None or self.along is None else self.along + self.modes @ way,
        )  # fmt: skip


@dataclass(frozen=True)
class Floor:
    """What is left of data whatever values are."""

    power: float
    """In units of the noise's variance."""
    along: float = 0.0
    """Of that, what lies along directions that the error of the model has,"""
    numbers: float = 0.0
    """and independent numbers that it is left in."""

    @staticmethod
    def of(each: Sequence["Floor"], *, sharp: bool = True) -> "Floor":
        """Of the same data by several sets of columns, the least. ``sharp``: with what is left along directions."""
        if not sharp:
            return Floor(min(one.power for one in each))
        best = min(each, key=lambda one: one.along / one.numbers if one.numbers else np.inf)
        return Floor(min(one.power for one in each), best.along, best.numbers)


def unexplained(sums: Sums, columns: Sequence[int] | slice = slice(None), certain: Sequence[int] = ()) -> Floor:
    """What no coefficients of these columns would take away; the least with any one of the ``certain`` columns
    subtracted, or with none."""
    values, vectors = np.linalg.eigh(sums.gram[columns][:, columns])
    told = values > 1e-9 * max(float(values[-1]), np.finfo(float).tiny)
    of = list(certain)
    score = np.column_stack([sums.score, sums.score[:, None] - sums.gram[:, of]])[columns]
    power = sums.power + np.concatenate([[0.0], np.diag(sums.gram)[of] - 2.0 * sums.score[of]])
    along = vectors[:, told].T @ score
    left = power - np.sum(along**2 / values[told, None], axis=0)
    least = int(np.argmin(left))
    if sums.modes is None or sums.along is None or not len(sums.along):
        return Floor(max(0.0, float(left[least])))
    known = values > KNOWN
    ways = sums.modes[:, columns] @ vectors[:, known] / np.sqrt(values[known])
    seen = sums.along if least == 0 else sums.along - sums.modes[:, of[least - 1]]
    rest = seen - ways @ ((vectors[:, known].T @ score[:, least]) / np.sqrt(values[known]))
    return Floor(max(0.0, float(left[least])), float(rest @ rest), max(1.0, len(rest) - float(np.sum(ways**2))))


@dataclass(frozen=True, kw_only=True, eq=False)
class Seen:
    """Data under one V, every value spread as tolerances have it: y ~ N(0, J S J^T + noise)."""

    prior: Array
    """S [shape=(values, values)]."""
    score: Array
    """J^T (J S J^T + noise)^-1 r [shape=(values,)]."""
    information: Array
    """J^T (J S J^T + noise)^-1 J [shape=(values, values)]: what the data say of each value beyond its tolerance."""
    log_evidence: float
    """Of nothing being wrong, but for a constant that all hypotheses share."""

    def gain(self, form: "Form", width: float) -> float:
        """Log of the evidence of a hypothesis, with a prior N(0, width^2) for what it has free, over that of health."""
        return float(gains(self.score[None], self.information[None], form, (width,))[0, 0])

    def posterior(self, form: "Form", width: float) -> tuple[Array, Array]:
        """Of the coefficients of all columns, the offset's left out: mean [shape=(columns,)] and covariance
        [shape=(columns, columns)]; zero where nothing scatters."""
        kept = np.flatnonzero((np.diag(self.prior) > 0.0) | np.any(form.free != 0.0, axis=1))
        few = np.ix_(kept, kept)
        free, information = form.free[kept], self.information[few]
        score = self.score[kept] - self.information[kept] @ form.offset
        prior = self.prior[few] + width**2 * free @ free.T
        if free.shape[1]:
            across = information @ free
            inner = np.linalg.inv(np.eye(free.shape[1]) / width**2 + free.T @ across)
            score = score - across @ inner @ (free.T @ score)
            information = information - across @ inner @ across.T
        mean, covariance = np.zeros(len(self.score)), np.zeros_like(self.information)
        mean[kept] = prior @ score
        own = prior - prior @ information @ prior
        covariance[few] = 0.5 * (own + own.T)
        return mean, covariance


@dataclass(frozen=True, kw_only=True, eq=False)
class Form:
    """A hypothesis as the data see it: r = J (z + offset + free a) + e + n, each number of ``a`` with a wide prior."""

    offset: Array
    """Coefficients of columns that it has for certain [shape=(columns,)],"""
    free: Array
    """and the directions in which it is free [shape=(columns, k)]."""

    @staticmethod
    def of(columns: int, free: Sequence[int] = (), certain: Sequence[int] = ()) -> "Form":
        """With these columns free, and one of each of those for certain."""
        offset = np.zeros(columns)
        offset[list(certain)] = 1.0
        return Form(offset=offset, free=np.eye(columns)[:, list(free)])

    @cached_property
    def support(self) -> NDArray[np.intp]:
        """Columns that it has any of."""
        return np.flatnonzero((self.offset != 0.0) | np.any(self.free != 0.0, axis=1))


def gains(scores: Array, informations: Array, form: Form, widths: Sequence[float]) -> Array:
    """Log evidence over that of health [shape=(widths, looks)], of looks' scores [shape=(looks, columns)] and
    informations [shape=(looks, columns, columns)]."""
    kept = form.support
    offset, free = form.offset[kept], form.free[kept]
    score, information = scores[:, kept], informations[:, kept[:, None], kept]
    certain = score @ offset - 0.5 * (information @ offset) @ offset
    if not free.shape[1]:
        return np.asarray(np.tile(certain, (len(widths), 1)))
    along = (score - information @ offset) @ free
    found, precision = solved(along, free.T @ information @ free, widths)
    _, log_det = np.linalg.slogdet(np.square(widths)[:, None, None, None] * precision)
    return np.asarray(certain + 0.5 * (np.sum(along * found, axis=-1) - log_det))


def solved(along: Array, own: Array, widths: Sequence[float]) -> tuple[Array, Array]:
    """What is free at its mean [shape=(widths, looks, k)], and its precision [shape=(widths, looks, k, k)]."""
    precision = own + np.eye(own.shape[-1]) / np.square(widths)[:, None, None, None]
    right = np.broadcast_to(along[:, :, None], (len(widths), *along.shape, 1))
    return np.asarray(np.linalg.solve(precision, right)[..., 0]), precision


@dataclass(frozen=True, kw_only=True, eq=False)
class Metric:
    """Columns under one V, every value spread as tolerances have it, whatever the data are that they explain."""

    prior: Array
    """S [shape=(columns, columns)]."""
    variance: float
    """V."""
    root: Array
    """L, L L^T = S [shape=(columns, columns that scatter)],"""
    factor: tuple[Array, bool]
    """1 + L^T J^T J L as Cholesky has it,"""
    spread: Array
    """and J^T J L."""
    information: Array
    log_det: float
    told: float
    """Directions that data with such an error know values by."""

    @cached_property
    def follows(self) -> Array:
        """How far values go with each column that something else has [shape=(columns, columns)],"""
        return np.asarray(self.prior @ self.information)

    @cached_property
    def variances(self) -> Array:
        """and the variance that data leave of each [shape=(columns,)]."""
        return np.asarray(np.diag(self.prior) - np.einsum("ij,ji->i", self.follows, self.prior))

    @staticmethod
    def of(every: Sequence[Sums], prior: Array, variance: float, root: Array | None = None) -> "Metric":
        """Of the columns that these data have."""
        root = root_of(prior) if root is None else root
        with_error = sum((one.gram for one in every if one.freedom is not None), np.zeros_like(prior))
        without = sum((one.gram for one in every if one.freedom is None), np.zeros_like(prior))
        spread = (with_error / variance + without) @ root
        factor = cho_factor(np.eye(root.shape[1]) + root.T @ spread, lower=True)
        known = np.maximum(np.linalg.eigvalsh(root.T @ with_error @ root), 0.0)
        return Metric(
            prior=prior, variance=variance, root=root, factor=factor, spread=spread,
            information=with_error / variance + without - spread @ cho_solve(factor, spread.T),
            log_det=2.0 * float(np.sum(np.log(np.diag(factor[0])))), told=float(np.sum(known / (1.0 + known))),
        )  # fmt: skip

    def seen(self, every: Sequence[Sums], floors: Sequence[Floor]) -> Seen:
        """Data that such columns explain. ``floors``: what the best of all hypotheses leaves of each of them
        (``unexplained``), of which what is above the noise's own is the model's error."""
        score, constant, own = np.zeros(len(self.prior)), 0.0, self.variance
        recordings = sum(sums.freedom is not None for sums in every)
        told_each = self.told / max(recordings, 1)
        for sums, floor in zip(every, floors, strict=True):
            score = score + sums.score / (1.0 if sums.freedom is None else own)
            if sums.freedom is None:
                constant += sums.power
            else:
                least = min(floor.power, sums.power)
                constant += (sums.power - least) / own + told_each * np.log(own)
                above = max(0.0, least - (sums.count - told_each) - sums.unsure)
                unseen = own + sums.unsure / sums.freedom
                constant += sums.freedom * np.log(unseen) + (above + sums.unsure + sums.freedom) / unseen
                constant += floor.numbers * np.log(own) + floor.along / own
        told = self.root.T @ score
        solved = cho_solve(self.factor, told)
        return Seen(
            prior=self.prior, score=score - self.spread @ solved, information=self.information,
            log_evidence=-0.5 * (constant + self.log_det - float(told @ solved)),
        )  # fmt: skip


def seen(every: Sequence[Sums], prior: Array, variance: float, floors: Sequence[Floor]) -> Seen:
    """Data under one V (``Metric``)."""
    return Metric.of(every, prior, variance).seen(every, floors)


def root_of(prior: Array) -> Array:
    """L with L L^T = S [shape=(columns, columns that scatter)]."""
    values, vectors = np.linalg.eigh(prior)
    kept = values > 0.0
    return np.asarray(vectors[:, kept] * np.sqrt(values[kept]), dtype=np.float64)


def probabilities(log_evidences: ArrayLike, log_priors: ArrayLike) -> Array:
    """Of hypotheses that exclude each other."""
    both = np.asarray(log_evidences, dtype=np.float64) + np.asarray(log_priors, dtype=np.float64)
    return np.asarray(np.exp(both - logsumexp(both)), dtype=np.float64)
