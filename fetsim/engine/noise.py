"""Noise of a circuit made ready to march: which random numbers there are, and which rows of the solver they act on.

A source of density S gives a current (in an inner row a voltage) of variance S rate / 2 at each step, held over the
step. Sources that do not move with the signal act together only by their covariance from row to row, so they are
replaced by as few numbers as that has rows: its triangular root, sparse in the order of elimination (70 sources of the
Dunlin become 43 numbers). A source that moves keeps a number of its own, and its strength is asked of the device every
eight steps, at the port voltages that the last step led to: it comes up to 28 us late at 288 kHz, 56 us at 144 kHz.

The same number meets every stage of a step. Nodes that the reduction takes out have no noise of their own in the record
(their part reaches the neighbours), so those that are recorded have to be kept. A current worked out from voltages
lacks the part's own source.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import NamedTuple

import numpy as np

from fetsim.devices.kinds import KINDS
from fetsim.devices.noise import NoiseLaw
from fetsim.engine.assembly import NO_UNKNOWN, Array, System
from fetsim.engine.circuit import Circuit, Element
from fetsim.engine.draws import Words, keys_of
from fetsim.engine.noise_sources import NoiseSource, own_kelvin, sources_of
from fetsim.engine.pink import POLES, pink_filter
from fetsim.engine.plan import Plan
from fetsim.engine.reduction import Reduced

NO_PIVOT = 1e-12
"""A row whose share of its own is less than that of the whole has none: its noise is that of rows before it."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Noise:
    """That a circuit is to be noisy, and how."""

    circuit: Circuit
    rest: Array
    """State at which sources that do not move with the signal are asked [shape=(n,)]."""
    temperature_k: float
    seed: int
    """Other numbers give noise that has nothing in common with this one."""


class MovingSource(NamedTuple):
    """One whose strength a device tells; rows are positions in the order of elimination, -1 is ground."""

    device: int
    """Its number among the devices of the system."""
    place: int
    """Its number among the sources of the device's ``NoiseLaw``."""
    start: int
    end: int


class NoiseShape(NamedTuple):
    """All of the noise that a solver's text depends on. Numbers stand in the order of these fields."""

    fixed: tuple[tuple[int, ...], ...]
    """For each number, the rows that it acts on, each with a weight."""
    moving: tuple[MovingSource, ...]
    fixed_pink: tuple[tuple[int, ...], ...]
    moving_pink: tuple[MovingSource, ...]

    @property
    def white(self) -> int:
        """How many numbers are white."""
        return len(self.fixed) + len(self.moving)

    @property
    def pink(self) -> int:
        """And how many are made pink."""
        return len(self.fixed_pink) + len(self.moving_pink)

    @property
    def weights(self) -> int:
        """Of all fixed sources."""
        return sum(map(len, (*self.fixed, *self.fixed_pink)))

    @property
    def rows(self) -> tuple[int, ...]:
        """All rows that are noisy."""
        moving = (row for one in (*self.moving, *self.moving_pink) for row in (one.start, one.end))
        rows = {*moving, *(row for rows in (*self.fixed, *self.fixed_pink) for row in rows)}
        return tuple(sorted(rows - {NO_UNKNOWN}))


@dataclass(frozen=True, kw_only=True, eq=False)
class PreparedNoise:
    """Noise of one circuit at one rate, as the march takes it."""

    shape: NoiseShape
    values: Array
    """Half the rate, the weights, then what the devices' noise takes besides their parameters."""
    filters: Array
    """Of pink noise [shape=(2, POLES)]."""
    names: tuple[str, ...]
    """Of each number: a change of one part leaves the numbers of others as they are."""
    seed: int

    @cached_property
    def memory(self) -> int:
        """Numbers kept from block to block: the strengths of moving sources, then what makes noise pink."""
        return len(self.shape.moving) + len(self.shape.moving_pink) + POLES * self.shape.pink

    def keys(self, stream: int) -> Words:
        """For the numbers of a stream [shape=(2, numbers)]."""
        return _keys(self.seed, stream, self.names)


def prepare_noise(noise: Noise, system: System, reduced: Reduced, plan: Plan, rate_hz: float) -> PreparedNoise:
    """Take the sources of a circuit to the rows of its reduced system, in the order of ``plan``."""
    moves = {e.name for e in noise.circuit.elements if isinstance(KINDS[e.kind].noise, NoiseLaw)}
    sources = {
        moved: sources_of(
            [e for e in noise.circuit.elements if (e.name in moves) is moved],
            noise.rest, system.index, noise.temperature_k,
        )
        for moved in (False, True)
    }  # fmt: skip
    inject = reduced.inject[np.array(plan.order)]
    roots, shapes, names = {}, {}, {}
    for pink in (False, True):
        chosen = [one for one in sources[False] if one.pink is pink]
        pattern, weights = _root(*_covariance(chosen, inject, rate_hz))
        shapes[pink] = pattern
        roots[pink] = weights
        names[pink] = [f"{'pink' if pink else 'white'} {_row_name(reduced.system, plan, rows[0])}" for rows in pattern]
    place = {index: position for position, index in enumerate(reduced.kept[np.array(plan.order)])}
    by_name = {e.name: e for e in noise.circuit.elements}
    moving, moving_names = _moving(sources[True], by_name, system, place)
    values = [0.5 * rate_hz, *roots[False], *roots[True]]
    for device in system.devices:
        law = KINDS[device.kind].noise
        if isinstance(law, NoiseLaw):
            element = by_name[device.name]
            values += law.parameters(element.values, own_kelvin(element, noise.temperature_k))
    return PreparedNoise(
        shape=NoiseShape(shapes[False], moving[False], shapes[True], moving[True]),
        values=np.array(values),
        filters=pink_filter(rate_hz),
        names=(*names[False], *moving_names[False], *names[True], *moving_names[True]),
        seed=noise.seed,
    )


@lru_cache(maxsize=64)
def _keys(seed: int, stream: int, names: tuple[str, ...]) -> Words:
    return keys_of(seed, stream, names)


def _row_name(system: System, plan: Plan, row: int) -> str:
    return system.unknowns[plan.order[row]]


def _covariance(sources: Sequence[NoiseSource], inject: Array, rate_hz: float) -> tuple[Array, Array]:
    """Covariance from row to row of what these give at each step [shape=(n, n)], and where there may be any."""
    n = inject.shape[1]
    incidence = np.zeros((n + 1, len(sources)))
    for k, one in enumerate(sources):
        incidence[one.start, k] -= 1.0
        incidence[one.end, k] += 1.0  # the last row is ground's
    reach = inject @ incidence[:n]
    touched = (np.abs(inject) @ np.abs(incidence[:n]) != 0.0).astype(float)
    strengths = np.array([one.density for one in sources]) * (0.5 * rate_hz)
    return (reach * strengths) @ reach.T, touched @ touched.T != 0.0


def _root(covariance: Array, pattern: Array) -> tuple[tuple[tuple[int, ...], ...], list[float]]:
    """L of L L^T = ``covariance``, column by column: the rows of each, and their weights one after the other.

    Semidefinite as it may be: rows without a share of their own get a number of no weight, so that the rows depend on
    the pattern alone.
    """
    left, pattern = covariance.copy(), pattern.copy()
    columns: list[tuple[int, ...]] = []
    weights: list[float] = []
    for k in np.flatnonzero(np.diagonal(pattern)):
        rows = k + np.flatnonzero(pattern[k:, k])
        pattern[np.ix_(rows, rows)] = True
        pivot = left[k, k]
        column = left[rows, k] / np.sqrt(pivot) if pivot > NO_PIVOT * covariance[k, k] else np.zeros(len(rows))
        left[np.ix_(rows, rows)] -= np.outer(column, column)
        columns.append(tuple(int(row) for row in rows))
        weights += column.tolist()
    return tuple(columns), weights


def _moving(
    sources: Sequence[NoiseSource], elements: Mapping[str, Element], system: System, place: dict[int, int]
) -> tuple[dict[bool, tuple[MovingSource, ...]], dict[bool, tuple[str, ...]]]:
    """Moving sources, white and pink, and their names."""
    place = {**place, NO_UNKNOWN: NO_UNKNOWN}
    devices = {device.name: number for number, device in enumerate(system.devices)}
    found: dict[bool, list[MovingSource]] = {False: [], True: []}
    names: dict[bool, list[str]] = {False: [], True: []}
    count: dict[str, int] = {}
    for one in sources:
        number = count[one.element] = count.get(one.element, -1) + 1
        element = elements[one.element]
        law = KINDS[element.kind].noise
        assert isinstance(law, NoiseLaw)
        needed = law.sources[number].only_with
        if needed and element.values[needed] == 0.0:
            continue
        found[one.pink].append(MovingSource(devices[one.element], number, place[one.start], place[one.end]))
        names[one.pink].append(f"{one.element} {number}")
    return {pink: tuple(all_) for pink, all_ in found.items()}, {pink: tuple(all_) for pink, all_ in names.items()}
