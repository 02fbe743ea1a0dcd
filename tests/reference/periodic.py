"""The periodic steady state of a circuit by shooting: Newton's method on the state that returns after one period.

One period is marched with the constant-step integrator, which also tells how the end of every step moves with its
beginning; the product over the period is the matrix P = d x(T) / d x(0), and

    x(0) <- x(0) + (1 - P)^-1 (x(T) - x(0))

finds the steady state whatever the circuit's slowest time constant (T. J. Aprille, T. N. Trick, Proc. IEEE 60, 1972,
108, from memory).
"""

import numpy as np

from .fixed_step import advance

RETURNS_V, LIMIT = 1e-8, 40


def steady_state(circuit, u, f_hz, steps, start=None):
    """(steps + 1, unknowns) over one period of u(t), from a start (the bias point, or a neighbour's first row)."""
    rest = circuit.begin()
    x0, before_v = rest if start is None else start, np.inf
    for _ in range(LIMIT):
        rows, moves, remembered = [x0], np.eye(x0.size), circuit.remembered
        for k in range(steps):
            x, by_x = advance(circuit, u, rows[-1], k / (steps * f_hz), 1 / (steps * f_hz), moves=True)
            rows.append(x)
            moves = by_x @ moves
        off = rows[-1] - x0
        off_v = np.abs(off).max()
        if remembered is not None:  # follows by itself, a period behind
            off_v = max(off_v, np.abs(circuit.remembered - remembered).max())
        if off_v < RETURNS_V:
            return np.array(rows)
        share = 1.0 if off_v < 0.5 * before_v else 0.5  # at a knee whole steps may go to and fro between its two sides
        x0, before_v = x0 + share * np.linalg.solve(np.eye(x0.size) - moves, off), off_v
    raise RuntimeError("no periodic steady state")


def amplitudes(period, orders):
    """Peak amplitudes (orders,) of the harmonics 1, 2, ... in one period's samples, its end left out."""
    return 2.0 * np.abs(np.fft.rfft(period[:-1]))[1 : orders + 1] / (period.size - 1)
