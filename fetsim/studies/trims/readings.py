"""What the steps of an alignment read, and by how much it misses what it must be."""

import numpy as np
from scipy.optimize import brentq

from fetsim.engine.linear import linearise
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.operating import reduction_of
from fetsim.measurements.bench.steady import Steady, period_of, tone_level_dbu
from fetsim.rig.gain_cell import GainCellModel
from fetsim.rig.points import output_point
from fetsim.rig.rig import SILENT
from fetsim.schematic.unit import AlignmentStep
from fetsim.studies.trims.resting import Resting

DEEPEST_DECADES, HIGHEST_V = 12.0, 1.0
"""Where the gate is looked for that gives a loss: decades of the tail beyond pinch-off, volts short of V_GS = 0 and
on."""
SMALLEST_LOSS_DB = 1e-12  # rounding of 1 + Z g


def read_at_rest(step: AlignmentStep, at: Resting) -> float:
    """The figure of a step that is read without a tone, in its own unit."""
    match step.read:
        case "loss_at_rest":
            return at.rest.loss_db
        case "beyond_pinch_off":
            return -at.rest.above_pinch_off_v
        case "volts":
            return at.node_v(step.at[0]) - (at.node_v(step.at[1]) if len(step.at) > 1 else 0.0)
        case "current":
            return at.current_a(step.at[0])
        case "needle":
            return at.current_a(step.at[0]) / at.unit.parts[step.at[0]].values["full_scale_current"]
        case "gain":
            linear = linearise(at.system, at.bias)
            unknowns = linear.solve(step.frequency_hz, linear.driven_by())
            gain = abs(complex(output_point(at.unit).weights(linear.index) @ unknowns))
            return float(20.0 * np.log10(max(gain, SILENT)))
    raise AssertionError(step.read)


def missed_at_rest(step: AlignmentStep, at: Resting) -> float:
    """By how much it misses what it must be.

    The loss, which goes over ten decades while a trim is turned, in the volts by which the gate stands too far towards
    conduction: that goes with the trim nearly in a straight line. All others in their own unit.
    """
    assert step.must_be is not None
    if step.read == "loss_at_rest":
        return at.rest.above_pinch_off_v - above_pinch_off_v(at.cell, at, step.must_be)
    return read_at_rest(step, at) - step.must_be


def is_accepted(step: AlignmentStep, figure: float) -> bool:
    """Whether a reading is good enough; of a step that does not say what is, or looks for a least, each is."""
    return step.accepted is None or step.must_be is None or abs(figure - step.must_be) <= step.accepted


def above_pinch_off_v(cell: GainCellModel, at: Resting, loss_db: float) -> float:
    """Where the gate must stand for a loss at rest, drain and source being where they are; the nearest end of what is
    looked at for one that is not to be had."""
    drain_v, gate_v, source_v = (at.node_v(node) for node in cell.nodes)
    here_v = at.rest.above_pinch_off_v

    def missed(above_v: float) -> float:
        moved_v = gate_v + cell.sign * (above_v - here_v)
        loss = float(cell.reduction_db(cell.conductance_s(drain_v, moved_v, source_v), "open"))
        return float(np.log(max(loss, SMALLEST_LOSS_DB) / loss_db))

    low_v, high_v = -DEEPEST_DECADES * cell.channel.decade_v, at.rest.travel_v + HIGHEST_V
    if missed(low_v) >= 0.0 or missed(high_v) <= 0.0:
        return low_v if missed(low_v) >= 0.0 else high_v
    return float(brentq(missed, low_v, high_v, xtol=1e-9))


def of_steady_tone(step: AlignmentStep, bench: Bench, steady: Steady, level_dbu: float) -> float:
    """The figure of a step that is read under a steady tone, in its own unit."""
    period = period_of(step.frequency_hz, bench)
    output_dbu = tone_level_dbu(steady.block.output_v, period)
    if step.read == "output_level":
        return output_dbu
    return reduction_of(bench, steady, level_dbu + bench.rig.idle_gain_db(period.frequency_hz) - output_dbu)
