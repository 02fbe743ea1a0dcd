"""Volts at rest as a meter shows them: its input resistance is put between the node and ground, and rest solved anew.

Of a unit that mains feed, whose rest is a mean over their period, the node is taken as a source with the resistance
that its small signals at rest have: right to first order in what the meter pulls it down.
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.engine.bias import find_bias
from fetsim.errors import ConvergenceError
from fetsim.rig.rig import Rig

LINEAR_V = 1e-3
"""Pulled down by less, a node follows its small signals: what a junction bends of that is under LINEAR_V^2 / (2 kT/q),
20 uV."""


def shown_v(rig: Rig, meters: Mapping[int, tuple[str, float | None]]) -> dict[int, float]:
    """Key -> volts that are shown at a node by a meter of so many ohms (None: one that loads nothing). Raises
    ConvergenceError for a unit without rest."""
    loads = any(ohm is not None for _, ohm in meters.values())
    inner_ohm = np.diag(np.linalg.inv(rig.linear.g)) if loads else np.zeros(rig.system.size)
    return {key: _shown(rig, rig.system.index[node], ohm, inner_ohm) for key, (node, ohm) in meters.items()}


def _shown(rig: Rig, place: int, ohm: float | None, inner_ohm: Array) -> float:
    free_v = float(rig.bias[place])
    if ohm is None:
        return free_v
    pulled_v = free_v * ohm / (ohm + float(inner_ohm[place]))
    if rig.cycle is not None or abs(pulled_v - free_v) < LINEAR_V:
        return pulled_v
    at_node = np.zeros(rig.system.size)
    at_node[place] = 1.0
    return float(_loaded_bias(rig, at_node, ohm)[place])


def _loaded_bias(rig: Rig, at_node: Array, ohm: float) -> Array:
    conductances = np.outer(at_node, at_node) / ohm
    system = replace(rig.system, g=rig.system.g + conductances)
    try:
        return find_bias(system, rig.bias)
    except ConvergenceError as error:
        raise error.at("with the meter at it") from None
