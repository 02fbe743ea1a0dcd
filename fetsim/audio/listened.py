"""What is listened to of a unit: its output and its gain cell, picked out of all that a march has recorded."""

from collections.abc import Sequence

import numpy as np

from fetsim.audio.interval_sums import IntervalSums
from fetsim.engine.assembly import Array
from fetsim.engine.circuit import GROUND
from fetsim.engine.simulation import Marched
from fetsim.rig.rig import Rig


def levels_of(marched: Marched) -> list[Array]:
    """Everything recorded at every step [each of shape=(steps,)], ground the last."""
    return [*marched.recorder.each(marched.kept, marched.u), np.zeros(len(marched.kept))]


class Listened:
    """Output and gain cell of a rig."""

    def __init__(self, rig: Rig, recorded: Sequence[str], log_steps: int, first_step: int = 0) -> None:
        """``recorded``: what marches record, in its order; ``log_steps``: of a row of the log."""
        place = {name: k for k, name in enumerate((*recorded, GROUND))}
        self._hot, self._cold = (place[name] for name in rig.output)
        cell, given = rig.gain_cell, rig.unit.gain_cell
        watched = (GROUND,) * 4 if cell is None or given is None else (*cell.nodes, given.control_node)
        self._of_cell = [place[name] for name in watched]
        self._sums = IntervalSums(rig, log_steps, first_step)

    def output_v(self, levels: Sequence[Array]) -> Array:
        """Voltage between the ends of the output."""
        return np.asarray(levels[self._hot] - levels[self._cold])

    def parts(self, volts: Array, output_v: Array, levels: Sequence[Array]) -> Array:
        """What the log is made of, of the next steps, over these source voltages."""
        return self._sums.summed(volts, output_v, *(levels[k] for k in self._of_cell))
