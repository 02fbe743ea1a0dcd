"""Modes that grow: is the circuit at rest at its bias point, or only balanced on it?

At an eigenvalue lambda of C dx/dt = -(G + J) x, with right and left vectors v and w,

    lambda = - w^H (G + J) v / (w^H C v),

so each entry of G + J has a term in lambda, and the size of that term says how much lambda depends on it. What a mode
grows by is an element that can deliver power to small signals (the symmetric part of its own matrix is not positive
semidefinite: a transistor, an amplifier), and of these the one with the largest term.

A growing mode is told from rounding by the size of the terms of that sum: a pole nearer to the axis than what they
leave in double precision, or slower than ``SLOWEST_GROWTH_S``, does not count.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fetsim.engine.assembly import Array, assemble
from fetsim.engine.circuit import Circuit
from fetsim.engine.linear import Linearised, linearise

Phasors = NDArray[np.complex128]

SLOWEST_GROWTH_S = 100.0
"""A disturbance that takes longer to grow by e is at rest for every purpose here."""
ROUNDINGS = 1e3
"""Units in the last place that the sum for lambda may be off by, for some sixty terms and their cancellation."""
ACTIVE_SHARE = 1e-9  # of an element's largest entry: less is rounding
INVERSE_ITERATIONS = 3  # each gains all the figures by which the pole is known


@dataclass(frozen=True, kw_only=True)
class GrowingMode:
    """A disturbance of the bias point that grows by itself."""

    pole_per_s: complex
    element: str
    """Name of the element that it grows by."""

    @property
    def time_constant_s(self) -> float:
        """In which it grows by e."""
        return 1.0 / self.pole_per_s.real

    @property
    def frequency_hz(self) -> float:
        """At which it swings meanwhile; 0 for one that runs away to one side."""
        return abs(self.pole_per_s.imag) / (2.0 * np.pi)


def growing_modes(circuit: Circuit, linear: Linearised, state: Array) -> tuple[GrowingMode, ...]:
    """The modes that grow at ``state`` [shape=(n,)], the fastest first; one of each conjugate pair.

    ``linear`` is the circuit linearised there.
    """
    found = []
    for pole in linear.poles_per_s():
        if pole.real < 1.0 / SLOWEST_GROWTH_S or pole.imag < 0.0:
            continue
        w, v = _vectors(linear, pole)
        stored = w @ linear.c @ v
        pole = complex(-(w @ linear.g @ v) / stored)
        terms = np.abs(w) @ (np.abs(linear.g) + abs(pole) * np.abs(linear.c)) @ np.abs(v)
        rounding = ROUNDINGS * np.finfo(float).eps * terms / abs(stored)
        if pole.real > max(float(rounding), 1.0 / SLOWEST_GROWTH_S):
            found.append(GrowingMode(pole_per_s=pole, element=_driver(circuit, linear.index, state, w, v)))
    return tuple(sorted(found, key=lambda mode: -mode.pole_per_s.real))


def _vectors(linear: Linearised, pole: complex) -> tuple[Phasors, Phasors]:
    """Left (conjugated) and right eigenvector [shape=(n,) each] at a known pole, by inverse iteration."""
    matrix = linear.g + pole * (1.0 + np.finfo(float).eps) * linear.c
    v: Phasors = np.ones(len(matrix), dtype=np.complex128)
    w = v
    for _ in range(INVERSE_ITERATIONS):
        v = _unit(np.linalg.solve(matrix, linear.c @ v))
        w = _unit(np.linalg.solve(matrix.T, linear.c.T @ w))
    return w, v


def _unit(vector: NDArray[Any]) -> Phasors:
    return np.asarray(vector / np.linalg.norm(vector), dtype=np.complex128)


def _driver(circuit: Circuit, index: dict[str, int], state: Array, w: Phasors, v: Phasors) -> str:
    """The element that a mode grows by."""
    weights: dict[tuple[bool, str], float] = {}
    for element in circuit.elements:
        alone = assemble(Circuit((element,)))
        rows = [index[name] for name in alone.unknowns]
        g = linearise(alone, state[rows]).g
        delivers = bool(np.linalg.eigvalsh(g + g.T).min() < -ACTIVE_SHARE * np.abs(g).max())
        weights[delivers, element.name] = float(np.abs(w[rows][:, None] * g * v[rows]).max())
    return max(weights, key=lambda one: (one[0], weights[one]))[1]
