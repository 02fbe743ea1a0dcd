"""Who is to blame: through the door of a study, with functions whose shares are known."""

import numpy as np
import pytest

from fetsim.studies.spread.plan import plain_rows, share_plan
from fetsim.studies.spread.shares import rank_blame, variance_shares


def ishigami(quantiles, a=7.0, b=0.1):
    """Ishigami and Homma, Proc. ISUMA 1990: sin x1 + a sin^2 x2 + b x3^4 sin x1, each x uniform in -pi..pi."""
    x1, x2, x3 = (2.0 * np.pi * (column - 0.5) for column in quantiles.T)
    return np.sin(x1) + a * np.sin(x2) ** 2 + b * x3**4 * np.sin(x1)


FIRST = {"x1": 0.3139, "x2": 0.4424, "x3": 0.0}
TOTAL = {"x1": 0.5576, "x2": 0.4424, "x3": 0.2437}


def test_shares_of_ishigamis_function():
    """Published: variance 13.8446, shares as above. 1024 low-discrepancy rows are within 0.01."""
    plan = share_plan(["x1", "x2", "x3"], 1024, seed=1)
    values = ishigami(plan.quantiles)
    assert np.var(values[:2048]) == pytest.approx(13.8446, rel=0.02)
    blame = variance_shares(plan, values, seed=1)
    found = {one.group: one for one in blame.shares}
    for name in FIRST:
        assert found[name].share == pytest.approx(FIRST[name], abs=0.015)
        assert found[name].total == pytest.approx(TOTAL[name], abs=0.015)
        assert abs(found[name].share - FIRST[name]) < 1.5 * found[name].error < 0.15
    assert [one.group for one in blame.shares] == ["x1", "x2", "x3"]


def test_columns_of_one_group_move_together():
    """x1 and x3 as one part: all of the variance that x2 has not."""
    plan = share_plan(["J1", "R2", "J1"], 512, seed=2)
    found = {one.group: one for one in variance_shares(plan, ishigami(plan.quantiles), seed=2).shares}
    assert found["R2"].share == pytest.approx(0.4424, abs=0.03)
    assert found["J1"].share == pytest.approx(1.0 - 0.4424, abs=0.03)
    assert found["J1"].total == pytest.approx(found["J1"].share, abs=0.03)


def test_rows_that_failed_are_left_out_of_all():
    plan = share_plan(["x1", "x2", "x3"], 1024, seed=3)
    values = ishigami(plan.quantiles)
    values[[5, 1030, 4000]] = np.nan
    blame = variance_shares(plan, values, seed=3)
    assert blame.rows == 512
    assert {one.group: one for one in blame.shares}["x2"].share == pytest.approx(0.4424, abs=0.05)
    values[:1020] = np.nan
    assert "only" in variance_shares(plan, values, seed=3).reason


def test_a_figure_that_never_moves_has_nobody_to_blame():
    plan = share_plan(["a", "b"], 16, seed=1)
    assert "the same in all builds" in variance_shares(plan, np.ones(64), seed=1).reason
    rows = plain_rows(range(30), 2, seed=1)
    assert "the same in all builds" in rank_blame(rows, ["a", "b"], np.ones(30), seed=1).reason


def test_ranks_of_a_sum_share_as_its_variance_does():
    """Of a sum of independent normal numbers weighted 3, 2, 1, seen through any rising function. In ranks the shares
    are those of a Gaussian copula: Spearman's correlation, 6/pi asin(r/2) (Kruskal 1958, from memory), squared."""
    from scipy.special import ndtri

    rows = plain_rows(range(2000), 4, seed=7)
    weights = np.array([3.0, -2.0, 1.0, 0.0])
    values = np.exp(ndtri(rows) @ weights)
    blame = rank_blame(rows, ["R1", "C1", "R2", "R3"], values, seed=7)
    found = {one.group: one for one in blame.shares}
    for name, weight in zip(("R1", "C1", "R2"), weights, strict=False):
        correlation = 6.0 / np.pi * np.arcsin(0.5 * abs(weight) / np.sqrt(14.0))
        assert found[name].share == pytest.approx(correlation**2, abs=2.0 * found[name].error)
        assert found[name].ranked and found[name].sign == np.sign(weight)
    assert not found["R3"].ranked and abs(found["R3"].share) < 2e-3
    assert [one.group for one in blame.shares][:3] == ["R1", "C1", "R2"] and blame.explained > 0.9


def test_what_has_no_part_in_it_is_seldom_ranked():
    """Twenty columns of which one matters: of the nineteen others, chance ranks one in twenty or so."""
    ranked = 0
    for seed in range(5):
        rows = plain_rows(range(150), 20, seed=seed)
        noise = np.random.default_rng(seed).normal(size=150)
        blame = rank_blame(rows, [f"R{k}" for k in range(20)], rows[:, 0] + 0.3 * noise, seed=seed)
        assert blame.shares[0].group == "R0" and blame.shares[0].ranked
        ranked += sum(one.ranked for one in blame.shares[1:])
    assert ranked <= 12


def test_too_few_builds_are_told():
    blame = rank_blame(plain_rows(range(20), 30, seed=1), ["a"] * 30, np.arange(20.0), seed=1)
    assert not blame.shares and "20 builds cannot tell 30 values that vary apart; draw 60 or more" in blame.reason
