"""From equations written by hand to states, bias point, time response and frequency response.

A circuit module states, for every unknown, one equation "sum of what flows in = 0" in plain arithmetic:

    "dr": (v.t1s - v.dr) / R2 - C2 * ddt(v.dr - v.q1b) - i.fet_drain + ...

The symbols v.x (unknowns), i.x (device currents), s.x (sources) are coefficient vectors, so the arithmetic
itself yields the matrices of   M x' = G x + N i(E x) + B s.

Every nonlinear device lies between nodes joined by capacitors (each junction has one; the iron's flux is an
unknown), so its voltages are known from the capacitors alone. States: the voltages of the branches of a
spanning tree of capacitors, largest capacitors first (slow states are then never a small difference of fast
ones), with inductors (current) and fluxes. An island of nodes that no capacitor ties to ground has one free
voltage; the currents into the island sum to zero, a linear condition without device currents, which gives
that voltage. What is left is an ordinary, stiff y' = A y + H i(F y) + ..., given to scipy's Radau with its
exact Jacobian.

Devices may remember where a port (the flux of an iron core) last turned. Between two turning points their currents
are functions of the ports; so time is taken in stretches, and at each turning point, found on the integrator's own
interpolation, the step is taken again up to there and what is remembered is brought forward.
"""

from collections.abc import Callable
from functools import cached_property
from types import SimpleNamespace
from typing import Any, NamedTuple

import numpy as np
from scipy.integrate import Radau, solve_ivp
from scipy.linalg import lu_factor, lu_solve
from scipy.optimize import brentq
from scipy.sparse import csr_array
from scipy.sparse.csgraph import breadth_first_order, connected_components, minimum_spanning_tree

RTOL = 1e-10
ATOL = 1e-12  # V, A, Vs
BIAS_STEP = 1e-11  # V; rounding of 10 V through megohms leaves less
POWER_UP_S = 100.0  # many times the slowest time constant (about 1.4 s)


class Memory(NamedTuple):
    """What devices remember."""

    ports: tuple[str, ...]  # whose turning they remember
    fresh: Any  # before anything has happened
    after: Callable[[np.ndarray, Any], Any]  # from all ports at a turning point and what was remembered before


class Circuit:
    """A circuit from its hand-written equations.

    unknowns, currents: names. rails: dict source -> constant volts; the other source is s.input.
    equations(v, i, s, ddt): dict unknown -> form, zero when satisfied.
    ports(v): dict name -> form, the voltages (or fluxes) the devices see.
    devices(p), or devices(p, remembered): device currents (n_i,) and their derivatives by the ports (n_i, n_p).
    """

    def __init__(self, unknowns, currents, rails, equations, ports, devices, memory=None):
        self.names, self.memory = list(unknowns), memory
        self.remembered = memory and memory.fresh
        self.devices = devices if memory is None else lambda p: devices(p, self.remembered)
        n, n_i = len(self.names), len(currents)
        sources = ["input", *rails]
        basis = np.eye(2 * n + n_i + len(sources))
        v = SimpleNamespace(**dict(zip(self.names, basis, strict=False)))
        i = SimpleNamespace(**dict(zip(currents, basis[2 * n :], strict=False)))
        s = SimpleNamespace(**dict(zip(sources, basis[2 * n + n_i :], strict=True)))
        after = np.zeros(n_i + len(sources))
        rows = equations(v, i, s, lambda form: np.concatenate([np.zeros(n), form[:n], after]))
        if set(rows) != set(self.names):
            raise ValueError(f"equations without unknown or the reverse: {set(rows) ^ set(self.names)}")
        matrix = np.array([rows[name] for name in self.names])
        self.g, self.m = matrix[:, :n], -matrix[:, n : 2 * n]
        self.n, self.b = matrix[:, 2 * n : 2 * n + n_i], matrix[:, 2 * n + n_i]
        self.rail_terms = matrix[:, 2 * n + n_i + 1 :] @ np.array(list(rails.values()), dtype=float)
        forms = ports(v)
        self.e = np.array(list(forms.values()))[:, :n]
        self.turning = [list(forms).index(name) for name in memory.ports] if memory else []
        self._reduce()

    def _reduce(self):
        n = len(self.names)
        to_ground = self.m.sum(axis=1)
        to_ground[np.abs(to_ground) < 1e-17] = 0.0  # F: rounding of sums up to 1e-3 F
        weight = np.zeros((n + 1, n + 1))
        weight[:n, :n] = np.diag(np.diag(self.m)) - self.m
        weight[:n, n] = weight[n, :n] = to_ground
        if not np.array_equal(weight, weight.T) or weight.min() < 0:
            raise ValueError("capacitor currents do not balance: an equation has a wrong C d/dt term")
        tree = minimum_spanning_tree(csr_array(-weight))
        count, island = connected_components(tree, directed=False)
        roots = [n if island[n] == k else int(np.argmax(island == k)) for k in range(count)]
        free = [root for root in roots if root != n]
        branches = n - len(free)
        # x = y_to_x y + z_to_x z, y tree-branch voltages, z voltages of the islands' roots
        whole = np.zeros((n + 1, branches + len(free)))
        x_to_y = np.zeros((branches, n + 1))
        column = 0
        for root in roots:
            if root != n:
                whole[root, branches + free.index(root)] = 1.0
            order, before = breadth_first_order(tree, root, directed=False)
            for node in order[1:]:
                whole[node] = whole[before[node]]
                whole[node, column] += 1.0
                x_to_y[column, node], x_to_y[column, before[node]] = 1.0, -1.0
                column += 1
        self.y_to_x, z_to_x, self.x_to_y = whole[:n, :branches], whole[:n, branches:], x_to_y[:, :n]
        if np.abs(z_to_x.T @ self.n).max(initial=0) > 0 or np.abs(self.e @ z_to_x).max(initial=0) > 0:
            raise ValueError("a device crosses two islands of capacitors: a junction lacks its capacitance")
        island_g = z_to_x.T @ self.g @ z_to_x
        known = np.column_stack([self.g @ self.y_to_x, self.b, self.rail_terms])
        z_of = -np.linalg.solve(island_g, z_to_x.T @ known)
        self.x_of_y = self.y_to_x + z_to_x @ z_of[:, :branches]
        self.x_of_input, self.x_of_rails = z_to_x @ z_of[:, branches], z_to_x @ z_of[:, branches + 1]
        mass = self.y_to_x.T @ self.m @ self.y_to_x
        scale = 1 / np.sqrt(np.diag(mass))
        factor = lu_factor(scale[:, None] * mass * scale)

        def per_mass(term):
            return (scale * lu_solve(factor, (scale * (self.y_to_x.T @ term).T).T).T).T

        self.a = per_mass(self.g @ self.x_of_y)
        self.h = per_mass(self.n)
        self.f = self.e @ self.y_to_x
        self.a_input = per_mass(self.b + self.g @ self.x_of_input)
        self.a_rails = per_mass(self.rail_terms + self.g @ self.x_of_rails)

    # ------------------------------------------------------------------ equations of the states
    def slope(self, y, u):
        """dy/dt for states y and input u."""
        return self.a @ y + self.h @ self.devices(self.f @ y)[0] + self.a_input * u + self.a_rails

    def jacobian(self, y):
        return self.a + self.h @ self.devices(self.f @ y)[1] @ self.f

    def unknowns_of(self, y, u):
        """All unknowns, shape (n, ...), from states and input."""
        rails = self.x_of_rails if np.ndim(u) == 0 else self.x_of_rails[:, None]
        return self.x_of_y @ y + np.multiply.outer(self.x_of_input, u) + rails

    def begin(self):
        """The unknowns at rest (n,), nothing remembered."""
        x = self.rest
        self.remembered = self.memory and self.memory.fresh
        return x

    def remember(self, p):
        """Ports (n_p,) at a turning point, or at the end of a step that is taken for one."""
        if self.memory is not None:
            self.remembered = self.memory.after(p, self.remembered)

    # ------------------------------------------------------------------ what the modules offer
    @cached_property
    def rest(self):
        """All unknowns at rest, (n,): the circuit is switched on with everything discharged and left alone,
        then the equations 0 = G x + N i(E x) + B s are solved to rounding by Newton's method."""
        run = self._integrate(lambda t: 0.0, np.zeros(self.a.shape[0]), [POWER_UP_S], 1e-3, 1e-6)
        x = self.unknowns_of(run.y[:, -1], 0.0)
        for _ in range(20):
            i, slope = self.devices(self.e @ x)
            linear = self.g + self.n @ slope @ self.e
            rows = 1 / np.abs(linear).max(axis=1)
            residual = self.g @ x + self.n @ i + self.rail_terms
            step = -np.linalg.solve(rows[:, None] * linear, rows * residual)
            x = x + step
            if np.abs(step).max() < BIAS_STEP:
                return x
        raise RuntimeError("the bias point does not settle")

    def bias(self):
        """dict unknown -> value at rest."""
        return dict(zip(self.names, map(float, self.rest), strict=True))

    def simulate(self, u, t_end_s, t_out_s, rtol=RTOL, atol=ATOL):
        """dict unknown -> array at t_out_s for the input u(t), starting at rest."""
        y0 = self.x_to_y @ self.begin()
        if self.memory is None:
            y = self._integrate(u, y0, t_out_s, rtol, atol, t_end_s).y
        else:
            y = self._stretches(u, y0, np.asarray(t_out_s), rtol, atol, t_end_s)
        x = self.unknowns_of(y, np.array([u(t) for t in t_out_s]))
        return dict(zip(self.names, x, strict=True))

    def response(self, f_hz):
        """dict unknown -> complex small-signal gain from the input at rest, at the frequencies f_hz (n,)."""
        x = self.begin()
        linear = self.g + self.n @ self.devices(self.e @ x)[1] @ self.e
        lines = []
        for f in np.atleast_1d(f_hz):
            system = 2j * np.pi * f * self.m - linear
            rows = 1 / np.abs(system).max(axis=1)
            lines.append(np.linalg.solve(rows[:, None] * system, rows * self.b))
        return dict(zip(self.names, np.array(lines).T, strict=True))

    def _integrate(self, u, y0, t_out_s, rtol, atol, t_end_s=None):
        # Trial points may overflow the exponentials: the integrator sees that, and shortens its step.
        end_s = t_out_s[-1] if t_end_s is None else t_end_s
        with np.errstate(over="ignore", invalid="ignore"):
            run = solve_ivp(
                lambda t, y: self.slope(y, u(t)), (0, end_s), y0, "Radau",
                t_eval=t_out_s, jac=lambda t, y: self.jacobian(y), rtol=rtol, atol=atol, first_step=1e-12,
            )  # fmt: skip
        if not run.success:
            raise RuntimeError(run.message)
        return run

    def _stretches(self, u, y, t_out_s, rtol, atol, t_end_s):
        """States (n_y, n) at t_out_s, from turning point to turning point of the ports that are remembered."""

        def rates(t, y):
            return self.f[self.turning] @ self.slope(y, u(t))

        def begun(t, y, end_s, first_s):
            return Radau(
                lambda t, y: self.slope(y, u(t)), t, y, end_s, rtol=rtol, atol=atol,
                jac=lambda t, y: self.jacobian(y), first_step=min(first_s, end_s - t),
            )  # fmt: skip

        out, falling = np.tile(y[:, None], len(t_out_s)), rates(0.0, y) < 0
        run = begun(0.0, y, t_end_s, 1e-12)
        while run.status == "running":
            t, y = run.t, run.y
            _step(run)
            turned = (rates(run.t, run.y) < 0) != falling
            if not turned.any():
                _read(run, t_out_s, out)
                continue
            t_turn, port = min((_turn(run, rates, port, falling[port]), port) for port in np.flatnonzero(turned))
            first_s = run.h_abs
            if t_turn > t:
                run = begun(t, y, t_turn, first_s)
                while run.status == "running":
                    _step(run)
                    _read(run, t_out_s, out)
                y = run.y
            self.remember(self.f @ y)
            falling[port] = not falling[port]
            run = begun(t_turn, y, t_end_s, first_s)
        return out


def _step(run):
    if problem := run.step():
        raise RuntimeError(problem)


def _read(run, t_out_s, out):
    """Fill in what lies within the last step."""
    within = (t_out_s > run.t_old) & (t_out_s <= run.t)
    if within.any():
        out[:, within] = run.dense_output()(t_out_s[within])


def _turn(run, rates, port, falling):
    """When a rate changes its sign within the last step; at once, where rounding has left it the new sign there."""
    between = run.dense_output()

    def rate(t):
        return rates(t, between(t))[port]

    if (rate(run.t_old) < 0) != falling:
        return run.t_old
    return brentq(rate, run.t_old, run.t, xtol=1e-16)
