"""Slopes that are wrong by a known share, drawn many times: how large it is, and what it does to what they foretell."""

import numpy as np
import pytest

from fetsim.studies.suspects.bends import power_of, share_missed

ROWS, VALUES, SHARE, TRIALS = 40, 6, 0.05, 2000
RNG = np.random.default_rng(1)
JACOBIAN = RNG.normal(size=(ROWS, 1)) + 0.1 * RNG.normal(size=(ROWS, VALUES))  # values nearly make up for each other
GRAM = JACOBIAN.T @ JACOBIAN


def wrong_by() -> np.ndarray:
    """Of slopes, each of that share of its length, half of it in its own direction [shape=(trials, rows, values)]."""
    length = np.sqrt(np.diag(GRAM))
    own = RNG.normal(size=(TRIALS, 1, VALUES)) * JACOBIAN
    other = RNG.normal(size=(TRIALS, ROWS, VALUES)) * length / np.sqrt(ROWS)
    return np.asarray(SHARE * np.sqrt(0.5) * (own + other))


def test_the_share_is_told_by_what_a_step_missed() -> None:
    step = np.linspace(-1.0, 1.0, VALUES)
    missed = wrong_by() @ step
    found = [share_missed(float(one @ one), step, GRAM) ** 2 for one in missed]
    assert np.sqrt(np.mean(found)) == pytest.approx(SHARE, rel=0.05)
    assert share_missed(0.0, np.zeros(VALUES), GRAM) == 0.0


def test_the_error_within_what_is_known_is_that_of_draws() -> None:
    """Values drawn from a covariance whose likeliest moves cancel, as a posterior has it."""
    covariance = np.asarray(np.linalg.inv(GRAM + np.diag(np.linspace(1.0, 9.0, VALUES))), dtype=np.float64)
    z = RNG.multivariate_normal(np.zeros(VALUES), covariance, size=TRIALS)
    errors = np.einsum("trv,tv->tr", wrong_by(), z)
    assert power_of(SHARE, covariance, GRAM) == pytest.approx(np.mean(np.sum(errors**2, axis=1)), rel=0.1)
