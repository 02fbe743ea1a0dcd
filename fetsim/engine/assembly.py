"""Circuit -> matrices: modified nodal analysis with every nonlinearity in the ports.

    C dx/dt + G x + sum of device currents = b + B u

u holds the inputs at one instant, x the node voltages and the inner unknowns of parts (winding current, flux).
Sources are Norton equivalents behind their own resistance and ideal transformers are referred to one side, so no row
has an empty diagonal and the elimination of the generated solver needs no pivoting.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import inf, log
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fetsim.devices.kinds import KINDS
from fetsim.devices.law import BoundLaw, Flow, Law
from fetsim.engine.circuit import GROUND, Circuit, Element
from fetsim.engine.signals import Signal

Array = NDArray[np.float64]

LIMITING_CONDUCTANCE_S = 1e-5
"""Junctions are limited from the voltage at which they conduct this much. The textbook's critical voltage lies above
the working point of circuits of this impedance and would not limit at all. It holds where junctions work above
about 0.3 uA (this conductance times kT/q)."""

NO_UNKNOWN = -1
"""Index that stands for ground."""


@dataclass(frozen=True)
class JunctionPlace:
    """One exponential of a device: which of its ports, and its scales."""

    port: int
    inv_slope_per_v: float
    offset_v: float
    has_offset: bool
    falls: bool
    critical_v: float
    """From where its steps are limited; infinite where they are not."""

    @property
    def limited(self) -> bool:
        return self.critical_v < inf


@dataclass(frozen=True, kw_only=True)
class Device:
    """A nonlinear element put in its place: indices of unknowns and parameters."""

    name: str
    kind: str
    bound: BoundLaw
    ports: tuple[tuple[int, int], ...]
    flows: tuple[tuple[int, int], ...]
    junctions: tuple[JunctionPlace, ...]

    @property
    def law(self) -> Law:
        return self.bound.law


class DevicePlace(NamedTuple):
    """Where a device stands in its circuit."""

    name: str
    kind: str
    ports: tuple[tuple[int, int], ...]
    flows: tuple[tuple[int, int], ...]
    junctions: tuple[tuple[int, bool], ...]
    """Port of each, and whether it has an offset."""


class Topology(NamedTuple):
    """All of a system that a solver's text and the order of an elimination depend on, and no value."""

    unknowns: tuple[str, ...]
    devices: tuple[DevicePlace, ...]
    pattern_c: frozenset[tuple[int, int]]
    pattern_g: frozenset[tuple[int, int]]
    pattern_b: frozenset[int]
    pattern_input: frozenset[tuple[int, int]]


@dataclass(frozen=True, kw_only=True)
class System:
    """The matrices of one circuit. Shapes: ``c``, ``g`` (n, n); ``b`` (n,); ``b_input`` (n, inputs)."""

    unknowns: tuple[str, ...]
    inputs: tuple[str, ...]
    """Names, the program's first."""
    signals: Mapping[str, Signal]
    """Of those inputs that the engine makes itself."""
    normalled: Mapping[str, float]
    """Inputs that get so many times the program's voltage while nothing is fed to them."""
    c: Array
    g: Array
    b: Array
    b_input: Array
    devices: tuple[Device, ...]
    pattern_c: frozenset[tuple[int, int]]
    pattern_g: frozenset[tuple[int, int]]
    pattern_b: frozenset[int]
    pattern_input: frozenset[tuple[int, int]]
    """Rows and inputs that act on them."""
    index: dict[str, int]

    @property
    def size(self) -> int:
        """Number of unknowns n."""
        return len(self.unknowns)

    @cached_property
    def topology(self) -> Topology:
        """What is worked out once for all systems that share it."""
        devices = tuple(
            DevicePlace(d.name, d.kind, d.ports, d.flows, tuple((j.port, j.has_offset) for j in d.junctions))
            for d in self.devices
        )
        return Topology(self.unknowns, devices, self.pattern_c, self.pattern_g, self.pattern_b, self.pattern_input)

    def evaluate(self, x: Array) -> tuple[Array, Array]:
        """Device currents leaving each unknown's row [A] and their Jacobian at ``x``, plainly computed, with nothing
        before it."""
        ports = port_voltages(self.devices, x)
        return stamped(self.devices, device_flows(self.devices, ports, no_memory(self.devices)), self.size)


def assemble(circuit: Circuit) -> System:
    """Number the unknowns and stamp every element."""
    index: dict[str, int] = {}
    for e in circuit.elements:
        for name in e.unknowns.values():
            if name != GROUND:
                index.setdefault(name, len(index))
    n, inputs = len(index), circuit.inputs
    matrices = _Matrices(n, len(inputs))
    devices = []
    for e in circuit.elements:
        kind = KINDS[e.kind]
        place = {t: index.get(name, NO_UNKNOWN) for t, name in e.unknowns.items()}
        kind.linear(_ElementStamp(matrices, place, inputs.index(e.input)), e.values)
        if kind.law is not None:
            devices.append(_device(e, kind.law, place))
    return System(
        unknowns=tuple(index),
        inputs=inputs,
        signals=circuit.signals,
        normalled=circuit.normalled,
        c=matrices.c,
        g=matrices.g,
        b=matrices.b,
        b_input=matrices.b_input,
        devices=tuple(devices),
        pattern_c=frozenset(matrices.pattern_c),
        pattern_g=frozenset(matrices.pattern_g),
        pattern_b=frozenset(matrices.pattern_b),
        pattern_input=frozenset(matrices.pattern_input),
        index=index,
    )


def restamped(system: System, before: Sequence[Element], after: Sequence[Element]) -> System | None:
    """The system with linear elements ``after`` in the places of those ``before``, for a tenth of an assembly's time.

    It differs from a new assembly by rounding. None where one of them is no linear element in the same place.
    """
    same = len(before) == len(after) and all(
        old.kind == new.kind and old.name == new.name and old.unknowns == new.unknowns and KINDS[new.kind].law is None
        for old, new in zip(before, after, strict=False)
    )
    if not same:
        return None
    added, removed = (_Matrices(system.size, len(system.inputs)) for _ in range(2))
    for matrices, elements in ((added, after), (removed, before)):
        for e in elements:
            place = {t: system.index.get(name, NO_UNKNOWN) for t, name in e.unknowns.items()}
            KINDS[e.kind].linear(_ElementStamp(matrices, place, system.inputs.index(e.input)), e.values)
    other = replace(
        system,
        c=system.c + (added.c - removed.c), g=system.g + (added.g - removed.g),
        b=system.b + (added.b - removed.b), b_input=system.b_input + (added.b_input - removed.b_input),
    )  # fmt: skip
    other.__dict__["topology"] = system.topology  # worked out already
    return other


def port_voltages(devices: tuple[Device, ...], x: Array) -> list[list[float]]:
    """Voltage (or flux) across every port of every device at ``x``."""
    values = [*x.tolist(), 0.0]  # the last one serves NO_UNKNOWN
    return [[values[plus] - values[minus] for plus, minus in d.ports] for d in devices]


def device_flows(devices: tuple[Device, ...], ports: list[list[float]], memory: Array) -> list[tuple[Flow, ...]]:
    """Every current of every device with its derivatives, at given port voltages and memory [shape=(numbers,)]."""
    kept = _of_each(devices, memory)
    return [device.bound.evaluate(v, m) for device, v, m in zip(devices, ports, kept, strict=True)]


def no_memory(devices: tuple[Device, ...]) -> Array:
    """What the devices remember when nothing has happened to them [shape=(numbers,)]: zeros, device after device."""
    return np.zeros(sum(d.law.memory for d in devices))


def accepted(devices: tuple[Device, ...], ports: list[list[float]], memory: Array) -> Array:
    """What they remember after a step from ``memory`` to these port voltages [shape=(numbers,)]."""
    memory = memory.copy()
    for device, v, kept in zip(devices, ports, _of_each(devices, memory), strict=True):
        device.bound.accept(v, kept)
    return memory


def _of_each(devices: tuple[Device, ...], memory: Array) -> list[Array]:
    """The memory of each device, as views."""
    return np.split(memory, np.cumsum([d.law.memory for d in devices])[:-1]) if devices else []


def stamped(
    devices: tuple[Device, ...], flows: Sequence[tuple[Flow, ...]], n: int
) -> tuple[Array, Array]:
    """Currents leaving each row [shape=(n,)] and their Jacobian [shape=(n, n)]."""
    current = np.zeros(n + 1)
    jacobian = np.zeros((n + 1, n + 1))
    for device, found in zip(devices, flows, strict=True):
        for (start, end), depends, flow in zip(device.flows, device.law.depends, found, strict=True):
            current[start] += flow.current
            current[end] -= flow.current
            for port, slope in zip(depends, flow.slopes, strict=True):
                plus, minus = device.ports[port]
                jacobian[start, plus] += slope
                jacobian[start, minus] -= slope
                jacobian[end, plus] -= slope
                jacobian[end, minus] += slope
    return current[:n], jacobian[:n, :n]


def _device(e: Element, law: Law, place: dict[str, int]) -> Device:
    def placed(pairs: Sequence[tuple[str | None, str | None]]) -> tuple[tuple[int, int], ...]:
        def at(end: str | None) -> int:
            return NO_UNKNOWN if end is None else place[end]

        return tuple((at(a), at(b)) for a, b in pairs)

    bound = law.bound(e.values)
    junctions = []
    for j, inv_slope, offset in zip(law.junctions, bound.inv_slopes_per_v, bound.offsets_v, strict=True):
        critical = inf
        if j.current_a is not None:
            slope = e.values[j.slope_v]
            critical = offset + slope * log(slope * LIMITING_CONDUCTANCE_S / e.values[j.current_a])
        junctions.append(JunctionPlace(j.port, inv_slope, offset, j.offset_v is not None, j.falls, critical))
    return Device(
        name=e.name,
        kind=e.kind,
        bound=bound,
        ports=placed(law.ports),
        flows=placed(law.flows),
        junctions=tuple(junctions),
    )


class _Matrices:
    def __init__(self, n: int, inputs: int) -> None:
        self.c, self.g = np.zeros((n, n)), np.zeros((n, n))
        self.b, self.b_input = np.zeros(n), np.zeros((n, inputs))
        self.pattern_c: set[tuple[int, int]] = set()
        self.pattern_g: set[tuple[int, int]] = set()
        self.pattern_b: set[int] = set()
        self.pattern_input: set[tuple[int, int]] = set()


class _ElementStamp:
    """Writes one element's terms, given the place of its terminals; ground rows and columns are dropped."""

    def __init__(self, matrices: _Matrices, place: dict[str, int], driven_by: int) -> None:
        self._m, self._place, self._input = matrices, place, driven_by

    def g(self, row: str, column: str, value: float) -> None:
        self._add(self._m.g, self._m.pattern_g, row, column, value)

    def c(self, row: str, column: str, value: float) -> None:
        self._add(self._m.c, self._m.pattern_c, row, column, value)

    def b(self, row: str, constant: float, per_input: float) -> None:
        i = self._place[row]
        if i != NO_UNKNOWN:
            self._m.b[i] += constant
            self._m.b_input[i, self._input] += per_input
            self._m.pattern_b.add(i)
            self._m.pattern_input.add((i, self._input))

    def _add(self, matrix: Array, pattern: set[tuple[int, int]], row: str, column: str, value: float) -> None:
        i, j = self._place[row], self._place[column]
        if i != NO_UNKNOWN and j != NO_UNKNOWN:
            matrix[i, j] += value
            pattern.add((i, j))
