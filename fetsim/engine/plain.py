"""The slow, obvious solver: dense matrices, plain Python devices, Newton's method with a full factorisation.

It needs no compile, finds bias points, says where a failed step went wrong, and is what the generated solver is
tested against. About a thousand times slower than that.
"""

from dataclasses import dataclass

import numpy as np

from fetsim.devices.law import Flow
from fetsim.engine.assembly import Array, Device, System, accepted, device_flows, no_memory, port_voltages, stamped
from fetsim.engine.methods import Method
from fetsim.engine.numeric import limit_junction, step_share

MAX_ITERATIONS = 100


@dataclass(frozen=True, kw_only=True)
class Solved:
    """One solved stage: the increment, the accepted port voltages, and how the last Newton step looked."""

    increment: Array
    ports: list[list[float]]
    converged: bool
    iterations: int
    worst_port: tuple[str, int]
    """Designator and port number with the largest last step against its tolerance."""
    worst_step: float


def solve_stage(
    system: System,
    matrix_c: Array,
    right_side: Array,
    x: Array,
    guess: Array,
    ports: list[list[float]],
    memory: Array,
    tolerance_v: float,
    max_iterations: int = MAX_ITERATIONS,
) -> Solved:
    """Solve  matrix_c d + G (x + d) + i(x + d) = right_side  for d by Newton's method.

    ``ports`` are the last accepted port voltages, from which junction limiting starts; ``memory`` is what the devices
    remember, and stays. Shapes: matrix (n, n), vectors (n,). Never raises; ``converged`` tells.
    """
    linear = matrix_c + system.g
    base = right_side - system.g @ x
    d = guess
    worst, step = ("", 0), np.inf
    iteration, converged = 0, False
    while iteration < max_iterations and not converged:
        iteration += 1
        now = port_voltages(system.devices, x + d)
        share = _share(system.devices, now, ports) if iteration > 1 else 1.0
        ports, held = _limited(system.devices, _part_of_way(ports, now, share), ports)
        flows = device_flows(system.devices, ports, memory)
        current, jacobian = stamped(system.devices, flows, system.size)
        # linearised at the limited ports: i + J (x + d - "x of the ports"); the latter through the ports
        at_ports = _through_ports(system.devices, flows, ports, system.size)
        try:
            new = np.linalg.solve(linear + jacobian, base - current + at_ports - jacobian @ x)
        except np.linalg.LinAlgError:
            break
        if not np.all(np.isfinite(new)):
            break
        d = np.asarray(new, dtype=np.float64)
        worst, step = _worst(system.devices, port_voltages(system.devices, x + d), ports)
        if step <= tolerance_v and not held and share == 1.0:
            ports, converged = port_voltages(system.devices, x + d), True
    return Solved(
        increment=d, ports=ports, converged=converged, iterations=iteration, worst_port=worst, worst_step=step
    )


def march_plain(
    system: System, method: Method, rate_hz: float, u: Array, x: Array, *, tolerance_v: float = 1e-9
) -> Array:
    """States [shape=(steps, n)] for the inputs ``u`` [shape=(steps, stages, inputs)] at the stages of each step.

    Raises ArithmeticError when a step does not converge.
    """
    past = np.zeros((3, system.size))
    ports = port_voltages(system.devices, x)
    memory = accepted(system.devices, ports, no_memory(system.devices))
    matrix = system.c * (method.lead * rate_hz)
    states = np.empty((len(u), system.size))
    for step, inputs in enumerate(u):
        increments = np.zeros((len(inputs), system.size))
        for i, value in enumerate(inputs):
            s = np.array(method.past) @ past + method.weights[i, :i] @ increments[:i]
            right = system.b + system.b_input @ value + system.c @ s * rate_hz
            solved = solve_stage(system, matrix, right, x, past[0].copy(), ports, memory, tolerance_v)
            if not solved.converged:
                raise ArithmeticError(f"step {step} does not converge at {solved.worst_port}")
            increments[i] = solved.increment
            ports = solved.ports
        memory = accepted(system.devices, ports, memory)
        past = np.array([increments[-1], past[0], past[1]])
        x = x + increments[-1]
        states[step] = x
    return states


def _through_ports(
    devices: tuple[Device, ...], flows: list[tuple[Flow, ...]], ports: list[list[float]], n: int
) -> Array:
    """What the slopes make of the port voltages that they were taken at, row by row [A; shape=(n,)]."""
    rows = np.zeros(n + 1)
    for device, found, v in zip(devices, flows, ports, strict=True):
        for (start, end), depends, flow in zip(device.flows, device.law.depends, found, strict=True):
            for port, slope in zip(depends, flow.slopes, strict=True):
                rows[start] += slope * v[port]
                rows[end] -= slope * v[port]
    return rows[:n]


def _share(devices: tuple[Device, ...], new: list[list[float]], old: list[list[float]]) -> float:
    """Of a Newton step, that may be taken (``numeric.step_share``)."""
    return min(
        (
            step_share(v[bend.port], before[bend.port], scale_v)
            for device, v, before in zip(devices, new, old, strict=True)
            for bend, scale_v in zip(device.law.bends, device.bound.bend_scales_v, strict=True)
        ),
        default=1.0,
    )


def _part_of_way(start: list[list[float]], end: list[list[float]], share: float) -> list[list[float]]:
    if share == 1.0:
        return end
    return [[a + share * (b - a) for a, b in zip(v, w, strict=True)] for v, w in zip(start, end, strict=True)]


def _limited(
    devices: tuple[Device, ...], new: list[list[float]], old: list[list[float]]
) -> tuple[list[list[float]], bool]:
    held = False
    limited = []
    for device, v, before in zip(devices, new, old, strict=True):
        v = list(v)
        for j in device.junctions:
            value = limit_junction(v[j.port], before[j.port], j.critical_v, j.inv_slope_per_v)
            held |= value != v[j.port]
            v[j.port] = value
        limited.append(v)
    return limited, held


def _worst(
    devices: tuple[Device, ...], new: list[list[float]], old: list[list[float]]
) -> tuple[tuple[str, int], float]:
    worst, step = ("", 0), 0.0
    for device, v, before in zip(devices, new, old, strict=True):
        for port, (a, b) in enumerate(zip(v, before, strict=True)):
            size = abs(a - b) / device.bound.tolerances[port]
            if not size <= step:
                worst, step = (device.name, port), size
    return worst, step
