"""Evidence with V, the error of the model, integrated out. Arrays only (``evidence`` says what the letters are)."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import logsumexp

from fetsim.studies.suspects.evidence import (
    WIDTHS,
    Array,
    Floor,
    Form,
    Metric,
    Seen,
    Sums,
    gains,
    root_of,
    solved,
    unexplained,
)
from fetsim.studies.suspects.limits import losses, too_far

ALIKE = 4.0
"""Numbers of the model's error that have one variance: another direction may have much more of it, which then looks
like a value that is off. So what goes along a direction is Student's t with so many degrees of freedom (Gelman et al.,
Bayesian Data Analysis, 3rd ed., ch. 17.2, from memory), as far as V is that error; our choice."""
STEPS_OF_V = 15
NEGLIGIBLE = 1e-6
"""Share of the weight below which a mixture's part is left out."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Weighed:
    """Data with V integrated out."""

    metrics: tuple[Metric, ...]
    """Of all V."""
    looks: tuple[Seen, ...]
    """The data under each of them."""
    health: Array | None = None
    """Log evidence of nothing being wrong under each V, from where that is seen best: where an error of the model may
    look like what is wrong (``ALIKE``), which is for what is told, not for the search."""

    @cached_property
    def log_evidence(self) -> float:
        """Of nothing being wrong."""
        return self.of(Form.of(len(self.looks[0].score)))

    @cached_property
    def _own(self) -> Array:
        return np.array([one.log_evidence for one in self.looks])

    @cached_property
    def _stacked(self) -> tuple[Array, Array]:
        return np.stack([one.score for one in self.looks]), np.stack([one.information for one in self.looks])

    def of(self, form: Form, widths: Sequence[float] = WIDTHS) -> float:
        """Log evidence of a hypothesis."""
        return self._mixed(self._told(form, widths if form.free.shape[1] else (1.0,)))

    def _told(self, form: Form, widths: Sequence[float]) -> Array:
        """Gains over health [shape=(widths, looks)], less what all values within their limits would lose of them. For
        what is told, also less what no value that is off farther than any is would lose, and in doubt of what
        recordings say of them, which is nothing under the largest V, no more than a model in error may say."""
        found = gains(*self._stacked, form, widths) - self._losses(form, widths)
        if self.health is None:
            return found
        over = found + self._own - self.health
        said, numbers = np.maximum(over - over[:, -1:], 0.0)[:, 1:], self._numbers
        found[:, 1:] -= said - 0.5 * numbers * np.log1p(2.0 * said / numbers)
        return found

    def by_v(self, form: Form) -> Array:
        """Log evidence of a hypothesis under each V, its width as is usual [shape=(looks,)]."""
        return np.asarray(self._own + self._told(form, (WIDTHS[len(WIDTHS) // 2],))[0])

    @cached_property
    def _numbers(self) -> Array:
        """Of the error of the model that look alike, under each V but the least, which is no error that is not known
        of: there all is heard, the 1e9 nats of a gross fault, too."""
        each = np.array([one.variance for one in self.metrics])
        return np.asarray(ALIKE * (each[1:] / (each[1:] - each[0])) ** 2)

    def _losses(self, form: Form, widths: Sequence[float]) -> Array:
        kept = form.support
        (scores, informations), offset, free = self._stacked, form.offset[kept], form.free[kept]
        sigmas = np.sqrt(np.diag(self.looks[0].prior))
        follows = self._follows[:, :, kept]
        means = np.broadcast_to(self._means - follows @ offset, (len(widths), *self._means.shape))
        variances = self._variances
        if free.shape[1]:
            information = informations[:, kept[:, None], kept]
            along = (scores[:, kept] - information @ offset) @ free
            found, precision = solved(along, free.T @ information @ free, widths)
            each = follows @ free
            means = means - np.einsum("vkj,wvj->wvk", each, found)
            variances = variances + np.einsum("vkj,wvjl,vkl->wvk", each, np.linalg.inv(precision), each)
        found_losses = losses(means, variances, sigmas)
        if free.shape[1] and self.health is not None:  # on the way slopes may promise it anywhere
            spread = np.diagonal(np.linalg.inv(precision), axis1=-2, axis2=-1)
            found_losses += too_far(found, spread)
        return found_losses

    @cached_property
    def _follows(self) -> Array:
        return np.stack([one.follows for one in self.metrics])

    @cached_property
    def _variances(self) -> Array:
        return np.stack([one.variances for one in self.metrics])

    @cached_property
    def _means(self) -> Array:
        return np.stack([one.prior @ one.score for one in self.looks])

    def posterior(self, form: Form, widths: Sequence[float] = WIDTHS) -> tuple[Array, Array]:
        """Mean and covariance of the coefficients (``Seen.posterior``), over V and widths."""
        told = [(one, width) for width in (widths if form.free.shape[1] else widths[:1]) for one in self.looks]
        each = self._told(form, widths if form.free.shape[1] else widths[:1])
        weights = (each + self._own).ravel()
        weights = np.exp(weights - logsumexp(weights))
        mean, square = np.zeros(len(form.offset)), np.zeros_like(self.looks[0].prior)
        for weight, (one, width) in zip(weights, told, strict=True):
            if weight > NEGLIGIBLE:
                middle, covariance = one.posterior(form, width)
                mean += weight * middle
                square += weight * (covariance + np.outer(middle, middle))
        return mean, square - np.outer(mean, mean)

    def under(self, form: Form) -> tuple[float, Seen]:
        """V that suits a hypothesis best, and the data under it."""
        width = WIDTHS[len(WIDTHS) // 2]
        place = int(np.argmax(self._own + self._told(form, (width,))[0]))
        return self.metrics[place].variance, self.looks[place]

    def _mixed(self, gains: Array) -> float:
        """Out of gains [shape=(widths, looks)], each width and each V as likely as the others."""
        each = self._own + gains
        most = float(np.max(each))
        return most + float(np.log(np.mean(np.exp(each - most))))


def weighed(
    every: Sequence[Sums],
    prior: Array,
    floors: Sequence[Floor] | None = None,
    metrics: Sequence[Metric] | None = None,
    health: Array | None = None,
) -> Weighed:
    """All data together. ``health``: as ``Weighed`` has it. ``floors``: see ``Metric.seen``; None: what these data
    themselves leave unexplained. ``metrics``: of their columns; None: with V from the least that is known of to all
    that there is."""
    least = list(map(unexplained, every)) if floors is None else floors
    metrics = metrics_of(every, prior, possible_v(every)) if metrics is None else metrics
    return Weighed(metrics=tuple(metrics), looks=tuple(one.seen(every, least) for one in metrics), health=health)


def metrics_of(every: Sequence[Sums], prior: Array, variances: Array) -> tuple[Metric, ...]:
    """Of the columns of these data, for each V."""
    root = root_of(prior)
    return tuple(Metric.of(every, prior, float(one), root) for one in variances)


def possible_v(every: Sequence[Sums]) -> Array:
    """V that data may have, from the least that is known of to all that there is; 1 where none have such an error."""
    with_error = [sums for sums in every if sums.freedom is not None]
    if not with_error:
        return np.array([1.0])
    smallest = max(sums.least for sums in with_error)
    most = max(10.0 * smallest, *(sums.power / (sums.freedom or 1.0) for sums in with_error))
    return np.geomspace(smallest, most, STEPS_OF_V)
