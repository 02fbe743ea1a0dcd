"""Second integrator: three-stage Radau IIA (order 5, stiffly accurate) with a constant step.

It works on the equations as they were written, M x' = G x + N i(E x) + B u + rails, without the reduction to
states, so that it checks both the reduction and the error control of the variable-step solver. With Z_j the
stage values minus x_n,

    sum_k (A^-1)_jk M Z_k = h f(x_n + Z_j, u(t_n + c_j h)),   x_{n+1} = x_n + Z_3.

The order falls below 5 where a circuit is stiff (stage order 3), and to 1 or 2 where devices remember: every
step ends as if they turned there, which misses a turning point inside it by (w h)^2/8 of the swing. Method:
E. Hairer, G. Wanner, Solving Ordinary Differential Equations II, section IV.5 (coefficients from memory; a test
checks the order).
"""

import numpy as np
from scipy.linalg import lu_factor, lu_solve

S6 = np.sqrt(6)
NODES = np.array([(4 - S6) / 10, (4 + S6) / 10, 1.0])
WEIGHTS = np.array([
    [(88 - 7 * S6) / 360, (296 - 169 * S6) / 1800, (-2 + 3 * S6) / 225],
    [(296 + 169 * S6) / 1800, (88 + 7 * S6) / 360, (-2 - 3 * S6) / 225],
    [(16 - S6) / 36, (16 + S6) / 36, 1 / 9],
])  # fmt: skip
INVERSE = np.linalg.inv(WEIGHTS)
NEWTON_V, NEWTON_LIMIT = 1e-8, 30  # the last step's own error is its square over twice 26 mV
SHORTEST = 1 / 256  # of the nominal step, after halving where Newton's method does not settle


def simulate(circuit, u, rate_hz, n_steps, steps_per_sample=1):
    """dict unknown -> array (n_steps + 1,) at multiples of 1/rate_hz, starting at rest."""
    h = 1 / (rate_hz * steps_per_sample)
    x = circuit.begin()
    out = np.empty((n_steps + 1, x.size))
    out[0] = x
    for k in range(n_steps):
        for j in range(steps_per_sample):
            x, _ = advance(circuit, u, x, (k * steps_per_sample + j) * h, h)
        out[k + 1] = x
    return dict(zip(circuit.names, out.T, strict=True))


def advance(circuit, u, x, t, h, moves=False, shortest=SHORTEST):
    """The unknowns after one step from x at t, and with ``moves`` their derivative by x (n, n)."""
    found = _stages(circuit, u, x, t, h, moves)
    if found is not None:
        circuit.remember(circuit.e @ found[0])
        return found
    if shortest >= 1:
        raise RuntimeError(f"no convergence at {t} s")
    half, by_x = advance(circuit, u, x, t, h / 2, moves, 2 * shortest)
    whole, by_half = advance(circuit, u, half, t + h / 2, h / 2, moves, 2 * shortest)
    return whole, by_half @ by_x if moves else None


def _stages(c, u, x, t, h, moves):
    """The same, or None where Newton's method does not settle."""
    n = x.size
    z = np.zeros((3, n))
    mass = np.kron(INVERSE, c.m)
    drive = [c.b * u(t + node * h) + c.rail_terms + c.g @ x for node in NODES]
    for _ in range(NEWTON_LIMIT):
        residual, jacobian, by_x = -(mass @ z.ravel()), mass.copy(), np.empty((3 * n, n))
        for j in range(3):
            rows = slice(j * n, (j + 1) * n)
            with np.errstate(over="ignore", invalid="ignore"):
                i, slope = c.devices(c.e @ (x + z[j]))
                residual[rows] += h * (drive[j] + c.g @ z[j] + c.n @ i)
                by_x[rows] = h * (c.g + c.n @ slope @ c.e)
            jacobian[rows, rows] -= by_x[rows]
        if not (np.isfinite(residual).all() and np.isfinite(jacobian).all()):
            return None
        scale = 1 / np.abs(jacobian).max(axis=1)
        factor = lu_factor(scale[:, None] * jacobian)
        step = lu_solve(factor, scale * residual).reshape(3, n)
        z += step
        if np.abs(step).max() < NEWTON_V:
            return x + z[2], np.eye(n) + lu_solve(factor, scale[:, None] * by_x)[2 * n :] if moves else None
    return None
