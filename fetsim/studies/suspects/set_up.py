"""How values of units scatter that have been set up: what a trim makes up for, it makes up for exactly.

A trim may stand anywhere, but the reading it was set by is what it must be. So the scatter of all values and the trim
together is conditioned on that reading (of a Gaussian a closed form), by slopes of it: what is left scatters along
directions that the reading does not see, as a FET with a larger V_P and a gate that is biased further. A fault that
came later has not been trimmed away: it comes on top.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.errors import FetsimError
from fetsim.rig.rig import Rig
from fetsim.schematic.alignment import READINGS
from fetsim.schematic.unit import AlignmentStep, Unit
from fetsim.studies.suspects.values import Value
from fetsim.studies.trims.readings import missed_at_rest
from fetsim.studies.trims.resting import Resting

TRIM_SIGMA = 0.15
"""Of a trim that may stand anywhere, in turns."""
SET_WITHIN = 0.015
"""How well it was set, standard deviation: volts of the gate or of a node, share of a needle; dB of a gain tenfold."""


def set_up(unit: Unit, values: Sequence[Value], scatter: Array) -> tuple[tuple[Value, ...], Array]:
    """The values with trims that may stand anywhere, and S of units in which each was set by its reading. Steps that
    need a tone leave their trims as they are."""
    every, found = list(values), scatter.copy()
    for step in unit.alignment.values():
        place = next((k for k, one in enumerate(every) if one.name == step.set), None)
        if place is None or READINGS[step.read].tone or step.must_be is None:
            continue
        every[place] = replace(every[place], sigma=TRIM_SIGMA)
        found[place, place] = TRIM_SIGMA**2
        slopes = _slopes(unit, step, every)
        along = found @ slopes
        within = SET_WITHIN * (10.0 if step.read == "gain" else 1.0)
        found = found - np.outer(along, along) / (float(slopes @ along) + within**2)
    return tuple(every), 0.5 * (found + found.T)


def _slopes(unit: Unit, step: AlignmentStep, values: Sequence[Value]) -> Array:
    """Of what a step reads, by each value [shape=(values,)]; zero where it cannot be had."""
    near = Rig(unit)

    def missed(changed: Unit) -> float:
        rig = Rig(changed, near=near)
        return missed_at_rest(step, Resting(changed, rig.circuit, rig.system, rig.bias))

    before = missed(unit)
    found = np.zeros(len(values))
    for k, one in enumerate(values):
        try:
            found[k] = (missed(unit.changed({one.name: one.moved(one.step)})) - before) / one.step
        except FetsimError:
            continue
    return found
