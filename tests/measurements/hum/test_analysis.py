"""Lines and sag of signals that are known."""

import numpy as np
import pytest

from fetsim.measurements.hum.analysis import line_phasors, lines_in_band, root_sum_square, sag


def test_lines_of_a_known_sum():
    """2 V rms at 50 Hz, 0.5 V rms at 150 Hz a quarter of a period late, nothing else, on 3 V."""
    turn = 2 * np.pi * np.arange(960) / 960
    found = line_phasors(3.0 + 2.0 * np.sqrt(2) * np.cos(turn) + 0.5 * np.sqrt(2) * np.sin(3 * turn))
    assert len(found) == 479
    assert found[0] == pytest.approx(2.0) and found[2] == pytest.approx(-0.5j)
    assert np.abs(np.delete(found, [0, 2])).max() < 1e-12


def test_only_what_can_be_heard_is_hum():
    assert lines_in_band(16.0, 3).tolist() == [32.0, 48.0]
    assert lines_in_band(50.0, 1000)[-1] == 20e3


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_sag_is_counted_towards_zero(sign):
    """From 10 V by 1 V, with 0.4 V of ripple that is no sag."""
    ripple = 0.2 * np.sin(2 * np.pi * np.arange(30) / 10)
    assert sag(sign * (np.repeat([10.0, 9.0, 9.5], 10) + ripple), 10) == pytest.approx((sign * 9.0, 1.0))


def test_what_has_nothing_to_do_with_each_other_adds_in_squares():
    assert root_sum_square(3.0, 4.0) == pytest.approx(5.0)
