"""Curve and timing of the Greenshank against its hand-written equations (``tests/reference/greenshank.py``).

The figures in ``tests/data/greenshank_figures.json`` are steady states of those equations, found by shooting, and
bursts marched from one steady state to the other.
"""

import json

import numpy as np
import pytest

from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.curve.procedure import measure_curve
from fetsim.measurements.idle.procedure import idle_point
from fetsim.measurements.timing.procedure import measure_timing
from fetsim.schematic.load import load_unit
from tests.reference import greenshank
from tests.reference.stored import DATA

UNIT = load_unit("greenshank")
FIGURES = json.loads((DATA / "greenshank_figures.json").read_text())
GRID_DBU = np.array(FIGURES["levels_dbu"], dtype=float)
BEFORE_DBU, LEVEL_DBU = FIGURES["burst_dbu"]
CONTROLS = {"as built": {}, "fastest": {"attack": 0.0, "release": 0.0}, "slow attack": {"attack": 1.0, "release": 0.0}}


@pytest.fixture(scope="module")
def curves():
    found = measure_curve(UNIT, levels_dbu=GRID_DBU, compare=False)
    return {one.switches: one for one in found.curves}


def test_the_stored_figures_are_exact_enough_to_judge_by():
    assert FIGURES["error"]["output_db"] < 1e-4 and FIGURES["error"]["time_share"] < 2e-4


@pytest.mark.parametrize("curve", greenshank.CURVES)
def test_rest(curve):
    """But for the open contacts, of 1 Tohm: 15 pA into 11 kohm."""
    found = idle_point(UNIT.changed(SW1=curve)).node_voltages_v
    expected = greenshank.bias(greenshank.Settings(curve=curve))
    for node in set(expected) & set(found):
        assert found[node] == pytest.approx(expected[node], abs=3e-7), node


@pytest.mark.parametrize("curve", greenshank.CURVES)
def test_curve(curves, curve):
    """Settled to 0.0005 dB, thresholds between readings 0.125 dB apart, BDF against Radau: each worth a millibel."""
    expected, one = FIGURES["curves"][curve], curves[curve]
    output_dbu = one.curve.output_dbu[np.isin(one.curve.level_dbu, GRID_DBU)]
    assert one.idle_gain_db == pytest.approx(expected["idle_gain_db"], abs=1e-4)
    np.testing.assert_allclose(output_dbu, expected["output_dbu"], atol=0.002)
    assert one.curve.threshold_half_db_dbu == pytest.approx(expected["threshold_dbu"]["0.5"], abs=0.01)
    assert one.curve.threshold_2db_dbu == pytest.approx(expected["threshold_dbu"]["2"], abs=0.01)


@pytest.mark.parametrize("setting", FIGURES["bursts"])
def test_timing(setting):
    """A thousandth; and 0.15 of a step of 3.5 us, of which the fastest attack has eight (in fine it is off by half)."""
    expected, unit = FIGURES["bursts"][setting], UNIT.changed(CONTROLS[setting])
    (found,) = measure_timing(
        unit, before_dbu=BEFORE_DBU, level_dbu=LEVEL_DBU, frequency_hz=FIGURES["burst_hz"], phases=1
    ).settings
    before_db, after_db = expected["reduction_db"]
    assert found.attack.reduction_before_db == pytest.approx(before_db, abs=1e-3)
    assert found.attack.reduction_after_db == pytest.approx(after_db, abs=1e-3)
    off_s = 0.15 / Bench(unit).rate_hz
    for answer, key in ((found.attack, "attack_s"), (found.release, "release_s")):
        assert answer.spreads["t63_s"].at_zero == pytest.approx(expected[key], rel=1e-3, abs=off_s)
