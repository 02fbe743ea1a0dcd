"""Small signals: the circuit linearised at a state, C dx/dt + (G + J) x = B u.

Everything that a bench measures with a small sine (response, impedance, noise, poles) comes from these matrices.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import scipy.linalg
from numpy.typing import ArrayLike, NDArray

from fetsim.engine.assembly import Array, System, accepted, device_flows, no_memory, port_voltages, stamped
from fetsim.engine.circuit import GROUND, PROGRAM
from fetsim.engine.one_thread import one_thread


@dataclass(frozen=True)
class Linearised:
    """C dx/dt + g x = b_input u around a state. Shapes (n, n), (n, n), (n, inputs)."""

    c: Array
    g: Array
    b_input: Array
    inputs: tuple[str, ...]
    normalled: Mapping[str, float]
    """Inputs that get so many times the program's voltage."""
    index: dict[str, int]

    def driven_by(self, name: str = PROGRAM) -> Array:
        """Right side of one volt at an input, and of what then is at those normalled to it [shape=(n,)]."""
        column = self.b_input[:, self.inputs.index(name)]
        others = self.normalled.items() if name == PROGRAM else ()
        return np.asarray(sum((share * self.b_input[:, self.inputs.index(one)] for one, share in others), column))

    @one_thread()
    def solve(self, frequency_hz: float, right_side: ArrayLike) -> NDArray[np.complex128]:
        """Unknowns at one frequency for a right side [shape=(n,) or (n, k)]."""
        matrix = self.g + 2j * np.pi * frequency_hz * self.c
        return np.linalg.solve(matrix, np.asarray(right_side))

    @one_thread()
    def poles_per_s(self) -> NDArray[np.complex128]:
        """Natural modes: finite eigenvalues of C dx/dt = -g x [1/s]."""
        alpha, beta = scipy.linalg.eig(-self.g, self.c, right=False, homogeneous_eigvals=True)
        finite = np.abs(beta) > 1e-14 * np.abs(alpha)
        return np.asarray(alpha[finite] / beta[finite])


def linearise(system: System, state: Array, *, without: str | None = None) -> Linearised:
    """Linearise at a state [shape=(n,)]; ``without`` leaves one device's currents out (its capacitances stay).

    Parts with memory are those that went straight to this state and rest there: small signals do not move it.
    """
    devices = tuple(d for d in system.devices if d.name != without)
    ports = port_voltages(devices, state)
    memory = accepted(devices, ports, no_memory(devices))
    _, jacobian = stamped(devices, device_flows(devices, ports, memory), system.size)
    return Linearised(system.c, system.g + jacobian, system.b_input, system.inputs, system.normalled, system.index)


def driving_impedance_ohm(
    system: System, state: Array, plus: str, minus: str, frequency_hz: float, *, without: str | None = None
) -> complex:
    """Impedance between two nodes at one frequency, with the device ``without`` taken out."""
    linear = linearise(system, state, without=without)
    current = np.zeros(system.size)
    for node, sign in ((plus, 1.0), (minus, -1.0)):
        if node != GROUND:
            current[system.index[node]] = sign
    return complex(current @ linear.solve(frequency_hz, current))
