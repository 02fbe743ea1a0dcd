"""Nodes that only resistors meet are taken out before time stepping: an exact star-mesh transformation.

A node without capacitance and without a nonlinear device obeys an algebraic equation, the same at every step size, so
eliminating it changes nothing but the number of unknowns (61 to 47 on the Dunlin, 7 % of the time). Only nodes
with at most three neighbours go, which never adds conductances. Their voltages are rebuilt from their neighbours.
"""

from dataclasses import dataclass, replace

import numpy as np

from fetsim.engine.assembly import NO_UNKNOWN, Array, Device, System

MOST_NEIGHBOURS = 3


@dataclass(frozen=True, kw_only=True)
class Reduced:
    """The smaller system, and x_full = expand x + constant + per_input u."""

    system: System
    kept: Array
    """Indices of the kept unknowns in the full system [int]."""
    expand: Array
    constant: Array
    per_input: Array


def reduce_resistive(system: System) -> Reduced:
    """Eliminate the resistive nodes of ``system``."""
    n = system.size
    fixed = {i for d in system.devices for pair in (*d.ports, *d.flows) for i in pair if i != NO_UNKNOWN}
    fixed |= {i for pair in system.pattern_c for i in pair}
    neighbours: list[set[int]] = [set() for _ in range(n)]
    for i, j in system.pattern_g:
        if i != j:
            neighbours[i].add(j)
            neighbours[j].add(i)
    g, b, b_input = system.g.copy(), system.b.copy(), system.b_input.copy()
    sources = set(system.pattern_b)
    gone: list[int] = []
    while True:
        choices = [
            i for i in range(n) if i not in fixed and i not in gone and 0 < len(neighbours[i]) <= MOST_NEIGHBOURS
        ]
        if not choices or len(gone) == n - 1:
            break
        k = min(choices, key=lambda i: (len(neighbours[i]), i))
        around = sorted(neighbours[k])
        factor = g[around, k] / g[k, k]
        g[np.ix_(around, around)] -= np.outer(factor, g[k, around])
        b[around] -= factor * b[k]
        b_input[around] -= factor * b_input[k]
        if k in sources:
            sources |= set(around)
        for i in around:
            neighbours[i] |= set(around)
            neighbours[i] -= {i, k}
        gone.append(k)
    expand, constant, per_input = np.eye(n), np.zeros(n), np.zeros(n)
    for k in reversed(gone):
        around = [j for j in range(n) if j != k and g[k, j] != 0.0 and j not in gone[: gone.index(k)]]
        expand[k] = -(g[k, around] / g[k, k]) @ expand[around]
        constant[k] = (b[k] - g[k, around] @ constant[around]) / g[k, k]
        per_input[k] = (b_input[k] - g[k, around] @ per_input[around]) / g[k, k]
    kept = np.array([i for i in range(n) if i not in gone])
    return Reduced(
        system=_smaller(replace(system, g=g, b=b, b_input=b_input), kept, neighbours, sources),
        kept=kept,
        expand=expand[:, kept],
        constant=constant,
        per_input=per_input,
    )


def _smaller(system: System, kept: Array, neighbours: list[set[int]], sources: set[int]) -> System:
    place = {int(i): k for k, i in enumerate(kept)} | {NO_UNKNOWN: NO_UNKNOWN}

    def moved(device: Device) -> Device:
        def pairs(old: tuple[tuple[int, int], ...]) -> tuple[tuple[int, int], ...]:
            return tuple((place[a], place[b]) for a, b in old)

        return replace(device, ports=pairs(device.ports), flows=pairs(device.flows))

    grid = np.ix_(kept, kept)
    pattern_g = {(i, j) for i in place if i != NO_UNKNOWN for j in neighbours[i]} | {
        pair for pair in system.pattern_g if pair[0] in place and pair[1] in place
    }
    unknowns = tuple(system.unknowns[i] for i in kept)
    return System(
        unknowns=unknowns,
        c=system.c[grid],
        g=system.g[grid],
        b=system.b[kept],
        b_input=system.b_input[kept],
        devices=tuple(moved(d) for d in system.devices),
        pattern_c=frozenset((place[i], place[j]) for i, j in system.pattern_c),
        pattern_g=frozenset((place[i], place[j]) for i, j in pattern_g),
        pattern_b=frozenset(place[i] for i in sources if i in place),
        index={name: k for k, name in enumerate(unknowns)},
    )
