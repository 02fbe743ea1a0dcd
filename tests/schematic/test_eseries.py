"""Preferred values against IEC 60063 (from memory): counts, known exceptions, sub-series."""

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fetsim.errors import InputError
from fetsim.schematic.eseries import SERIES, nearest


@pytest.mark.parametrize("series", SERIES)
def test_each_series_has_its_number_of_rising_values(series):
    values = SERIES[series]
    assert len(values) == int(series[1:])
    assert list(values) == sorted(set(values))
    assert values[0] == 1.0


def test_e24_differs_from_the_formula_at_its_eight_known_values():
    formula = [round(10.0 ** (step / 24), 1) for step in range(24)]
    differ = {
        value: computed for value, computed in zip(SERIES["E24"], formula, strict=True) if value != computed
    }
    assert differ == {2.7: 2.6, 3.0: 2.9, 3.3: 3.2, 3.6: 3.5, 3.9: 3.8, 4.3: 4.2, 4.7: 4.6, 8.2: 8.3}


def test_e192_differs_from_the_formula_at_9_20_only():
    formula = [round(10.0 ** (step / 192), 2) for step in range(192)]
    differ = {
        value: computed for value, computed in zip(SERIES["E192"], formula, strict=True) if value != computed
    }
    assert differ == {9.20: 9.19}


@pytest.mark.parametrize("step", [48, 96])
def test_e48_and_e96_follow_the_formula(step):
    assert SERIES[f"E{step}"] == tuple(round(10.0 ** (i / step), 2) for i in range(step))


@pytest.mark.parametrize(("small", "large"), [("E6", "E12"), ("E12", "E24"), ("E48", "E96"), ("E96", "E192")])
def test_smaller_series_lie_inside_larger_ones(small, large):
    assert set(SERIES[small]) < set(SERIES[large])


NEAREST = [
    (4600.0, "E12", 4700.0),
    (5000.0, "E6", 4700.0),
    (9.9e3, "E6", 10e3),  # over the end of a decade
    (1.0e-7, "E24", 1.0e-7),
    (2.6e-9, "E24", 2.7e-9),
    (9190.0, "E192", 9200.0),
    (4.99e5, "E96", 4.99e5),
    (8.25, "E12", 8.2),
]


@pytest.mark.parametrize(("value", "series", "expected"), NEAREST)
def test_nearest(value, series, expected):
    assert nearest(value, series) == expected


@settings(deadline=None)
@given(st.floats(1e-13, 1e9), st.sampled_from(sorted(SERIES)))
def test_nearest_is_a_value_of_the_series_and_close(value, series):
    found = nearest(value, series)
    mantissa = float(f"{found:.6e}".split("e")[0])
    assert mantissa in SERIES[series]
    # at most half of the widest gap between neighbours, the decade's end included
    values = [*SERIES[series], 10.0 * SERIES[series][0]]
    widest = max(high / low for low, high in pairwise(values))
    assert max(found / value, value / found) <= (1.0 + widest) / 2.0 + 1e-9


@pytest.mark.parametrize(
    ("value", "series"), [(1.0, "E7"), (0.0, "E12"), (-1.0, "E12"), (float("nan"), "E12")]
)
def test_what_has_no_preferred_value_is_refused(value, series):
    with pytest.raises(InputError):
        nearest(value, series)
