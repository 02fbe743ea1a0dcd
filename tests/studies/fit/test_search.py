"""The search and its errors against a certified answer, and what is known of values that go together."""

import numpy as np
import pytest

from fetsim.studies.fit.known import NORMAL_95, covariance_of, end_of, groups_of
from fetsim.studies.fit.search import Local, search
from fetsim.studies.fit.secant import mixed_in, rows_after

# Misra1a of NIST's Statistical Reference Datasets (itl.nist.gov/div898/strd), lower difficulty: data, certified
# values and standard deviations
DOSE = np.array([77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0])
VOLUME = np.array([10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78])
CERTIFIED, ERRORS, RSS = (238.94212918, 5.5015643181e-4), (2.7070075241, 7.2668688436e-6), 0.12455138894


class Misra1a:
    """b1 (1 - exp(-b2 x)), over the logarithms of both."""

    def __init__(self, sigma):
        self.sigma = sigma

    def residual(self, place):
        b1, b2 = np.exp(place)
        return (VOLUME - b1 * (1.0 - np.exp(-b2 * DOSE))) / self.sigma

    def at(self, place):
        b1, b2 = np.exp(place)
        fall = np.exp(-b2 * DOSE)
        self.slopes = np.stack([b1 * (1.0 - fall), b1 * b2 * DOSE * fall], axis=1) / self.sigma
        return self.local(place)

    def near(self, place):
        change = self.residual(self.place) - self.residual(place)
        self.slopes = rows_after(self.slopes, change, place - self.place, self.slopes.T @ self.slopes)
        return self.local(place)

    def local(self, place):
        self.place = place
        return self.tried([place])[0]

    def tried(self, places):
        return [self.one(place) for place in places]

    def costs(self, places):
        return np.array([one.cost for one in self.tried(places)])

    def one(self, place):
        off, slopes = self.residual(place), self.slopes
        return Local(matrix=slopes.T @ slopes, gradient=slopes.T @ off, cost=float(off @ off))


@pytest.mark.parametrize("start", [(500.0, 1e-4), (250.0, 5e-4)])  # NIST's own two
def test_misra1a_comes_out_as_certified(start):
    sigma = np.sqrt(RSS / (len(DOSE) - 2))  # smaller ones are given, since it stops within a sixth of one
    ends = np.full(2, 10.0)
    found = search(Misra1a(1e-4 * sigma), np.log(start), np.log(start) - ends, np.log(start) + ends)
    assert found.settled
    values = np.exp(found.place)
    assert values == pytest.approx(CERTIFIED, rel=1e-6)
    assert found.local.cost * (1e-4 * sigma) ** 2 == pytest.approx(RSS, rel=1e-8)
    errors = 1e4 * np.sqrt(np.diag(covariance_of(found.local.matrix))) * values
    assert errors == pytest.approx(ERRORS, rel=1e-5)


def test_kept_slopes_foretell_every_step_that_was_taken_of_a_straight_model():
    """Steps that are independent of each other by the matrix that measures them: after three, all slopes are right."""
    rng = np.random.default_rng(3)
    true, wrong, root = rng.standard_normal((5, 3)), rng.standard_normal((5, 3)), rng.standard_normal((3, 3))
    known = root @ root.T
    columns, mix, rows = wrong, np.eye(3), wrong
    for step in np.linalg.inv(root):  # orthogonal by ``known``
        columns = np.column_stack([columns, true @ step])
        mix, rows = mixed_in(mix, step, known), rows_after(rows, true @ step, step, known)
        assert columns @ mix.T == pytest.approx(rows)
    assert rows == pytest.approx(true)


def test_a_bent_valley_is_followed():
    """y = exp(5 x) / 80 known a thousand times better than x: a straight step leaves it by thousands of deviations, and
    held back until it does not, the search takes more rounds than there are."""

    class Valley(Misra1a):
        def residual(self, place):
            return np.array([3.0 * (0.9 - place[0]), 1e4 * (np.exp(5.0 * place[0]) / 80.0 - place[1])])

        def at(self, place):
            self.slopes = np.array([[3.0, 0.0], [-1e4 * np.exp(5.0 * place[0]) / 16.0, 1e4]])
            return self.local(place)

    found = search(Valley(1.0), np.array([-0.3, np.exp(-1.5) / 80.0]), np.full(2, -9.0), np.full(2, 9.0))
    assert found.settled and found.rounds < 10
    assert found.place == pytest.approx([0.9, np.exp(4.5) / 80.0], abs=0.02)


def test_a_value_is_held_at_its_end():
    class Bowl:
        def at(self, place):
            off = np.array([3.0, 0.5]) - place
            return Local(matrix=np.eye(2), gradient=off, cost=float(off @ off))

        near = at

        def costs(self, places):
            return np.array([self.at(place).cost for place in places])

    found = search(Bowl(), np.zeros(2), np.full(2, -1.0), np.full(2, 1.0))
    assert found.place == pytest.approx([1.0, 0.5])
    assert found.at_end.tolist() == [True, False]


def test_a_product_that_is_known_is_named():
    """R C to 0.1 %, each alone to 5 %: the covariance of a low pass between two buffers."""
    rc, alone = 1e-3, 0.05
    known = np.ones((2, 2)) / rc**2 + np.eye(2) / alone**2
    (found,) = groups_of(covariance_of(known), ("R1", "C1"))
    assert found.names == ("R1", "C1")
    assert sorted(found.powers) == pytest.approx([1.0, 1.0], abs=1e-3)
    assert found.sigma == pytest.approx(rc, rel=1e-3)  # of ln R + ln C


def test_a_bend_in_the_sum_of_squares_moves_an_end():
    """Cost (x / s)^2 (1 + x / 5 s): at -2 s it has risen less than at 2 s, so that end lies farther off."""
    below, above = (end_of(1.0, tried, tried**2 * (1.0 + tried / 5.0)) for tried in (-2.0, 2.0))
    assert below == pytest.approx(NORMAL_95 / np.sqrt(0.6))
    assert above == pytest.approx(NORMAL_95 / np.sqrt(1.4))
