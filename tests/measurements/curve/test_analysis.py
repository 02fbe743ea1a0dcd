"""Static curves of closed-form compressors."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fetsim.errors import InputError
from fetsim.measurements.curve.analysis import equal_curves, ratio_at_reduction, ratio_between, static_curve


def shunt_element_output(level_dbu, *, a, threshold):
    """Feedback loop g = 1 / (1 + a (y - t)) above y = t, so a y^2 + (1 - a t) y = x; linear re 0 dBu."""
    x = 10 ** (np.asarray(level_dbu) / 20)
    above = (-(1 - a * threshold) + np.sqrt((1 - a * threshold) ** 2 + 4 * a * x)) / (2 * a)
    return 20 * np.log10(np.where(x < threshold, x, above))


LEVEL_IN = np.arange(-40.0, 60.05, 0.1)
SHUNT = static_curve(
    shunt_element_output(LEVEL_IN, a=100.0, threshold=0.1), level_dbu=LEVEL_IN, idle_gain_db=0.0
)


def test_shunt_loop_has_the_closed_form_local_ratio():
    """R = 1 + a y / (1 + a (y - t)): 11 at threshold; 6.880, 3.392, 2.328, 2.094 at x = .2, 1, 10, 100."""
    level = 20 * np.log10([0.2, 1.0, 10.0, 100.0])
    ratio = 1 / np.interp(level, SHUNT.middle_in_dbu, SHUNT.slope)
    np.testing.assert_allclose(ratio, [6.880, 3.392, 2.328, 2.094], rtol=1e-3)
    assert SHUNT.largest_ratio == pytest.approx(11.0, rel=0.01)  # 0.05 dB above the corner
    assert SHUNT.largest_ratio_at_dbu == pytest.approx(-20.0, abs=0.11)


def test_shunt_loop_thresholds():
    """y - t = (1/g - 1) / a at 0.5 and 2 dB of gain reduction, x = y / g (closed form)."""
    for reduction_db, found in ((0.5, SHUNT.threshold_half_db_dbu), (2.0, SHUNT.threshold_2db_dbu)):
        gain = 10 ** (-reduction_db / 20)
        expected = 20 * np.log10((0.1 + (1 / gain - 1) / 100.0) / gain)
        assert found == pytest.approx(expected, abs=0.002)


def test_shunt_loop_never_bottoms_out_and_says_so():
    assert SHUNT.bottoms_out_dbu is None
    assert "0.49 dB per dB" in SHUNT.reasons["bottoms_out_dbu"].text
    assert SHUNT.most_gain_reduction_at_dbu == pytest.approx(60.0)


def test_ratio_at_a_gain_reduction():
    """At 10 dB: y = t + (1/g - 1) / a, R = 1 + a y g."""
    gain = 10 ** (-10 / 20)
    y = 0.1 + (1 / gain - 1) / 100.0
    assert ratio_at_reduction(SHUNT, gain_reduction_db=10.0) == pytest.approx(1 + 100 * y * gain, rel=1e-3)
    assert ratio_at_reduction(SHUNT, gain_reduction_db=70.0) is None


@pytest.mark.parametrize("limit_db", [15.0, 27.5])
def test_bottoming_out(limit_db):
    """Conductance stops growing at a gain reduction of `limit_db`: from there on 1:1 (closed form)."""
    output = np.maximum(shunt_element_output(LEVEL_IN, a=100.0, threshold=0.1), LEVEL_IN - limit_db)
    curve = static_curve(output, level_dbu=LEVEL_IN, idle_gain_db=0.0)
    gain = 10 ** (-limit_db / 20)
    corner = 20 * np.log10((0.1 + (1 / gain - 1) / 100.0) / gain)
    assert curve.bottoms_out_dbu == pytest.approx(corner, abs=0.1)
    assert curve.most_gain_reduction_db == pytest.approx(limit_db, abs=1e-9)


def test_bottoming_out_gently():
    """dY/dX rising in a straight line from 0.3 at 0 dBu to 1 at 10 dBu passes 1/1.2 at 7.619 dBu."""
    level = np.arange(-10.0, 15.01, 0.5)
    over, past = np.clip(level, 0.0, 10.0), np.maximum(level - 10.0, 0.0)
    output = np.minimum(level, 0.0) + 0.3 * over + 0.035 * over**2 + past
    curve = static_curve(output, level_dbu=level, idle_gain_db=0.0)
    assert curve.bottoms_out_dbu == pytest.approx((1 / 1.2 - 0.3) / 0.07, abs=1e-6)


@settings(max_examples=40, deadline=None)
@given(
    ratio=st.floats(1.2, 30.0),
    threshold_dbu=st.floats(-30.0, 10.0),
    idle_gain_db=st.floats(-20.0, 40.0),
)
def test_straight_knee(ratio, threshold_dbu, idle_gain_db):
    """Hard knee: 0.5 and 2 dB of gain reduction lie 0.5 and 2 dB / (1 - 1/R) above it (closed form)."""
    level = np.arange(-40.0, 40.05, 0.25)
    output = level + idle_gain_db - (1 - 1 / ratio) * np.maximum(level - threshold_dbu, 0.0)
    curve = static_curve(output, level_dbu=level, idle_gain_db=idle_gain_db)
    share = 1 - 1 / ratio
    assert curve.threshold_half_db_dbu == pytest.approx(threshold_dbu + 0.5 / share, abs=1e-6)
    if threshold_dbu + 2 / share < 40:
        assert curve.threshold_2db_dbu == pytest.approx(threshold_dbu + 2 / share, abs=1e-6)
    assert curve.largest_ratio == pytest.approx(ratio, rel=1e-6)
    between = ratio_between(curve, low_dbu=threshold_dbu + 1.0, high_dbu=threshold_dbu + 20.0)
    assert between == pytest.approx(ratio, rel=1e-2)  # straddles no corner; interpolation within a step of it


def test_coarse_grid_error_is_as_stated():
    """Corner in the middle of a 2 dB interval, 10:1: the 0.5 dB threshold reads a quarter of it low."""
    level = np.arange(-20.0, 20.1, 2.0)
    errors = []
    for corner in np.linspace(-1.0, 1.0, 41):
        curve = static_curve(
            level - 0.9 * np.maximum(level - corner, 0), level_dbu=level, idle_gain_db=0.0
        )
        errors.append(curve.threshold_half_db_dbu - (corner + 0.5 / 0.9))
    assert max(errors) < 1e-9
    assert -0.5 < min(errors) < -0.3


def test_no_gain_reduction():
    level = np.arange(-40.0, 20.0, 2.0)
    curve = static_curve(level + 12.0, level_dbu=level, idle_gain_db=12.0)
    assert curve.threshold_half_db_dbu is None
    assert "never reaches" in curve.reasons["threshold_half_db_dbu"].text
    assert curve.threshold_2db_dbu is None
    assert curve.bottoms_out_dbu is None and "nothing is compressed" in curve.reasons["bottoms_out_dbu"].text
    assert curve.largest_ratio == pytest.approx(1.0)


def test_starting_above_the_threshold():
    level = np.arange(0.0, 20.0, 1.0)
    curve = static_curve(level / 4.0, level_dbu=level, idle_gain_db=6.0)
    assert curve.threshold_half_db_dbu is None and "start lower" in curve.reasons["threshold_half_db_dbu"].text


def test_output_that_stands_still_or_falls():
    level = np.arange(0.0, 10.0, 1.0)
    still = static_curve(np.minimum(level, 5.0), level_dbu=level, idle_gain_db=0.0)
    assert still.largest_ratio == np.inf and still.local_ratio[-1] == np.inf
    falling = static_curve(5.0 - 0.5 * level, level_dbu=level, idle_gain_db=0.0)
    assert falling.largest_ratio == np.inf and falling.local_ratio[0] == pytest.approx(-2.0)
    assert ratio_between(falling, low_dbu=1.0, high_dbu=3.0) == np.inf


@pytest.mark.parametrize(
    ("level_in", "level_out", "idle", "words"),
    [
        ([0.0, 1.0], [0.0, 1.0], 0.0, "at least 3"),
        ([0.0, 1.0, 2.0], [0.0, 1.0], 0.0, "at least 3"),
        ([0.0, 1.0, 2.0, 3.0], [0.0, 1.0, 2.0], 0.0, "lengths differ"),
        ([0.0, 2.0, 1.0], [0.0, 1.0, 2.0], 0.0, "must rise"),
        ([0.0, 1.0, 2.0], [0.0, 1.0, 2.0], float("nan"), "idle_gain_db"),
        ([0.0, 1.0, 2.0], [0.0, -np.inf, 2.0], 0.0, "infinite"),
    ],
)
def test_unusable_input(level_in, level_out, idle, words):
    with pytest.raises(InputError, match=words):
        static_curve(level_out, level_dbu=level_in, idle_gain_db=idle)


def test_ratio_between_levels_outside():
    with pytest.raises(InputError, match="within the curve"):
        ratio_between(SHUNT, low_dbu=0.0, high_dbu=100.0)


def shorting_chain_output(closed):
    """A chain of four resistors; each closed switch shorts everything up to its tap (common practice)."""
    left = sum(ohm for tap, ohm in enumerate((1e3, 2e3, 4e3, 8e3), start=1) if tap > max(closed, default=0))
    return shunt_element_output(LEVEL_IN, a=100.0, threshold=0.05 + 1e-5 * left)


def test_equal_switch_subsets_are_found():
    """In such a chain only the furthest closed switch counts: closing the two ends equals closing all."""
    subsets = {
        "S4": [4],
        "S1": [1],
        "S1+S4": [1, 4],
        "S2": [2],
        "S1+S2": [1, 2],
        "all": [1, 2, 3, 4],
        "S3": [3],
    }
    curves = {name: shorting_chain_output(closed) for name, closed in subsets.items()}
    groups = equal_curves(curves, tolerance_db=1e-6)
    assert [group.names for group in groups] == [("S4", "S1+S4", "all"), ("S2", "S1+S2")]
    assert all(group.largest_difference_db < 1e-9 for group in groups)


def test_nearly_equal_is_not_handed_on():
    """a-b and b-c differ by 0.15 dB, a-c by 0.3: within 0.2 dB only one pair can stand together."""
    curves = {"a": [0.0, 1.0], "b": [0.15, 1.15], "c": [0.3, 1.3], "far": [9.0, 9.0]}
    groups = equal_curves(curves, tolerance_db=0.2)
    assert len(groups) == 1 and len(groups[0].names) == 2 and "b" in groups[0].names
    assert groups[0].largest_difference_db == pytest.approx(0.15)
    assert equal_curves(curves, tolerance_db=0.1) == ()
    assert equal_curves({"a": [0.0, 1.0]}, tolerance_db=1.0) == ()
    with pytest.raises(InputError, match="a and b"):
        equal_curves({"a": [0.0, 1.0], "b": [0.0]}, tolerance_db=1.0)
