"""Evidence of hypotheses against densities that scipy works out by brute force, and textbook closed forms."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from fetsim.studies.suspects.evidence import Floor, Form, Metric, Sums, probabilities, seen, unexplained
from fetsim.studies.suspects.mixture import weighed


def drawn(rows: int = 40, values: int = 5, seed: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    jacobian = rng.normal(size=(rows, values)) * np.array([9.0, 5.0, 3.0, 1.0, 0.3])[:values]
    prior = 0.04 * np.eye(values)
    prior[0, 1] = prior[1, 0] = 0.9 * 0.04  # as I_DSS and V_P of a FET
    z = rng.multivariate_normal(np.zeros(values), prior)
    z[2] += 0.8
    return jacobian, jacobian @ z + rng.normal(size=rows), prior


def brute(jacobian: np.ndarray, residual: np.ndarray, prior: np.ndarray, noise: float = 1.0) -> float:
    covariance = jacobian @ prior @ jacobian.T + noise * np.eye(len(residual))
    return float(multivariate_normal(np.zeros(len(residual)), covariance).logpdf(residual))


def test_bayes_factor_of_one_gaussian_reading() -> None:
    """y ~ N(0, 1) against y ~ N(0, 1 + 2^2): the ratio of two densities."""
    look = seen([Sums.of([[1.0]], [2.5])], np.zeros((1, 1)), 1.0, [Floor(0.0)])
    expected = norm(0.0, np.sqrt(5.0)).logpdf(2.5) - norm(0.0, 1.0).logpdf(2.5)
    assert look.gain(Form.of(1, [0]), 2.0) == pytest.approx(expected, abs=1e-12)


def test_evidence_is_that_of_the_whole_multivariate_density() -> None:
    jacobian, residual, prior = drawn()
    look = seen([Sums.of(jacobian, residual)], prior, 1.0, [Floor(0.0)])
    constant = 0.5 * len(residual) * np.log(2.0 * np.pi)
    health = brute(jacobian, residual, prior)
    assert look.log_evidence - constant == pytest.approx(health, abs=1e-8)
    for free in ([2], [0], [1, 3]):
        wide = prior.copy()
        wide[free, free] += 0.7**2
        expected = brute(jacobian, residual, wide) - health
        assert look.gain(Form.of(5, free), 0.7) == pytest.approx(expected, abs=1e-8)


def test_rows_with_noises_of_their_own_add_up() -> None:
    jacobian, residual, prior = drawn()
    sigma = np.repeat([1.0, 3.0], 20)
    parts = [Sums.of(jacobian[rows], residual[rows], sigma[rows]) for rows in (slice(0, 20), slice(20, 40))]
    look = seen(parts, prior, 1.0, [Floor(0.0), Floor(0.0)])
    covariance = jacobian @ prior @ jacobian.T + np.diag(sigma**2)
    expected = multivariate_normal(np.zeros(40), covariance).logpdf(residual)
    constant = 20.0 * np.log(2.0 * np.pi) + np.sum(np.log(sigma))
    assert look.log_evidence - constant == pytest.approx(expected, abs=1e-8)


def test_error_of_the_model_among_as_many_numbers_as_rows_is_noise_that_is_stronger() -> None:
    jacobian, residual, prior = drawn()
    told = Metric.of([Sums.of(jacobian, residual, freedom=1.0)], prior, 9.0).told
    assert 3.0 < told < 5.0  # of five values, the least known in part
    sums = Sums.of(jacobian, 4.0 * residual, freedom=40.0 - told)
    left = unexplained(sums)
    assert left.power > sums.count
    look = seen([sums], prior, 9.0, [left])
    expected = brute(jacobian, 4.0 * residual, prior, 9.0)
    assert look.log_evidence - 20.0 * np.log(2.0 * np.pi) == pytest.approx(expected, abs=1e-8)


def test_posterior_is_that_of_conjugate_regression() -> None:
    """Mean (S^-1 + J^T J)^-1 J^T r, covariance (S^-1 + J^T J)^-1."""
    jacobian, residual, prior = drawn()
    look = seen([Sums.of(jacobian, residual)], prior, 1.0, [Floor(0.0)])
    for free in ([], [2], [2, 4]):
        wide = prior.copy()
        wide[free, free] += 0.5**2
        covariance = np.linalg.inv(np.linalg.inv(wide) + jacobian.T @ jacobian)
        mean, found = look.posterior(Form.of(5, free), 0.5)
        np.testing.assert_allclose(mean, covariance @ jacobian.T @ residual, atol=1e-9)
        np.testing.assert_allclose(found, covariance, atol=1e-9)


def test_a_fault_that_has_been_simulated_is_subtracted() -> None:
    """One more column, one of it for certain, and a value free beside it."""
    jacobian, residual, prior = drawn()
    column = np.linspace(-1.0, 2.0, 40)
    sums = Sums.of(np.column_stack([jacobian, column]), residual)
    wider = np.pad(prior, (0, 1))
    look = seen([sums], wider, 1.0, [Floor(0.0)])
    wide = prior.copy()
    wide[2, 2] += 0.7**2
    expected = brute(jacobian, residual - column, wide) - brute(jacobian, residual, prior)
    assert look.gain(Form.of(6, [2], [5]), 0.7) == pytest.approx(expected, abs=1e-8)
    direct = seen([Sums.of(jacobian, residual - column)], prior, 1.0, [Floor(0.0)])
    mean, covariance = look.posterior(Form.of(6, [2], [5]), 0.7)
    np.testing.assert_allclose(mean[:5], direct.posterior(Form.of(5, [2]), 0.7)[0], atol=1e-9)
    np.testing.assert_allclose(covariance[:5, :5], direct.posterior(Form.of(5, [2]), 0.7)[1], atol=1e-9)


def test_measuring_from_somewhere_else_is_the_same_data() -> None:
    jacobian, residual, _ = drawn()
    step = np.array([0.1, -0.2, 0.3, 0.0, 1.0])
    moved, direct = Sums.of(jacobian, residual).shifted(step), Sums.of(jacobian, residual + jacobian @ step)
    np.testing.assert_allclose(moved.score, direct.score)
    assert moved.power == pytest.approx(direct.power)


def test_power_that_no_value_takes_away_is_that_of_least_squares() -> None:
    jacobian, residual, _ = drawn()
    double = np.column_stack([jacobian, jacobian[:, 0]])  # two values that do the same
    (left,) = np.linalg.lstsq(jacobian, residual, rcond=None)[1]
    assert unexplained(Sums.of(double, residual)).power == pytest.approx(float(left), rel=1e-8)


def test_a_residual_that_nothing_explains_takes_the_certainty_away() -> None:
    """The same find of a value, beside an error that lies across all of J, 30 times the noise."""
    jacobian, residual, prior = drawn(rows=400)
    prior = prior / 100.0
    rng = np.random.default_rng(2)
    error = rng.normal(size=400) * 30.0
    error -= jacobian @ np.linalg.lstsq(jacobian, error, rcond=None)[0]
    certain, doubtful = (
        weighed([Sums.of(jacobian, r, freedom=20.0)], prior) for r in (residual, residual + error)
    )
    form = Form.of(5, [2])
    gains = [one.of(form) - one.log_evidence for one in (certain, doubtful)]
    assert gains[0] > 3.0 * max(1.0, gains[1])
    assert doubtful.under(form)[0] > 30.0**2 > 100.0 * certain.under(form)[0]
    assert doubtful.posterior(form)[1][2, 2] > 10.0 * certain.posterior(form)[1][2, 2]


def test_intervals_hold_what_was_drawn_from_the_model() -> None:
    """95 % of 400 draws: within 3 standard deviations of a binomial, 92 to 98 %."""
    rng = np.random.default_rng(3)
    jacobian, _, prior = drawn()
    held = 0
    for _ in range(400):
        z = rng.multivariate_normal(np.zeros(5), prior)
        z[2] += rng.normal() * 0.5
        look = weighed([Sums.of(jacobian, jacobian @ z + rng.normal(size=40))], prior)
        mean, covariance = look.posterior(Form.of(5, [2]), [0.5])
        held += abs(z[2] - mean[2]) < 1.96 * np.sqrt(covariance[2, 2])
    assert 0.92 < held / 400 < 0.98


def test_probabilities_add_up() -> None:
    found = probabilities([-5000.0, -5000.0 + np.log(3.0)], np.log([0.5, 0.5]))
    np.testing.assert_allclose(found, [0.25, 0.75])


def test_what_is_left_along_directions_of_an_error_says_how_large_it_is() -> None:
    """30 directions beside those of the values, in which the error has nine times the noise: V is what their mean
    square is, on a coarse grid, though the noise's power is known so badly that the whole residual would not say so."""
    rng = np.random.default_rng(8)
    jacobian, residual, prior = drawn(rows=4000)
    modes, _ = np.linalg.qr(rng.normal(size=(4000, 30)))
    error = modes @ (3.0 * rng.normal(size=30))
    for wrong, least in ((error, 5.0), (0.0 * error, 0.5)):
        data = residual + wrong
        sums = replace(
            Sums.of(jacobian, data, freedom=30.0), unsure=400.0, modes=modes.T @ jacobian, along=modes.T @ data
        )
        floor = unexplained(sums)
        left = data - jacobian @ np.linalg.lstsq(jacobian, data, rcond=None)[0]
        assert floor.power == pytest.approx(float(left @ left))
        assert floor.along == pytest.approx(float(np.sum((modes.T @ left) ** 2)), rel=1e-6)
        assert floor.numbers == pytest.approx(30.0, abs=0.2)
        found = weighed([sums], prior)
        assert floor.along / floor.numbers > least
        assert found.under(Form.of(5, [2]))[0] == pytest.approx(max(1.0, floor.along / floor.numbers), rel=0.5)
        assert Floor.of([floor], sharp=False) == Floor(floor.power)


def test_in_doubt_what_a_suspect_is_better_by_counts_from_good_health() -> None:
    """Health itself stays as it is, a find is worth less, and how far off health would be as seen from somewhere else,
    as long as that is the same under each error of the model, is nothing to it."""
    jacobian, residual, prior = drawn(rows=400)
    plain = weighed([Sums.of(jacobian, 5.0 * residual, freedom=20.0)], prior)
    none, form = Form.of(5), Form.of(5, [2])
    health = plain.by_v(none)
    assert np.all(health <= np.array([one.log_evidence for one in plain.looks]) + 1e-9)  # less what limits take
    doubtful, afar = replace(plain, health=health), replace(plain, health=health - 1e6)
    assert doubtful.of(none) == pytest.approx(plain.of(none), abs=1e-9)
    assert 0.0 < doubtful.of(form) - doubtful.of(none) < plain.of(form) - plain.of(none) - 1.0
    assert afar.of(form) == pytest.approx(doubtful.of(form), abs=1e-6)
    gross = replace(plain, health=health - 1e9 * (np.arange(len(health)) == 0))  # nothing else explains it
    assert gross.by_v(form)[0] == pytest.approx(doubtful.by_v(form)[0], abs=1e-6)
