"""Rejection out of transfers with known answers."""

import numpy as np
import pytest

from fetsim.measurements.rejection.analysis import LARGEST_DB, moved, rejection_db, worst_ratio

HZ = np.array([100.0, 1000.0])


def test_rejection_is_differential_over_common():
    assert rejection_db(np.array([1e-3j, -0.1])) == pytest.approx([60.0, 20.0])
    assert rejection_db(np.array([0.0, 1e-30])) == pytest.approx([LARGEST_DB, LARGEST_DB])


def test_parts_that_pull_alike_add_up():
    parts = np.array([[[-1e-3, -1e-3], [2e-3, 2e-3]], [[1e-3j, 1e-3], [-1e-3j, -1e-3]]])
    # at the first frequency the second part stands square on the first one, at the second it adds
    wanted = [np.hypot(5e-3, 1e-3), 6e-3]
    assert worst_ratio(np.full(2, 3e-3 + 0j), parts) == pytest.approx(wanted, rel=2e-4)


def test_a_part_whose_both_ends_help_stays_as_drawn():
    assert worst_ratio(np.array([1.0 + 0j]), np.array([[[-0.1], [-0.2]]])) == pytest.approx([1.0])


def test_a_change_of_the_network_moves_the_point():
    """A divider of two resistors and a capacitor, against its formula before and after."""
    g1, g2, c, more = 1e-3, 2e-3, 1e-7, 0.5
    s = 2j * np.pi * HZ

    def volts(g2, c):
        return g1 / (g1 + g2 + s * c)

    inverse, x = (1.0 / (g1 + g2 + s * c))[:, None, None], volts(g2, c)[:, None]
    zero, weights = np.zeros((1, 1)), np.ones(1)
    by_resistor = moved((np.array([[more * g2]]), zero), HZ, inverse, weights, x)
    assert by_resistor == pytest.approx(volts((1.0 + more) * g2, c) - x[:, 0])
    by_capacitor = moved((zero, np.array([[more * c]])), HZ, inverse, weights, x)
    assert by_capacitor == pytest.approx(volts(g2, (1.0 + more) * c) - x[:, 0])
