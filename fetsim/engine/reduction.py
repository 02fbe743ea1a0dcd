"""Nodes that only resistors meet are taken out before time stepping: an exact star-mesh transformation.

A node without capacitance and without a nonlinear device obeys an algebraic equation, the same at every step size, so
eliminating it changes nothing but the number of unknowns (61 to 47 on the Dunlin, 7 % of the time). Only nodes
with at most three neighbours go, which never adds conductances. Their voltages are rebuilt from their neighbours.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from fetsim.engine.assembly import NO_UNKNOWN, Array, DevicePlace, System, Topology

MOST_NEIGHBOURS = 3


@dataclass(frozen=True, kw_only=True)
class Reduced:
    """The smaller system, and x_full = expand x + constant + per_input u [shape=(n, inputs)].

    What is injected into the rows of the full system acts on those of the smaller one through ``inject``, which is the
    transpose of ``expand`` where no part amplifies.
    """

    system: System
    kept: NDArray[np.intp]
    """Indices of the kept unknowns in the full system."""
    expand: Array
    constant: Array
    per_input: Array
    inject: Array


def reduce_resistive(system: System, keep: frozenset[str] = frozenset()) -> Reduced:
    """Eliminate the resistive nodes of ``system``, but for those of these names."""
    removal = _removal(system.topology, keep)
    inject = np.eye(system.size)
    g, b, b_input = system.g.copy(), system.b.copy(), system.b_input.copy()
    for k, around in removal.gone:
        factor = g[around, k] / g[k, k]
        g[around[:, None], around] -= factor[:, None] * g[k, around]
        b[around] -= factor * b[k]
        b_input[around] -= factor[:, None] * b_input[k]
        inject[around] -= factor[:, None] * inject[k]
    expand, constant, per_input = np.eye(system.size), np.zeros(system.size), np.zeros_like(b_input)
    for k, around in reversed(removal.gone):
        expand[k] = -(g[k, around] / g[k, k]) @ expand[around]
        constant[k] = (b[k] - g[k, around] @ constant[around]) / g[k, k]
        per_input[k] = (b_input[k] - g[k, around] @ per_input[around]) / g[k, k]
    kept, small = removal.kept, removal.left
    grid = np.ix_(kept, kept)
    return Reduced(
        system=System(
            unknowns=small.unknowns, inputs=system.inputs, signals=system.signals, normalled=system.normalled,
            c=system.c[grid], g=g[grid], b=b[kept], b_input=b_input[kept],
            devices=tuple(
                replace(device, ports=place.ports, flows=place.flows)
                for device, place in zip(system.devices, small.devices, strict=True)
            ),
            pattern_c=small.pattern_c, pattern_g=small.pattern_g, pattern_b=small.pattern_b,
            pattern_input=small.pattern_input,
            index={name: k for k, name in enumerate(small.unknowns)},
        ),
        kept=kept, expand=expand[:, kept], constant=constant, per_input=per_input,
        inject=inject[kept],
    )  # fmt: skip


@dataclass(frozen=True)
class _Removal:
    """What is taken out of a topology, and what is left of it."""

    gone: tuple[tuple[int, NDArray[np.intp]], ...]
    """Each node in the order in which they go, with its neighbours at that time."""
    kept: NDArray[np.intp]
    left: Topology


@lru_cache(maxsize=64)
def _removal(topology: Topology, keep: frozenset[str]) -> _Removal:
    n = len(topology.unknowns)
    fixed = {i for i, name in enumerate(topology.unknowns) if name in keep}
    fixed |= {i for d in topology.devices for pair in (*d.ports, *d.flows) for i in pair if i != NO_UNKNOWN}
    fixed |= {i for pair in topology.pattern_c for i in pair}
    neighbours: list[set[int]] = [set() for _ in range(n)]
    for i, j in topology.pattern_g:
        if i != j:
            neighbours[i].add(j)
            neighbours[j].add(i)
    sources, driven, beside = set(topology.pattern_b), set(topology.pattern_input), set[int]()
    gone: dict[int, NDArray[np.intp]] = {}
    while True:
        choices = [
            i for i in range(n) if i not in fixed and i not in gone and 0 < len(neighbours[i]) <= MOST_NEIGHBOURS
        ]
        if not choices or len(gone) == n - 1:
            break
        k = min(choices, key=lambda i: (len(neighbours[i]), i))
        around = set(neighbours[k])
        if k in sources:
            sources |= around
        driven |= {(i, j) for row, j in driven if row == k for i in around}
        beside |= around
        for i in around:
            neighbours[i] |= around
            neighbours[i] -= {i, k}
        gone[k] = np.array(sorted(around))
    kept = [i for i in range(n) if i not in gone]
    return _Removal(tuple(gone.items()), np.array(kept), _left(topology, kept, neighbours, beside, sources, driven))


def _left(
    topology: Topology,
    kept: list[int],
    neighbours: list[set[int]],
    beside: set[int],
    sources: set[int],
    driven: set[tuple[int, int]],
) -> Topology:
    """``beside`` are those that had a neighbour which is gone: each has a conductance of its own now, if it had none
    before (a source's current was an unknown beside it, say)."""
    place = {i: k for k, i in enumerate(kept)} | {NO_UNKNOWN: NO_UNKNOWN}

    def moved(device: DevicePlace) -> DevicePlace:
        def pairs(old: tuple[tuple[int, int], ...]) -> tuple[tuple[int, int], ...]:
            return tuple((place[a], place[b]) for a, b in old)

        return device._replace(ports=pairs(device.ports), flows=pairs(device.flows))

    pattern_g = {(i, j) for i in kept for j in neighbours[i]} | {(i, i) for i in kept if i in beside} | {
        pair for pair in topology.pattern_g if pair[0] in place and pair[1] in place
    }
    return Topology(
        unknowns=tuple(topology.unknowns[i] for i in kept),
        devices=tuple(moved(d) for d in topology.devices),
        pattern_c=frozenset((place[i], place[j]) for i, j in topology.pattern_c),
        pattern_g=frozenset((place[i], place[j]) for i, j in pattern_g),
        pattern_b=frozenset(place[i] for i in sources if i in place),
        pattern_input=frozenset((place[i], j) for i, j in driven if i in place),
    )
