"""By which parts the ripple of the rails comes in.

The rails are taken for sources of their own ripple. Small signals are linear, so that the hum at a point is the sum
over all parts on a rail of (what the rail's ripple drives into the rest of the circuit through the part) times (what
comes of that at the point). A part's share is the rail's column of its own matrix, linearised at rest; the columns of
all parts add up to the circuit's, so that nothing is left out or counted twice.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fetsim.engine.assembly import Array, assemble
from fetsim.engine.circuit import Circuit, Element
from fetsim.engine.linear import Linearised, linearise
from fetsim.measurements.hum.analysis import Phasors
from fetsim.rig.rig import Rig


@dataclass(frozen=True)
class Way:
    """From one rail through one element to the point."""

    element: str
    rail: str
    lines: Phasors
    """What comes by it, rms volts at each frequency [shape=(lines,)]."""


def ways_in(rig: Rig, rails: Mapping[str, Phasors], weights: Array, frequency_hz: Array) -> list[Way]:
    """All ways from rails [node -> its ripple, rms phasors, shape=(lines,)] to the point that ``weights`` [shape=(n,)]
    takes out of the unknowns."""
    linear = rig.linear
    held = np.array([linear.index[rail] for rail in rails])
    free = np.setdiff1d(np.arange(len(weights)), held)
    to_point = [_from_each_row(linear, free, weights, frequency) for frequency in frequency_hz]
    found = []
    for element in rig.circuit.elements:
        for rail in set(element.unknowns.values()) & set(rails):
            columns = _column(rig, element, rail, frequency_hz)
            gains = [-(row @ column) for row, column in zip(to_point, columns, strict=True)]
            found.append(Way(element.name, rail, np.array(gains) * rails[rail]))
    own = {rail: weights[linear.index[rail]] for rail in rails}
    return [*found, *(Way("", rail, weight * rails[rail]) for rail, weight in own.items() if weight)]


def _from_each_row(linear: Linearised, free: Array, weights: Array, frequency_hz: float) -> Phasors:
    """Volts at the point for one ampere into each row, the rails being held [shape=(n,)]."""
    matrix = linear.g + 2j * np.pi * frequency_hz * linear.c
    found = np.zeros(len(weights), dtype=np.complex128)
    found[free] = np.linalg.solve(matrix[np.ix_(free, free)].T, weights[free])
    return found


def _column(rig: Rig, element: Element, rail: str, frequency_hz: Array) -> list[Phasors]:
    """What one volt at a rail takes out of every row through one element, at each frequency [shape=(n,) each]."""
    alone = assemble(Circuit((element,)))
    places = [rig.system.index[name] for name in alone.unknowns]
    linear = linearise(alone, rig.bias[places])
    column = linear.index[rail]
    found = []
    for frequency in frequency_hz:
        whole = np.zeros(rig.system.size, dtype=np.complex128)
        whole[places] = linear.g[:, column] + 2j * np.pi * frequency * linear.c[:, column]
        found.append(whole)
    return found
