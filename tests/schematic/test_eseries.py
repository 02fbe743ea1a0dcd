"""Preferred values against IEC 60063 (from memory): counts, known exceptions, neighbours."""

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fetsim.schematic.eseries import SERIES, neighbours


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


def test_e12_lies_inside_e24():
    assert set(SERIES["E12"]) < set(SERIES["E24"])


NEIGHBOURS = [
    (150e-9, "E12", (120e-9, 180e-9)),
    (150e-9, "E24", (130e-9, 160e-9)),
    (0.15 * 1e-6, "E24", (130e-9, 160e-9)),  # not quite 150e-9
    (1e-6, "E12", (0.82e-6, 1.2e-6)),
    (9.5e3, "E24", (9.1e3, 10e3)),
    (9.1e3, "E24", (8.2e3, 10e3)),
    (4600.0, "E12", (3900.0, 4700.0)),
]


@pytest.mark.parametrize(("value", "series", "expected"), NEIGHBOURS)
def test_neighbours(value, series, expected):
    assert neighbours(value, series) == expected


@settings(deadline=None)
@given(st.floats(1e-13, 1e9), st.sampled_from(sorted(SERIES)))
def test_neighbours_are_values_of_the_series_on_both_sides(value, series):
    below, above = neighbours(value, series)
    assert below < value < above
    assert {float(f"{one:.6e}".split("e")[0]) for one in (below, above)} <= set(SERIES[series])
    values = [*SERIES[series], 10.0 * SERIES[series][0]]
    widest = max(high / low for low, high in pairwise(values))
    assert above / below <= widest**2 * (1.0 + 1e-9)


def test_finer_series_have_their_known_values():
    """IEC 60063, from memory."""
    assert SERIES["E48"][:6] == (1.0, 1.05, 1.1, 1.15, 1.21, 1.27) and SERIES["E48"][-1] == 9.53
    assert SERIES["E96"][:6] == (1.0, 1.02, 1.05, 1.07, 1.1, 1.13) and SERIES["E96"][-1] == 9.76
    assert set(SERIES["E48"]) < set(SERIES["E96"]) and set(SERIES["E6"]) < set(SERIES["E12"])
