"""A device's law: where it stands in a part, how its function is called, and what comes out.

The one place that puts port voltages, exponentials and parameters into a law's function and takes currents and
derivatives out of it again, for one state (floats) or many (arrays). Only the generated solver spells the same steps
out as text (``engine/emit.py``), for speed; the tests set one against the other.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import exp
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Memory = NDArray[np.float64]
Values = Mapping[str, float]
"""The values of an element, in SI units."""
Number = Any
"""A float, or an array of one float for each state; the result is what goes in."""
Volts = Mapping[str, Number]
"""Terminal, wired or inner -> volts against ground (of an inner one, its own unit)."""

LARGEST_ARGUMENT = 80.0
"""Exponentials are held at exp(80), 5e34, where a Newton step has overshot; no state of a solution comes near."""


class Flow(NamedTuple):
    """One current of a law at a state."""

    current: Number
    slopes: tuple[Number, ...]
    """Its derivatives by the ports it depends on, in the order of ``Law.depends``."""


@dataclass(frozen=True, kw_only=True)
class Junction:
    """A port with an exponential law exp((v - offset) / slope); the scales are names of values of the element."""

    port: int
    slope_v: str
    current_a: str | None = None
    """Current scale in front of the exponential: with it the solver knows from where to limit its steps. Left out, its
    steps are not limited: the law stays tame without, or another junction at the port is limited."""
    offset_v: str | None = None
    falls: bool = False
    """Whether the law takes exp(-|v - offset| / slope), which is 1 at the offset and falls to either side."""

    def argument(self, port_v: Number, offset_v: float, inv_slope_per_v: float) -> Number:
        """What the exponential is taken of."""
        argument = (port_v - offset_v) * inv_slope_per_v
        return -abs(argument) if self.falls else argument


@dataclass(frozen=True, kw_only=True)
class Bend:
    """A port across which the law goes from one saturation through zero to the other, as a limiter in a loop of high
    gain does. Newton's method that has jumped from one side to the other does not come back by itself, so there the
    solver shortens its step, that of all unknowns, to where the port is at zero."""

    port: int
    scale_v: Callable[[Values], float]
    """The voltage that brings it about half way into saturation."""


@dataclass(frozen=True, kw_only=True)
class Flat:
    """A port below a voltage of which nothing flows and nothing depends on it: there the solver need not know it."""

    port: int
    below_v: Callable[[Values], float]


@dataclass(frozen=True, kw_only=True)
class Law:
    """Nonlinear part of a kind: ports (plus, minus), flows (from, to), and the function that links them."""

    function: Callable[..., tuple[Number, ...]]
    """(port voltages, junction exponentials, parameters) -> for each flow its current, then its derivatives."""
    ports: tuple[tuple[str, str | None], ...]
    """None is ground, here and in the flows."""
    flows: tuple[tuple[str | None, str | None], ...]
    depends: tuple[tuple[int, ...], ...]
    """For each flow, the ports it depends on, in the order in which the derivatives come."""
    parameters: Callable[[Values], tuple[float, ...]]
    junctions: tuple[Junction, ...] = ()
    bends: tuple[Bend, ...] = ()
    flats: tuple[Flat, ...] = ()
    tolerances: Callable[[Values], tuple[float, ...]] | None = None
    """For each port, what 1 V of Newton tolerance means in the port's own unit; 1 where nothing is given."""
    sums_freely: bool = False
    """Whether the terms of its function's sums may be added up in any order, and so several at a time. A loop over a
    table is many times faster for it; a single circuit and one among several then differ by rounding."""
    memory: int = 0
    """Numbers that the part keeps from one accepted step to the next, all zero in a part that nothing has happened to.
    The function of a law that has some takes two arguments more, the last: an array that holds them, and the place of
    the first. It only reads them, so that within a step it has one value at each port voltage."""
    accept: Callable[..., None] | None = None
    """(port voltages, parameters, array, place) -> nothing: the step that led to these port voltages is accepted, and
    the memory written. Doing it again at the same port voltages must change nothing."""

    def bound(self, values: Values) -> "BoundLaw":
        """This law with the values of one element."""
        return BoundLaw(
            self,
            self.parameters(values),
            tuple(1.0 / values[j.slope_v] for j in self.junctions),
            tuple(0.0 if j.offset_v is None else values[j.offset_v] for j in self.junctions),
            (1.0,) * len(self.ports) if self.tolerances is None else self.tolerances(values),
            tuple(bend.scale_v(values) for bend in self.bends),
            tuple(flat.below_v(values) for flat in self.flats),
        )

    def evaluate(self, values: Values, volts: Volts) -> tuple[Flow, ...]:
        """Every flow of an element at a state, or at many; where it has memory, with nothing before each."""
        return self.bound(values).evaluate(self.port_voltages(volts))

    def port_voltages(self, volts: Volts) -> list[Number]:
        """Voltages across the ports, turned round where the kind is mirrored."""
        return [volts[plus] - (0.0 if minus is None else volts[minus]) for plus, minus in self.ports]


@dataclass(frozen=True)
class BoundLaw:
    """A law with the values of one element, worked out once."""

    law: Law
    parameters: tuple[float, ...]
    inv_slopes_per_v: tuple[float, ...]
    """Of each junction,"""
    offsets_v: tuple[float, ...]
    """and this."""
    tolerances: tuple[float, ...]
    """Of each port."""
    bend_scales_v: tuple[float, ...]
    flat_below_v: tuple[float, ...]

    def exponentials(self, ports: Sequence[Number]) -> list[Number]:
        """Of each junction, at these port voltages."""
        return [
            bounded_exp(junction.argument(ports[junction.port], offset, inv_slope))
            for junction, inv_slope, offset in zip(
                self.law.junctions, self.inv_slopes_per_v, self.offsets_v, strict=True
            )
        ]

    def evaluate(self, ports: Sequence[Number], memory: Memory | None = None) -> tuple[Flow, ...]:
        """Every flow at these port voltages, with this memory [shape=(law.memory,)] or none before it."""
        exponentials = self.exponentials(ports)
        kept = (np.zeros(self.law.memory) if memory is None else memory, 0) if self.law.memory else ()
        results = iter(self.law.function(*ports, *exponentials, *self.parameters, *kept))
        return tuple(Flow(next(results), tuple(next(results) for _ in depends)) for depends in self.law.depends)

    def accept(self, ports: Sequence[Number], memory: Memory) -> None:
        """Write the memory [shape=(law.memory,)] after a step that led to these port voltages."""
        if self.law.accept is not None:
            self.law.accept(*ports, *self.parameters, memory, 0)


def select(mask: Any, yes: Any, no: Any) -> Any:
    """``yes`` where the mask is true, else ``no``: what a law writes instead of a branch, which several circuits side
    by side could not take together."""
    return np.where(mask, yes, no) if isinstance(mask, np.ndarray) else yes if mask else no


def clamp(value: Any, bound: Any) -> Any:
    """``value``, held between ``-bound`` and ``bound``."""
    if isinstance(value, np.ndarray):
        return np.minimum(np.maximum(value, -bound), bound)  # np.clip takes three times as long on a few numbers
    return min(max(value, -bound), bound)


def series_exp(argument: Number) -> Number:
    """exp as (1 + y + ... + y^7/7!)^1024 with y = argument / 1024, for arguments of -700 to 80.

    Relative error below 1e-12 for -45..45, 4e-11 at 80, 3e-10 at -100 and 3e-3 at -700, where the value itself is
    1e-304. No branch and no table, so that a loop over it becomes vector instructions.
    """
    y = argument * (1.0 / 1024.0)
    p = 1.0 + y * (1.0 + y * (1 / 2 + y * (1 / 6 + y * (1 / 24 + y * (1 / 120 + y * (1 / 720 + y * (1 / 5040)))))))
    p = p * p
    p = p * p
    p = p * p
    p = p * p
    p = p * p
    p = p * p
    p = p * p
    p = p * p
    p = p * p
    return p * p


def bounded_exp(argument: Number) -> Number:
    """exp that neither overflows nor raises."""
    if isinstance(argument, float):
        return exp(min(argument, LARGEST_ARGUMENT))
    return np.exp(np.minimum(argument, LARGEST_ARGUMENT))
