"""Values within their limits, against a quadratic programme solved by scipy."""

import numpy as np
import pytest
from scipy.optimize import minimize

from fetsim.studies.suspects.evidence import Form, Sums
from fetsim.studies.suspects.limits import FARTHEST, LIMIT, SOFT, losses, too_far, within
from fetsim.studies.suspects.mixture import weighed


def posterior(seed: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(6, 6))
    covariance = root @ root.T / 6.0 + 0.05 * np.eye(6)
    return rng.normal(size=6) * 3.0, covariance


@pytest.mark.parametrize("seed", range(6))
def test_the_most_probable_place_within_limits_is_that_of_a_quadratic_programme(seed: int) -> None:
    """One that leaves no more than a tenth of the loss; and the loss that is told is no more than the true one."""
    mean, covariance = posterior(seed)
    sigmas, precision = np.full(6, 0.7), np.linalg.inv(covariance)

    def lost(place: np.ndarray) -> float:
        return float(0.5 * (place - mean) @ precision @ (place - mean))

    best = minimize(lost, np.zeros(6), bounds=[(-LIMIT * 0.7, LIMIT * 0.7)] * 6, method="L-BFGS-B",
                    options={"ftol": 1e-14, "gtol": 1e-10})  # fmt: skip
    place = within(mean, covariance, sigmas)
    assert np.all(np.abs(place) <= LIMIT * sigmas + 1e-12)
    assert best.fun - 1e-6 <= lost(place) <= 1.1 * best.fun + 1e-6
    assert float(losses(mean, np.diag(covariance), sigmas)) <= best.fun + 1e-6


def test_a_single_one_that_is_beyond_takes_the_others_along() -> None:
    covariance = np.array([[1.0, 0.6], [0.6, 1.0]])
    assert within(np.array([4.0, 0.5]), covariance, np.ones(2)) == pytest.approx([3.0, 0.5 - 0.6])
    assert within(np.array([4.0, 0.5]), covariance, np.ones(2), free=[0]) == pytest.approx([4.0, 0.5])


def test_a_value_that_must_be_beyond_its_limit_is_what_is_wrong() -> None:
    """One value known to 0.01, five standard deviations off: health loses 1/2 (2 / 0.316)^2 by it, a hypothesis that
    has it free nothing; at two standard deviations neither does."""
    prior = np.diag([1.0, 1.0])
    wrong = Form.of(2, [0])
    for off, loss in ((5.0, 0.5 * (2.0 / np.hypot(0.3, 0.01)) ** 2), (2.0, 0.0)):
        look = weighed([Sums.of([[100.0, 0.0]], [100.0 * off])], prior)
        plain = look._own[0]
        assert plain - look.log_evidence == pytest.approx(loss, rel=0.01, abs=1e-9)
        assert look.posterior(wrong, [50.0])[0][0] == pytest.approx(off, rel=1e-3)
        assert look.of(wrong, [50.0]) - plain > -8.0


def test_a_value_that_is_off_loses_by_what_it_lies_beyond_a_factor_of_twenty() -> None:
    """By hand: half of the square of what lies beyond over its variance."""
    means, variances = np.array([[FARTHEST - 0.1, -FARTHEST - 2.0]]), np.array([[0.01, 0.16]])
    assert too_far(means, variances) == pytest.approx([0.5 * 4.0 / (0.16 + SOFT**2)])
    assert np.exp(FARTHEST) == pytest.approx(20.0, rel=0.01)
