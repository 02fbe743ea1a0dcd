"""The search for a threshold, on knees whose gain reduction at every level is known."""

from dataclasses import dataclass

import numpy as np
import pytest

from fetsim.studies.builds.knee import Knee, Point, threshold_of


@dataclass(frozen=True)
class Place:
    """Stands for a state: what a level has come to."""

    values: np.ndarray

    def vector(self):
        return self.values

    def with_vector(self, values):
        return Place(values)


def nominal():
    levels = np.arange(-12.0, -8.0, 0.25)
    points = [Point(float(level), 0.5 * (float(level) + 12.0) + 0.1, Place(np.array([level]))) for level in levels]
    return Knee(tuple(points), {0.5: None, 2.0: None})


@pytest.mark.parametrize("steepness", [0.4, 1.0, 1.7, 1.95, 3.0])
def test_a_knee_as_much_steeper_or_flatter_than_the_nominal_one_is_closed_in_on(steepness):
    """Gain reduction 0.5 dB at -10 dBu, by a straight line; it comes 20 % short where a level has not quite settled."""
    asked = []

    def meter(level_dbu, start, settled_v, _near):
        asked.append(level_dbu)
        reduction_db = 0.5 + 0.5 * steepness * (level_dbu + 10.0)
        rough = 0.8 if settled_v > 1e-3 else 1.0
        return Point(level_dbu, 0.5 + rough * (reduction_db - 0.5), start)

    found = threshold_of(nominal(), 0.5, meter, Place(np.zeros(1)), shift_db=0.7)
    assert found.level_dbu == pytest.approx(-10.0, abs=0.005 * max(abs(steepness - 1.0) / steepness, 0.01) + 1e-9)
    assert len(asked) < 25
