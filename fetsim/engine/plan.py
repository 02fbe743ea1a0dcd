"""Topology -> plan of the elimination: which unknown is eliminated when, and which entries that fills.

Unknowns that no nonlinear device touches come first: their part of the elimination depends on values only and is done
once per set of values. The rest is eliminated again in every Newton iteration, in an order of least degree
(Markowitz 1957; Tinney and Walker 1967), so that a circuit of 60 unknowns costs a few hundred multiply-adds.
The pattern is symmetric by construction (the union with its transpose), pivots stay on the diagonal.
"""

from dataclasses import dataclass

from fetsim.engine.assembly import NO_UNKNOWN, System

Pair = tuple[int, int]


@dataclass(frozen=True, kw_only=True)
class Plan:
    """Elimination in order of position; all indices below are positions, not the system's own numbering."""

    order: tuple[int, ...]
    """Position -> index of the unknown in the system."""
    linear: int
    """Positions 0..linear-1 are eliminated once per set of values."""
    upper: tuple[tuple[int, ...], ...]
    """For each position, the later positions that its row holds when it is eliminated (fill included)."""
    pattern_g: tuple[tuple[int, ...], ...]
    """For each row, the columns of G."""
    pattern_c: tuple[tuple[int, ...], ...]
    sources: tuple[int, ...]
    """Rows with a source term."""
    pattern_input: tuple[tuple[int, ...], ...]
    """For each row, the inputs that act on it."""
    ports: tuple[tuple[Pair, ...], ...]
    """For each device, the positions of its ports (-1 is ground)."""
    flows: tuple[tuple[Pair, ...], ...]
    core_entries: tuple[Pair, ...]
    """All entries of the nonlinear block, fill included, row by row."""


def make_plan(system: System) -> Plan:
    """Order the unknowns of ``system`` and work out the fill."""
    n = system.size
    stamped = {
        (row, column)
        for d in system.devices
        for flow, depends in zip(d.flows, d.law.depends, strict=True)
        for row in flow
        for port in depends
        for column in d.ports[port]
        if row != NO_UNKNOWN and column != NO_UNKNOWN
    }
    touched = {i for pair in stamped for i in pair}
    neighbours: list[set[int]] = [set() for _ in range(n)]
    for i, j in system.pattern_c | system.pattern_g | stamped:
        if i != j:
            neighbours[i].add(j)
            neighbours[j].add(i)

    order: list[int] = []
    upper_by_index: dict[int, set[int]] = {}
    for group in (set(range(n)) - touched, touched):
        remaining = set(group)
        while remaining:
            best = min(remaining, key=lambda i: (len(neighbours[i]), i))
            remaining.remove(best)
            order.append(best)
            reach = neighbours[best]
            upper_by_index[best] = set(reach)
            for i in reach:
                neighbours[i] |= reach
                neighbours[i] -= {i, best}
    position = {index: k for k, index in enumerate(order)}
    position[NO_UNKNOWN] = NO_UNKNOWN

    def rows(pattern: frozenset[Pair]) -> tuple[tuple[int, ...], ...]:
        lists: list[list[int]] = [[] for _ in range(n)]
        for i, j in pattern:
            lists[position[i]].append(position[j])
        return tuple(tuple(sorted(columns)) for columns in lists)

    def moved(pairs: tuple[Pair, ...]) -> tuple[Pair, ...]:
        return tuple((position[a], position[b]) for a, b in pairs)

    upper = tuple(tuple(sorted(position[j] for j in upper_by_index[i])) for i in order)
    linear = n - len(touched)
    entries = {(k, k) for k in range(linear, n)}
    for k in range(linear, n):
        entries |= {(k, j) for j in upper[k]} | {(j, k) for j in upper[k]}
    return Plan(
        order=tuple(order),
        linear=linear,
        upper=upper,
        pattern_g=rows(system.pattern_g),
        pattern_c=rows(system.pattern_c),
        sources=tuple(sorted(position[i] for i in system.pattern_b)),
        pattern_input=tuple(tuple(sorted(k for row, k in system.pattern_input if row == i)) for i in order),
        ports=tuple(moved(d.ports) for d in system.devices),
        flows=tuple(moved(d.flows) for d in system.devices),
        core_entries=tuple(sorted(entries)),
    )
