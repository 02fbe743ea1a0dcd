"""A unit whose detector pulls the control voltage down: the teaching unit turned upside down, with a p-channel FET.

Every voltage is the mirror image of the n-channel unit's when the signal is too, so every figure must be equal, and
every sentence but for the way the control goes.
"""

import numpy as np
import pytest

from fetsim.audio.render import render
from fetsim.measurements.curve.procedure import measure_curve
from fetsim.measurements.explain.procedure import measure_explain
from fetsim.measurements.explain.sentences import told
from fetsim.measurements.timing.procedure import measure_timing
from fetsim.report.pages.report import measure_sections
from fetsim.schematic.load import load_unit
from tests.measurements.units import p_channel

TURNED = {"comes above": "comes below", "is lifted": "is pulled down", "it falls back": "it climbs back"}


@pytest.fixture(scope="module")
def units(tmp_path_factory):
    """n-channel and p-channel; under one name, which errors and pages tell."""
    return load_unit("teaching"), load_unit(p_channel(tmp_path_factory.mktemp("unit")))


def test_curve(units):
    n, p = (measure_curve(unit, levels_dbu=[-30.0, -15.0, 0.0, 12.0], quality="draft").curves[0] for unit in units)
    np.testing.assert_allclose(p.curve.output_dbu, n.curve.output_dbu, atol=1e-3)
    np.testing.assert_allclose(p.cell_reduction_db, n.cell_reduction_db, atol=2e-3)
    np.testing.assert_allclose(p.control_v, -n.control_v, atol=1e-3)
    assert p.curve.threshold_half_db_dbu == pytest.approx(n.curve.threshold_half_db_dbu, abs=1e-3)


def test_timing(units):
    """Eight phases of 64 steps a cycle (4.5 kHz): every one of one unit has its mirror image among the other's."""
    n, p = (measure_timing(unit, frequency_hz=4500.0).settings[0] for unit in units)
    assert p.attack.reduction_after_db == pytest.approx(n.attack.reduction_after_db, abs=2e-3)
    for this, that in ((n.attack, p.attack), (n.release, p.release)):
        assert (this.kind, this.phases_deg) == (that.kind, that.phases_deg)
        for name, spread in this.spreads.items():
            assert that.spreads[name].missing == spread.missing
            if spread.least is None:
                assert that.spreads[name].least is None
            else:
                assert that.spreads[name].least == pytest.approx(spread.least, rel=0.01)
                assert that.spreads[name].most == pytest.approx(spread.most, rel=0.01)


def test_explain(units):
    n, p = (
        measure_explain(unit, burst_s=0.05, phase_deg=phase, quality="draft")
        for unit, phase in zip(units, (0.0, 180.0), strict=True)
    )
    assert (n.figures.control_direction, p.figures.control_direction) == (1.0, -1.0)
    assert p.figures.control.settled_v == pytest.approx(-n.figures.control.settled_v, abs=1e-3)
    assert p.figures.control.pinch_off_v == pytest.approx(4.5, abs=1e-6)
    for name, row in told(n).items():
        expected = row.sentence
        for word, turned in TURNED.items():
            expected = expected.replace(word, turned)
        if name == "control":
            expected = expected.replace(" -", " ")
        if name == "source":
            expected = expected.replace("as it rises through zero", "at 180 degrees of its cycle")
        assert told(p)[name].sentence == expected
    assert all(any(word in row.sentence for row in told(n).values()) for word in TURNED)


def test_log(units):
    """The extreme is the value at the height of the reduction: the lowest here, the highest there."""
    tone = 0.3 * np.sin(2.0 * np.pi * 1000.0 * np.arange(4800) / 48000.0)
    n = render(tone, 48000, unit=units[0], quality="draft", log_rate_hz=50.0).logs[0]
    p = render(-tone, 48000, unit=units[1], quality="draft", log_rate_hz=50.0).logs[0]
    np.testing.assert_allclose(p.control_extreme_v, -n.control_extreme_v, atol=1e-3)
    np.testing.assert_allclose(p.gain_reduction_max_db, n.gain_reduction_max_db, atol=0.01)
    assert np.all(n.control_extreme_v > n.control_mean_v) and np.all(p.control_extreme_v < p.control_mean_v)
    assert n.control_extreme_v[0] > -4.2  # from -5.0 at rest: the attack is inside the first row


@pytest.mark.slow
def test_report(units):
    sections = measure_sections(units[1], only=["idle", "explain", "levels", "needle"], quality="draft")
    assert not any(one.problem for one in sections)
    page = " ".join(str(one) for one in sections)
    assert "pulled down" in page and "lifted" not in page
