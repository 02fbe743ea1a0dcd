"""What is told apart and what fits, on arrays with a known answer."""

import numpy as np
import pytest

from fetsim.studies.faults.apart import LOST, distances, groups, likelihoods, misses

NAN = float("nan")


def test_the_distance_is_that_of_the_worst_figure_in_the_scale_of_a_difference() -> None:
    found = distances([[0.0, 0.0], [3.0, 1.0], [NAN, 0.0]], [1.0, 0.5])
    assert found[0, 1] == pytest.approx(3.0 / np.sqrt(2.0))
    assert found[0, 2] == found[2, 1] == LOST
    assert found[2, 2] == 0.0
    np.testing.assert_array_equal(found, found.T)


def test_no_two_of_a_group_lie_further_apart_than_the_limit() -> None:
    """A chain of steps below the limit is no group: its ends are told apart."""
    places = np.arange(0.0, 12.0, 2.0)
    numbers = groups(np.abs(places[:, None] - places[None, :]), 3.0)
    for number in set(numbers.tolist()):
        assert np.ptp(places[numbers == number]) <= 3.0
    assert numbers[0] == 0
    assert groups(np.zeros((1, 1))).tolist() == [0]


def test_what_fits_best_is_what_is_nearest_weighed_by_its_rate() -> None:
    off = misses([[1.0, 2.0], [1.0, 4.0], [NAN, 2.0]], [1.0, 2.0], [0.1, 1.0])
    assert off == pytest.approx([0.0, np.sqrt(2.0), LOST / np.sqrt(2.0)])
    shares = likelihoods(off, 2, [1.0, 1.0, 1.0])
    assert shares[1] / shares[0] == pytest.approx(np.exp(-2.0))
    assert likelihoods([0.0, 0.0], 1, [3.0, 1.0]) == pytest.approx([0.75, 0.25])
    assert likelihoods([0.0], 1, [0.0]) == pytest.approx([0.0])
