"""Which part is to blame for the spread of a figure.

By regression on ranks, from the builds as they are drawn: ranks of the figure against ranks of all columns at once, in
standard deviations (Iman and Conover, Technometrics 21 (1979) 499, from memory). The columns are independent, so the
squared coefficients are shares of the variance of the ranks, freed of what chance alone would give; confidence by
drawing the builds again with replacement. What is missing to 1 is not monotonic, or of several parts at once.

By variance, from builds of a plan of their own (``plan.share_plan``): Sobol' indices as scipy works them out, the first
order and in total, with the interactions. They assume neither straightness nor monotony.

A share below its own error is none: it is not ranked.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import rankdata, sobol_indices

from fetsim.engine.assembly import Array
from fetsim.studies.spread.plan import SharePlan

RESAMPLES = 200
SIGMAS = 1.96  # of a confidence of 95 %
BUILDS_A_COLUMN = 2
"""Builds that a regression needs for each column, at least."""
LEAST_BASE = 8


@dataclass(frozen=True, kw_only=True)
class PartShare:
    """What one part, or group of matched ones, has in the spread of a figure."""

    group: str
    share: float
    """Of the variance, by itself."""
    error: float
    """Half the width of its 95 % confidence."""
    total: float | None = None
    """With all that it does together with others; None where that was not worked out,"""
    total_error: float | None = None
    sign: float | None = None
    """Whether the figure rises (+1) or falls (-1) as the value goes away from zero; None for several values at once."""

    @property
    def ranked(self) -> bool:
        """Whether it is more than its own error."""
        largest, error = (self.share, self.error) if self.total is None else (self.total, self.total_error or 0.0)
        return largest > error


@dataclass(frozen=True, kw_only=True)
class Blame:
    """All parts, the largest share first."""

    shares: tuple[PartShare, ...]
    explained: float | None
    """Share of the variance that the regression explains; None for shares of variance."""
    rows: int
    """Builds that it rests on."""
    reason: str = ""
    """Why there is none."""


def rank_blame(columns: Array, groups: Sequence[str], values: ArrayLike, seed: int) -> Blame:
    """Regression on ranks of ``values`` [shape=(builds,), NaN unknown] over ``columns`` [shape=(builds, columns)].

    ``groups``: to whom each column belongs, empty for one that matters to nobody.
    """
    figure = np.asarray(values, dtype=np.float64)
    known, used = np.isfinite(figure), np.array([bool(name) for name in groups])
    names, rows, width = [name for name in groups if name], int(np.sum(known)), int(np.sum(used))
    if rows < max(2, BUILDS_A_COLUMN * width):
        told = f"{rows} builds cannot tell {width} values that vary apart; draw {BUILDS_A_COLUMN * width} or more"
        return Blame(shares=(), explained=None, rows=rows, reason=told)
    if np.ptp(figure[known]) == 0.0:
        return Blame(shares=(), explained=None, rows=rows, reason="it is the same in all builds")
    x, y = _standard(rankdata(columns[known][:, used], axis=0)), _standard(rankdata(figure[known]))
    slopes, errors, explained = _regression(x, y)
    rng = np.random.default_rng(np.random.SeedSequence(seed))
    drawn = np.array([_regression(x[pick], y[pick])[0] for pick in rng.integers(0, rows, (RESAMPLES, rows))])
    found = []
    for name in dict.fromkeys(names):
        own = np.array([other == name for other in names])
        share = float(np.sum(slopes[own] ** 2 - errors[own] ** 2))
        spread = float(np.std(np.sum(drawn[:, own] ** 2, axis=1), ddof=1))
        chance = float(np.sqrt(2.0) * np.sum(errors[own] ** 2))  # of a share that is none
        sign = float(np.sign(slopes[own][0])) if np.sum(own) == 1 else None
        found.append(PartShare(group=name, share=share, error=SIGMAS * max(spread, chance), sign=sign))
    return Blame(shares=_sorted(found), explained=explained, rows=rows)


def variance_shares(plan: SharePlan, values: ArrayLike, seed: int) -> Blame:
    """Sobol' indices of ``values`` [shape of the plan's rows; NaN unknown]: a base row of which any is unknown is left
    out of all."""
    blocks = np.asarray(values, dtype=np.float64).reshape(len(plan.groups) + 2, plan.base)
    blocks = blocks[:, np.isfinite(blocks).all(axis=0)]
    rows = blocks.shape[1]
    if rows < LEAST_BASE:
        return Blame(shares=(), explained=None, rows=rows, reason=f"only {rows} base rows have it")
    if np.ptp(blocks) == 0.0:
        return Blame(shares=(), explained=None, rows=rows, reason="it is the same in all builds")
    if len(plan.groups) == 1:
        return Blame(shares=(PartShare(group=plan.groups[0], share=1.0, error=0.0, total=1.0, total_error=0.0),),
                     explained=None, rows=rows)  # fmt: skip
    rows = 2 ** int(np.log2(rows))
    orders = _indices(blocks[:, :rows])
    rng = np.random.default_rng(np.random.SeedSequence(seed))
    drawn = [_indices(blocks[:, pick]) for pick in rng.integers(0, blocks.shape[1], (RESAMPLES, rows))]
    errors = SIGMAS * np.std(drawn, axis=0, ddof=1)
    shares = [
        PartShare(
            group=group, share=float(orders[0, k]), error=float(errors[0, k]), total=float(orders[1, k]),
            total_error=float(errors[1, k]),
        )
        for k, group in enumerate(plan.groups)
    ]  # fmt: skip
    return Blame(shares=_sorted(shares), explained=None, rows=rows)


def _indices(blocks: Array) -> Array:
    """First and total order [shape=(2, groups)] of blocks A, B, A with each group from B [shape=(groups + 2, rows)]."""
    a, b, mixed = blocks[0], blocks[1], blocks[2:]
    found = sobol_indices(func={"f_A": a[None], "f_B": b[None], "f_AB": mixed[:, None]}, n=blocks.shape[1])
    return np.array([found.first_order, found.total_order])


def _regression(x: Array, y: Array) -> tuple[Array, Array, float]:
    """Coefficients, their standard errors, and the share of the variance that they explain (adjusted)."""
    rows = len(x)
    slopes, _, rank, _ = np.linalg.lstsq(x, y, rcond=None)
    left = y - x @ slopes
    free = max(1, rows - 1 - int(rank))
    variance = float(left @ left) / free
    errors = np.sqrt(variance * np.diag(np.linalg.pinv(x.T @ x)))
    return np.asarray(slopes), np.asarray(errors), 1.0 - variance * (rows - 1) / float(y @ y)


def _standard(columns: Array) -> Array:
    """In standard deviations from the mean."""
    return np.asarray((columns - columns.mean(axis=0)) / columns.std(axis=0))


def _sorted(shares: Sequence[PartShare]) -> tuple[PartShare, ...]:
    return tuple(sorted(shares, key=lambda one: -(one.share if one.total is None else one.total)))
