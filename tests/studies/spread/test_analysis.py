"""Percentiles, yield, limits and plans, against what is known of them beforehand."""

import numpy as np
import pytest

from fetsim.errors import InputError
from fetsim.schematic.load import load_unit
from fetsim.studies.spread.analysis import share_of, summary
from fetsim.studies.spread.limits import limits_of
from fetsim.studies.spread.plan import check_count, check_seed, plain_rows, share_plan
from fetsim.studies.spread.readings import placed, readings_of

TEACHING = load_unit("teaching")


def test_a_row_is_the_same_alone_and_in_any_order():
    rows = plain_rows(range(20), 7, seed=3)
    assert np.array_equal(plain_rows([17], 7, seed=3)[0], rows[17])
    assert np.array_equal(plain_rows(range(19, -1, -1), 7, seed=3), rows[::-1])
    assert not np.array_equal(plain_rows([17], 7, seed=4)[0], rows[17])
    assert rows.min() >= 0.0 and rows.max() < 1.0 and len(np.unique(rows)) == rows.size


def test_confidence_of_percentiles_covers_the_truth_as_often_as_it_says():
    """Uniform draws: their percentiles are known. 400 studies of 60 builds; 95 % covered within three standard errors,
    or more often, since order statistics move by whole builds."""
    rng = np.random.default_rng(5)
    covered = [
        low <= 0.5 <= high
        for low, high in (summary(rng.random(60)).within[1] for _ in range(400))
    ]
    assert 0.95 - 3.0 * np.sqrt(0.05 * 0.95 / 400) <= np.mean(covered) <= 0.99


def test_order_statistics_by_hand():
    """The median of 10: between the 2nd and the 9th of them with 97.9 % (tables of order statistics, from memory)."""
    assert summary(np.arange(1.0, 11.0)).within[1] == (2.0, 9.0)
    assert summary(np.arange(20.0)).within[0] is None  # nothing lies below the 5th percentile of 20 with any confidence


def test_summaries_count_what_is_missing():
    found = summary([1.0, np.nan, 3.0, 2.0])
    assert (found.known, found.unknown, found.mean, found.least, found.most) == (3, 1, 2.0, 1.0, 3.0)
    assert found.deviation == pytest.approx(1.0) and found.percentiles[1] == 2.0
    nothing = summary([np.nan, np.nan])
    assert nothing.known == 0 and nothing.mean is None and nothing.percentiles == (None,) * 3
    assert summary([1.0]).deviation is None


def test_yield_is_binomial():
    """Clopper and Pearson in closed form: none of n met, the upper end is 1 - (alpha/2)^(1/n)."""
    none = share_of(np.zeros(40, dtype=bool))
    assert (none.met, none.share, none.low) == (0, 0.0, 0.0)
    assert none.high == pytest.approx(1.0 - 0.025 ** (1.0 / 40.0), rel=1e-6)
    every = share_of(np.ones(40, dtype=bool))
    assert every.high == 1.0 and every.low == pytest.approx(0.025 ** (1.0 / 40.0), rel=1e-6)
    half = share_of(np.arange(100) < 50)
    assert (half.low, half.high) == pytest.approx((0.3983, 0.6017), abs=1e-4)  # tables, from memory


def test_limits_as_they_are_written():
    limits = limits_of(["threshold=-12..-9dBu", "release = ..0.6s", "thd@4=..1%", "volts@ctl=-6V.."], TEACHING)
    assert [(one.figure.key, one.low, one.high) for one in limits] == [
        ("threshold", -12.0, -9.0), ("release", -np.inf, 0.6), ("thd@4", -np.inf, 0.01), ("volts@ctl", -6.0, np.inf)
    ]  # fmt: skip
    (both,) = limits_of(["gain=1..", "gain=..3dB"], TEACHING)
    assert both.met(np.array([0.9, 1.0, 3.0, 3.1, np.nan])).tolist() == [False, True, True, False, False]
    assert both.beyond(np.array([0.5, 2.0, 4.0])) == pytest.approx([0.5, -1.0, 1.0])


@pytest.mark.parametrize("texts, wanted", [
    (["threshold"], "is not NAME=LOW..HIGH"), (["threshold=-9"], "is not NAME=LOW..HIGH"),
    (["threshold=.."], "is not NAME=LOW..HIGH"), (["=1..2"], "is not NAME=LOW..HIGH"),
    (["treshold=1..2"], "did you mean threshold?"), (["threshold=-9..-12"], "runs backwards"),
    (["threshold=..-12", "threshold=-9.."], "limit: those of threshold contradict each other"),
    (["release=..3V"], "limit: release: '3V' is in volt"), (["gain=a..b"], "limit: gain: 'a' is not an amount"),
])  # fmt: skip
def test_what_is_no_limit(texts, wanted):
    with pytest.raises(InputError) as caught:
        limits_of(texts, TEACHING)
    assert wanted in str(caught.value) and "\n" not in str(caught.value)


def test_a_reading_among_the_builds():
    """Ranks by hand: 100 builds read 0 to 99; 40 of them are 39 or lower and 61 are 39 or higher."""
    values = np.arange(100.0)
    for text, lower, higher, verdict in (
        ("gain=39dB", 0.40, 0.61, "within what tolerances do"), ("gain=97.5", 0.98, 0.02, "perhaps a fault"),
        ("gain=-1", 0.0, 1.0, "rather a fault"), ("gain=100", 1.0, 0.0, "rather a fault"),
    ):  # fmt: skip
        (reading,) = readings_of([text], TEACHING)
        found = placed(reading, values)
        assert (found.lower.share, found.higher.share) == pytest.approx((lower, higher)) and verdict in found.verdict
    assert placed(reading, np.full(3, np.nan)).verdict == "no build has the figure"
    (level,) = readings_of(["threshold = -9.2dBu"], TEACHING)
    assert (level.figure.key, level.value) == ("threshold", -9.2)


@pytest.mark.parametrize("texts, wanted", [
    (["threshold"], "reading: 'threshold' is not NAME=VALUE"), (["treshold=1"], "did you mean threshold?"),
    (["gain=1", "gain=2"], "reading: gain is given twice"),
    (["volts@ctl=-5V", "volts@control=-4V"], "volts@control is given twice, first as volts@ctl"),
    (["release=3V"], "reading: release: '3V' is in volt"),
])  # fmt: skip
def test_what_is_no_reading(texts, wanted):
    with pytest.raises(InputError) as caught:
        readings_of(texts, TEACHING)
    assert wanted in str(caught.value) and "\n" not in str(caught.value)


def test_numbers_of_builds_and_seeds_that_are_none():
    for builds in (0, -1, 10**9, True, 1.5, "3"):
        with pytest.raises(InputError, match=r"builds: .* cannot be drawn; give a number from 1 to 100000"):
            check_count(builds)
    for seed in (-1, 2**80, 1.0, "a"):
        with pytest.raises(InputError, match=r"seed: .* is none"):
            check_seed(seed)


def test_a_plan_has_each_group_from_the_other_table():
    plan = share_plan(["a", "b", "b", ""], 8, seed=1)
    assert plan.groups == ("a", "b") and plan.quantiles.shape == (32, 4)
    a, b, with_a, with_b = plan.quantiles.reshape(4, 8, 4)
    assert np.array_equal(with_a, np.column_stack([b[:, 0], a[:, 1:]]))
    assert np.array_equal(with_b, np.column_stack([a[:, 0], b[:, 1:3], a[:, 3]]))
    assert np.array_equal(share_plan(["a", "b", "b", ""], 8, seed=1).quantiles, plan.quantiles)
