"""Small sines through a linearised circuit: transfer to every unknown and its slope against frequency.

With M(w) = G + j w C and M x = b the slope is dx/dw = -M^-1 j C x, so the group delay
-d(phase)/dw = -Im(x'/x) comes exactly, without differences between neighbouring frequencies.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from fetsim.engine.assembly import Array
from fetsim.engine.circuit import PROGRAM
from fetsim.engine.linear import Linearised

Phasors = NDArray[np.complex128]

TOGETHER = 64  # frequencies solved at a time: 4 MB of matrices for 60 unknowns
SILENT = 1e-10  # a gain of -200 dB, or of a node that is held, is none
CORNER_DB = 3.0
CORNER_SEARCH = (1e-2, 1e7)  # Hz
CORNER_GRID_PER_DECADE = 24


@dataclass(frozen=True)
class Transfer:
    """Complex gain from the source to one point, and its slope by angular frequency [shape=(n,) each]."""

    frequency_hz: Array
    gain: Phasors
    slope_s: Phasors

    @property
    def gain_db(self) -> Array:
        with np.errstate(divide="ignore"):
            return np.asarray(20.0 * np.log10(np.abs(self.gain)))

    @property
    def phase_deg(self) -> Array:
        """Phase of the output against the source, without jumps from point to point."""
        return np.degrees(np.unwrap(np.angle(self.gain)))

    @property
    def group_delay_s(self) -> Array:
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(-np.imag(self.slope_s / self.gain))


def transfers(
    linear: Linearised, frequency_hz: Array, weights: Array, source: str = PROGRAM
) -> tuple[Transfer, ...]:
    """Transfer from the input ``source`` to each point.

    ``weights`` [shape=(points, n)] takes the points out of the unknowns.
    """
    gains = np.empty((len(weights), len(frequency_hz)), dtype=np.complex128)
    slopes = np.empty_like(gains)
    for start in range(0, len(frequency_hz), TOGETHER):
        part = slice(start, start + TOGETHER)
        matrices = system_matrices(linear, frequency_hz[part])
        x = np.linalg.solve(matrices, _columns(linear.driven_by(source), matrices))
        slope = np.linalg.solve(matrices, -1j * linear.c @ x)
        gains[:, part] = (weights @ x)[:, :, 0].T
        slopes[:, part] = (weights @ slope)[:, :, 0].T
    return tuple(Transfer(frequency_hz, g, s) for g, s in zip(gains, slopes, strict=True))


def system_matrices(linear: Linearised, frequency_hz: Array) -> Phasors:
    """G + j 2 pi f C for every frequency [shape=(len(frequency_hz), n, n)]."""
    return np.asarray(linear.g + 2j * np.pi * np.asarray(frequency_hz)[:, None, None] * linear.c)


def corners_hz(
    linear: Linearised, weights: Array, source: str = PROGRAM, *, middle_hz: float
) -> tuple[float | None, float | None]:
    """Where the gain at a point has first fallen by 3 dB, going down and going up from ``middle_hz``.

    ``weights`` [shape=(n,)] takes the point out of the unknowns. None where it has not fallen so far within
    0.01 Hz to 10 MHz.
    """

    def excess_db(log_hz: float) -> float:
        (at,) = transfers(linear, np.array([10.0**log_hz]), weights[None, :], source)
        return float(at.gain_db[0]) - floor_db

    (middle,) = transfers(linear, np.array([middle_hz]), weights[None, :], source)
    floor_db = float(middle.gain_db[0]) - CORNER_DB
    found: list[float | None] = []
    for end_hz in CORNER_SEARCH:
        decades = abs(np.log10(end_hz / middle_hz))
        grid = np.linspace(np.log10(middle_hz), np.log10(end_hz), 2 + int(decades * CORNER_GRID_PER_DECADE))
        (along,) = transfers(linear, 10.0**grid, weights[None, :], source)
        below = np.flatnonzero(along.gain_db < floor_db)
        if below.size:
            last = int(below[0])
            found.append(10.0 ** float(brentq(excess_db, grid[last - 1], grid[last], xtol=1e-9)))
        else:
            found.append(None)
    return found[0], found[1]


def _columns(vector: Array, matrices: Phasors) -> Array:
    return np.broadcast_to(vector[:, None], (len(matrices), len(vector), 1))
