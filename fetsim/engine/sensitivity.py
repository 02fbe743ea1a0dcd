"""How the state at rest and the small signals of a circuit move with one of its values, without solving anything anew.

At rest F(x, p) = 0 gives dx/dp = -J^-1 dF/dp, with the J of the bias point. A small signal obeys M x = b, M = G + jwC;
the transfer to a point, H = w^T M^-1 b, moves by

    dH/dp = l^T (db/dp - dM/dp M^-1 b),    M^T l = w,

one solve of the transposed equations for all values at once (Director and Rohrer, IEEE Trans. Circuit Theory CT-16
(1969) 318, from memory). dM/dp holds what the shift of the bias point does to the devices.

dF/dp and dM/dp are differences of the circuit's own equations over a step of 1e-4 of the value either way, with nothing
solved in between: right to 1e-7 of themselves.
"""

from dataclasses import dataclass

import numpy as np

from fetsim.engine.assembly import Array, System
from fetsim.engine.circuit import PROGRAM
from fetsim.engine.linear import Linearised, linearise

STEP = 1e-4
"""Of a value, either way."""


@dataclass(frozen=True)
class Slope:
    """Derivatives by the logarithm of one value: what a change by a share of it brings, over that share."""

    state: Array
    """Of the unknowns at rest [shape=(n,)]."""
    c: Array
    """Of the matrices of small signals, bias shift included [shape=(n, n)]."""
    g: Array
    b_input: Array
    """[shape=(n, inputs)]"""


def slope_of(system: System, state: Array, linear: Linearised, up: System, down: System) -> Slope:
    """``up``, ``down``: the circuit with the value larger and smaller by ``STEP`` of it."""
    force = (_left_over(up, state) - _left_over(down, state)) / (2.0 * STEP)
    moved = np.asarray(np.linalg.solve(linear.g, -force), dtype=np.float64)
    above, below = linearise(up, state + STEP * moved), linearise(down, state - STEP * moved)
    c, g, b_input = (
        (getattr(above, name) - getattr(below, name)) / (2.0 * STEP) for name in ("c", "g", "b_input")
    )
    return Slope(state=moved, c=c, g=g, b_input=b_input)


def log_gain_slope(linear: Linearised, slopes: list[Slope], weights: Array, frequency_hz: float) -> Array:
    """Of ln |H| at one frequency, from the program's input to the point that ``weights`` [shape=(n,)] takes out
    [shape=(slopes,)]."""
    omega, place = 2.0 * np.pi * frequency_hz, linear.inputs.index(PROGRAM)
    forward = linear.solve(frequency_hz, linear.driven_by())
    matrix = linear.g + 1j * omega * linear.c
    adjoint = np.linalg.solve(matrix.T, weights)
    gain = weights @ forward
    return np.array([
        float(np.real(adjoint @ (one.b_input[:, place] - (one.g + 1j * omega * one.c) @ forward) / gain))
        for one in slopes
    ])  # fmt: skip


def _left_over(system: System, state: Array) -> Array:
    """F: currents that leave each row of the circuit at rest."""
    currents, _ = system.evaluate(state)
    return np.asarray(system.g @ state + currents - system.b)
