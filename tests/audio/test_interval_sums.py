"""What the compiled pass leaves of a block for the log, against the same worked out by numpy step for step."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from fetsim.audio.gain_log import CONDUCTANCE_PEAK, CONTROL_SUM, GATE_SUM, PART, PEAKS, REDUCTION_PEAK, REDUCTION_SUM
from fetsim.audio.interval_sums import IntervalSums
from fetsim.rig.rig import Rig
from fetsim.schematic.load import load_unit
from tests.measurements.units import without_gain_cell

INTERVAL = 601
ROUNDING = 1e-13  # of sums of 601 terms of both signs in another order; measured 1e-15


@pytest.fixture(scope="module")
def volts() -> np.ndarray:
    """Input, output, drain, gate, source, control: from far beyond pinch-off to fully on."""
    noise = np.random.default_rng(11).standard_normal((6, 3000))
    return noise * [[1.0], [3.0], [0.3], [2.0], [0.1], [2.0]] + [[0.0], [0.0], [0.0], [-4.0], [0.0], [-4.0]]


def wanted_of(rig: Rig, volts: np.ndarray) -> np.ndarray:
    """One part by numpy [shape=(PART,)]."""
    input_v, output_v, drain, gate, source, control = volts
    cell = rig.gain_cell
    conductance = np.zeros(len(gate)) if cell is None else cell.conductance_s(drain, gate, source)
    sign = 1.0 if cell is None else cell.control_sign
    reduction = rig.reduction_db(conductance)
    sums = [x.sum() for x in (input_v**2, output_v**2, reduction, control, gate - source)]
    peaks = [x.max() for x in (input_v**2, output_v**2, reduction, sign * control, conductance)]
    return np.array([*sums, *peaks, len(gate)])


def mirrored(rig: Rig, control_sign: float) -> Rig:
    """The same rig with its FET taken for a p-channel one, whose control opens it by falling or, turned round on its
    way to the gate, by rising."""
    rig.__dict__["gain_cell"] = replace(rig.gain_cell, sign=-1.0, control_sign=control_sign)
    return rig


@pytest.mark.parametrize("against", ["idle", "open"])
@pytest.mark.parametrize(("sign", "control_sign"), [(1.0, 1.0), (-1.0, -1.0), (-1.0, 1.0)])
def test_parts_are_those_of_numpy(volts, against, sign, control_sign):
    rig = Rig(load_unit("teaching"), against=against)
    rig = rig if sign > 0 else mirrored(rig, control_sign)
    volts = volts * np.array([1.0, 1.0, sign, sign, sign, control_sign])[:, None]
    parts = IntervalSums(rig, INTERVAL).summed(*volts)
    cuts = [*range(0, 3000, INTERVAL), 3000]
    assert parts.shape == (len(cuts) - 1, PART)
    for part, (first, end) in zip(parts, pairwise(cuts), strict=True):
        assert part == pytest.approx(wanted_of(rig, volts[:, first:end]), rel=ROUNDING)
    assert parts[:, REDUCTION_PEAK].min() > 10.0 and parts[:, CONDUCTANCE_PEAK].min() > 1e-3  # the channel conducted


def test_without_a_gain_cell_there_is_no_reduction(volts, tmp_path):
    rig = Rig(without_gain_cell(tmp_path))
    parts = IntervalSums(rig, INTERVAL).summed(volts[0], volts[1], *np.zeros((4, 3000)))
    assert np.all(parts[:, [REDUCTION_SUM, REDUCTION_PEAK, CONDUCTANCE_PEAK, CONTROL_SUM, GATE_SUM]] == 0.0)
    assert parts[0] == pytest.approx(wanted_of(rig, np.vstack((volts[:2, :INTERVAL], np.zeros((4, INTERVAL))))))


@pytest.mark.parametrize("first_step", [0, 600, 12345])
def test_blocks_of_any_length_are_cut_where_intervals_end(volts, first_step):
    """Parts of one interval add up to it, however the blocks came: one step, none, and one that ends with an interval
    among them."""
    rig = Rig(load_unit("teaching"))
    whole = IntervalSums(rig, INTERVAL, first_step).summed(*volts)
    sums = IntervalSums(rig, INTERVAL, first_step)
    first_end = INTERVAL - first_step % INTERVAL
    cuts = [0, 1, 1, first_end, first_end + 300, 2000, 3000]
    blocks = [sums.summed(*volts[:, a:b]) for a, b in pairwise(cuts)]
    assert [len(block) for block in blocks[:3]] == [1, 0, 1 if first_end > 1 else 0]
    ends = np.cumsum(np.concatenate(blocks)[:, -1])
    assert set(first_end + INTERVAL * np.arange(4)) <= set(ends)
    assert np.concatenate(blocks)[:, :PEAKS].sum(axis=0) == pytest.approx(whole[:, :PEAKS].sum(axis=0), rel=ROUNDING)
    assert np.array_equal(np.concatenate(blocks)[:, PEAKS:-1].max(axis=0), whole[:, PEAKS:-1].max(axis=0))
