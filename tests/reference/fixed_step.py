"""Second integrator: three-stage Radau IIA (order 5, stiffly accurate) with a constant step.

It works on the equations as they were written, M x' = G x + N i(E x) + B u + rails, without the reduction to
states, so that it checks both the reduction and the error control of the variable-step solver. With Z_j the
stage values minus x_n,

    sum_k (A^-1)_jk M Z_k = h f(x_n + Z_j, u(t_n + c_j h)),   x_{n+1} = x_n + Z_3.

The order falls below 5 where a circuit is stiff (stage order 3). Method: E. Hairer, G. Wanner, Solving
Ordinary Differential Equations II, section IV.5 (coefficients from memory; a test checks the order).
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
NEWTON_V, NEWTON_LIMIT = 1e-10, 30
SHORTEST = 1 / 256  # of the nominal step, after halving where Newton's method does not settle


def simulate(circuit, u, rate_hz, n_steps, steps_per_sample=1):
    """dict unknown -> array (n_steps + 1,) at multiples of 1/rate_hz, starting at rest."""
    inverse = np.linalg.inv(WEIGHTS)
    mass = np.kron(inverse, circuit.m)
    h = 1 / (rate_hz * steps_per_sample)
    x = circuit.rest
    out = np.empty((n_steps + 1, x.size))
    out[0] = x
    for k in range(n_steps):
        for j in range(steps_per_sample):
            x = _advance(circuit, mass, u, x, (k * steps_per_sample + j) * h, h, SHORTEST)
        out[k + 1] = x
    return dict(zip(circuit.names, out.T, strict=True))


def _advance(circuit, mass, u, x, t, h, shortest):
    z = _stages(circuit, mass, u, x, t, h)
    if z is not None:
        return x + z
    if shortest >= 1:
        raise RuntimeError(f"no convergence at {t} s")
    half = _advance(circuit, mass, u, x, t, h / 2, 2 * shortest)
    return _advance(circuit, mass, u, half, t + h / 2, h / 2, 2 * shortest)


def _stages(c, mass, u, x, t, h):
    """The increment over one step, or None where Newton's method does not settle."""
    n = x.size
    z = np.zeros((3, n))
    drive = [c.b * u(t + node * h) + c.rail_terms + c.g @ x for node in NODES]
    for _ in range(NEWTON_LIMIT):
        residual, jacobian = -(mass @ z.ravel()), mass.copy()
        for j in range(3):
            with np.errstate(over="ignore", invalid="ignore"):
                i, slope = c.devices(c.e @ (x + z[j]))
            rows = slice(j * n, (j + 1) * n)
            residual[rows] += h * (drive[j] + c.g @ z[j] + c.n @ i)
            jacobian[rows, rows] -= h * (c.g + c.n @ slope @ c.e)
        if not (np.isfinite(residual).all() and np.isfinite(jacobian).all()):
            return None
        scale = 1 / np.abs(jacobian).max(axis=1)
        step = lu_solve(lu_factor(scale[:, None] * jacobian), scale * residual).reshape(3, n)
        z += step
        if np.abs(step).max() < NEWTON_V:
            return z[2]
    return None
