"""Groups and next readings against what can be said without a computer."""

import numpy as np
import pytest

from fetsim.studies.suspects.apart import (
    UNSURE,
    best_split,
    distances,
    expected_bits,
    groups,
    told_apart,
    uncertainty_bits,
)
from fetsim.studies.suspects.evidence import Floor, Form, Sums, seen


def test_loss_is_the_part_of_a_signature_that_the_other_one_has_not() -> None:
    """No tolerances, noise 1: what is at right angles, squared and halved."""
    jacobian = np.array([[3.0, 3.0, 0.0], [0.0, 0.4, 5.0]])
    look = seen([Sums.of(jacobian, [6.0, 0.0])], np.zeros((3, 3)), 1.0, [Floor(0.0)])
    forms = [Form.of(3, [k]) for k in range(3)]
    loss = distances(look, forms, [np.eye(3)[k] * 2.0 for k in range(3)], np.inf)
    share = 0.4**2 / (3.0**2 + 0.4**2)
    assert loss[0, 1] == pytest.approx(0.5 * 6.0**2 * share)
    assert loss[0, 2] == pytest.approx(0.5 * 6.0**2)
    assert loss[2, 1] == pytest.approx(0.5 * 10.0**2 * (1.0 - share))
    assert groups([0.5, 0.3, 0.2], loss) == [[0, 1], [2]]


def test_what_would_have_to_be_off_beyond_belief_stands_in_for_nothing() -> None:
    """The second has the direction of the first, but would have to be off by 2000 for it, where 1.5 are usual."""
    look = seen([Sums.of(np.array([[3.0, 3e-3]]), [6.0])], np.zeros((2, 2)), 1.0, [Floor(0.0)])
    forms, means = [Form.of(2, [k]) for k in range(2)], [np.array([2.0, 0.0]), np.array([0.0, 2.0])]
    assert distances(look, forms, means, np.inf)[0, 1] == pytest.approx(0.0, abs=1e-9)
    assert distances(look, forms, means)[0, 1] == pytest.approx(0.5 * 6.0**2, rel=1e-4)


def test_a_tolerance_beside_makes_two_signatures_alike() -> None:
    """What tells two values apart lies along a third one: unknown, it tells nothing any more."""
    jacobian = np.array([[3.0, 3.0, 0.0], [0.0, 2.0, 5.0]])
    losses = []
    for sigma in (0.0, 1e3):
        look = seen([Sums.of(jacobian, [6.0, 0.0])], np.diag([0.0, 0.0, sigma**2]), 1.0, [Floor(0.0)])
        forms = [Form.of(3, [k]) for k in range(2)]
        losses.append(distances(look, forms, [np.eye(3)[k] * 2.0 for k in range(2)], np.inf)[0, 1])
    assert losses[0] > 5.0 and losses[1] < 1e-4


def test_no_reading_tells_more_than_there_is_to_know() -> None:
    """Entropy: 1 bit of two alike, 2 of four; 0.469 of nine to one (-0.9 ld 0.9 - 0.1 ld 0.1)."""
    assert uncertainty_bits([0.5, 0.5]) == pytest.approx(1.0) and uncertainty_bits([1.0] * 4) == pytest.approx(2.0)
    assert uncertainty_bits([0.9, 0.1, 0.0]) == pytest.approx(0.4690, abs=1e-4)


def test_a_reading_far_apart_tells_one_bit_of_two_and_two_of_four() -> None:
    assert expected_bits([0.5, 0.5], [0.0, 100.0], [1.0, 1.0]) == pytest.approx(1.0, abs=1e-6)
    assert expected_bits([0.25] * 4, [0.0, 100.0, 200.0, 300.0], [1.0] * 4) == pytest.approx(2.0, abs=1e-6)
    assert expected_bits([0.9, 0.1], [0.0, 100.0], [1.0, 1.0]) == pytest.approx(0.4690, abs=1e-4)  # -0.9 ld 0.9 ...


def test_a_reading_that_is_the_same_under_both_tells_nothing() -> None:
    assert expected_bits([0.5, 0.5], [2.0, 2.0], [1.0, 1.0]) == pytest.approx(0.0, abs=1e-9)


def test_information_of_two_near_gaussians_is_that_of_small_signals() -> None:
    """p (1 - p) d^2 / (2 ln 2 sigma^2) bits to second order in d."""
    expected = 0.25 * 0.1**2 / (2.0 * np.log(2.0))
    assert expected_bits([0.5, 0.5], [0.0, 0.1], [1.0, 1.0]) == pytest.approx(expected, rel=0.01)


def test_two_widths_apart_are_told_though_their_means_agree() -> None:
    assert expected_bits([0.5, 0.5], [0.0, 0.0], [1e-3, 1.0]) > 0.9


def test_the_best_split_is_the_difference_over_its_uncertainty() -> None:
    other, apart = best_split([0.6, 0.3, 0.1], [1.0, 1.5, 4.0], [0.3, 0.4, 4.0])
    assert other == 1 and apart == pytest.approx(0.5 / 0.5)


def test_what_the_data_said_no_better_for_one_is_not_told_apart() -> None:
    """Signatures as unlike as can be, and evidence as good: who failed is not known; beside health all is as it was."""
    loss = 50.0 * (1.0 - np.eye(3))
    found = told_apart(loss, [6.0, 6.0 - UNSURE - 1.0, -0.5])
    assert found[0, 1] == pytest.approx(1.0) and found[1, 0] == 0.0
    assert found[0, 2] == found[2, 0] == 50.0


def test_what_the_data_said_for_certain_tells_apart_whatever_slopes_make_alike() -> None:
    found = told_apart(np.zeros((2, 2)), [40.0, -5.0])
    assert found[0, 1] == pytest.approx(45.0 - UNSURE) and found[1, 0] == 0.0
    assert np.all(told_apart(np.zeros((2, 2)), [10.0, -5.0]) == 0.0)
