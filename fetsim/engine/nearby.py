"""State at rest from a state near it, the bias of another set of values: Newton's method on arrays.

Devices of one law are evaluated together, and where their currents and slopes go in the matrix is worked out once for
each topology, so that an iteration costs little more than its linear solution. Junctions are limited as in ``numeric``.
The result is the limit of Newton's method: two starts that both lead there differ by rounding alone.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import accumulate

import numpy as np
from numpy.typing import NDArray

from fetsim.devices.kinds import KINDS
from fetsim.devices.law import LARGEST_ARGUMENT, Law
from fetsim.engine.assembly import Array, Device, System, Topology
from fetsim.engine.numeric import FREE_SLOPES, step_share

MOST_ITERATIONS = 40
"""Four to six are usual; a start that needs more than this lies not near."""
ROUNDING_V, STUCK = 1e-5, 2
"""Steps no longer than this of which so many in a row have not come to half of the one before are rounding. The
contacts that join the control nodes of a pair have 100 S, so that 4 V there round by 6e-14 A in each node's sum, which
is 2e-8 V at nodes of 400 kohm."""

Places = NDArray[np.intp]


def rest_nearby(system: System, right: Array, start: Array, tolerance_v: float) -> Array | None:
    """The state [shape=(n,)] with G x + i(x) = ``right``, or None where Newton's method does not lead there.

    The last step is within ``tolerance_v`` at every port, and what it leaves goes with its square; or it is as short as
    rounding lets it be (``ROUNDING_V``), and so is what it leaves.
    """
    places, n = _places(system.topology), system.size
    values = _Values(system.devices, places)
    x = start
    before = places.port_voltages(x)
    longest_before, stuck = np.inf, 0
    with np.errstate(all="ignore"):  # what overshoots is found out below
        for _ in range(MOST_ITERATIONS):
            now = places.port_voltages(x)
            at, held = values.limited(now, before)
            results = values.results(at)
            slopes = results[places.slope]
            currents = results[places.current] + np.bincount(
                places.slope_flow, slopes * (now - at)[places.slope_port], len(places.current)
            )
            leaving = np.bincount(places.row, places.row_sign * currents[places.row_flow], n + 1)[:n]
            jacobian = np.bincount(places.entry, places.entry_sign * slopes[places.entry_slope], (n + 1) ** 2)
            try:
                step = np.linalg.solve(
                    system.g + jacobian.reshape(n + 1, n + 1)[:n, :n], right - system.g @ x - leaving
                )
            except np.linalg.LinAlgError:
                return None
            x = x + step
            before = at
            if not np.isfinite(x).all():
                return None
            longest = np.max(np.abs(places.port_voltages(x) - at) / values.tolerances, initial=0.0)
            is_rounding = longest <= ROUNDING_V and longest > longest_before / 2.0
            stuck = stuck + 1 if is_rounding else 0
            if not held and (longest <= tolerance_v or stuck >= STUCK):
                return x
            longest_before = longest
    return None


@dataclass(frozen=True)
class _Group:
    """Devices of one law."""

    law: Law
    devices: tuple[int, ...]
    ports: Places
    """Of each among all ports [shape=(ports, devices)]."""
    junctions: Places
    """Of each among all junctions [shape=(junctions, devices)]."""


@dataclass(frozen=True)
class _Places:
    """Where everything stands in one topology; the results of all laws are one vector, group by group."""

    groups: tuple[_Group, ...]
    results: int
    """How many there are."""
    plus: Places
    """Unknown of each port, the one after the last for ground,"""
    minus: Places
    junction_port: Places
    current: Places
    """Of each flow among the results."""
    slope: Places
    """Each derivative among the results,"""
    slope_flow: Places
    """the flow that it belongs to,"""
    slope_port: Places
    """and the port."""
    row: Places
    row_flow: Places
    row_sign: Array
    entry: Places
    entry_slope: Places
    entry_sign: Array

    def port_voltages(self, x: Array) -> Array:
        """Across every port at ``x`` [shape=(ports,)]."""
        grounded = np.append(x, 0.0)
        return grounded[self.plus] - grounded[self.minus]


class _Values:
    """What the devices of one system put into the places of its topology."""

    def __init__(self, devices: tuple[Device, ...], places: _Places) -> None:
        self._places = places
        self.tolerances = np.array([tolerance for d in devices for tolerance in d.bound.tolerances])
        junctions = [(j.inv_slope_per_v, j.offset_v, j.critical_v, j.falls) for d in devices for j in d.junctions]
        self._inv_slope, self._offset, self._critical, falls = np.array(junctions).reshape(-1, 4).T
        self._falls = falls > 0.0
        first_ports = accumulate((len(d.ports) for d in devices), initial=0)
        self._bends = [
            (first + bend.port, scale_v)
            for d, first in zip(devices, first_ports, strict=False)
            for bend, scale_v in zip(d.law.bends, d.bound.bend_scales_v, strict=True)
        ]
        self._parameters = [
            np.array([devices[k].bound.parameters for k in group.devices]).T for group in places.groups
        ]

    def limited(self, now: Array, before: Array) -> tuple[Array, bool]:
        """Port voltages at which to evaluate, and whether the step or any junction is held back (``numeric``)."""
        share = min((step_share(now[k], before[k], scale_v) for k, scale_v in self._bends), default=1.0)
        if share < 1.0:
            now = before + share * (now - before)
        own = self._places.junction_port
        start = np.maximum(before[own], self._critical)
        rise = (now[own] - start) * self._inv_slope
        held = rise > FREE_SLOPES
        if not held.any():
            return now, share < 1.0
        at = now.copy()
        back = start + (FREE_SLOPES + np.log(rise - (FREE_SLOPES - 1.0))) / self._inv_slope
        at[own[held]] = back[held]
        return at, True

    def results(self, at: Array) -> Array:
        """Currents and derivatives of all devices."""
        arguments = (at[self._places.junction_port] - self._offset) * self._inv_slope
        arguments = np.where(self._falls, -np.abs(arguments), arguments)
        exponentials = np.exp(np.minimum(arguments, LARGEST_ARGUMENT))
        found = np.empty(self._places.results)
        first = 0
        for group, parameters in zip(self._places.groups, self._parameters, strict=True):
            nothing = (np.zeros((group.law.memory, len(group.devices))), 0) if group.law.memory else ()
            for one in group.law.function(*at[group.ports], *exponentials[group.junctions], *parameters, *nothing):
                found[first : first + len(group.devices)] = one
                first += len(group.devices)
        return found


@lru_cache(maxsize=64)
def _places(topology: Topology) -> _Places:
    n = len(topology.unknowns)
    first_port = np.cumsum([0, *(len(d.ports) for d in topology.devices)])
    first_junction = np.cumsum([0, *(len(d.junctions) for d in topology.devices)])
    by_law: dict[int, list[int]] = {}
    for k, device in enumerate(topology.devices):
        by_law.setdefault(id(KINDS[device.kind].law), []).append(k)
    groups: list[_Group] = []
    currents: list[int] = []
    slopes: list[tuple[int, int, int]] = []
    rows: list[tuple[int, int, float]] = []
    entries: list[tuple[int, int, float]] = []
    place = 0
    for members in by_law.values():
        law = KINDS[topology.devices[members[0]].kind].law
        assert law is not None
        groups.append(
            _Group(
                law, tuple(members),
                np.array([[first_port[k] + port for k in members] for port in range(len(law.ports))], dtype=np.intp),
                np.array(
                    [[first_junction[k] + j for k in members] for j in range(len(law.junctions))], dtype=np.intp
                ).reshape(len(law.junctions), len(members)),
            )
        )  # fmt: skip
        for number, depends in enumerate(law.depends):
            for among, k in enumerate(members):
                start, end = topology.devices[k].flows[number]
                rows += [(start % (n + 1), len(currents), 1.0), (end % (n + 1), len(currents), -1.0)]
                for after, port in enumerate(depends, start=1):
                    plus, minus = topology.devices[k].ports[port]
                    entries += [
                        (row % (n + 1) * (n + 1) + column % (n + 1), len(slopes), sign * side)
                        for row, sign in ((start, 1.0), (end, -1.0))
                        for column, side in ((plus, 1.0), (minus, -1.0))
                    ]
                    slopes.append((place + after * len(members) + among, len(currents), first_port[k] + port))
                currents.append(place + among)
            place += (1 + len(depends)) * len(members)
    ports = [pair for d in topology.devices for pair in d.ports]
    junction_ports = [
        first_port[k] + port for k, device in enumerate(topology.devices) for port, _ in device.junctions
    ]

    def columns(table: Sequence[tuple[int, int, float]]) -> tuple[Places, Places, Array]:
        first, second, third = np.array(table, dtype=np.float64).reshape(-1, 3).T
        return first.astype(np.intp), second.astype(np.intp), third

    ends = np.array(ports, dtype=np.intp).reshape(-1, 2) % (n + 1)
    slope, slope_flow, slope_port = columns(slopes)
    row, row_flow, row_sign = columns(rows)
    entry, entry_slope, entry_sign = columns(entries)
    return _Places(
        groups=tuple(groups), results=place, plus=ends[:, 0], minus=ends[:, 1],
        junction_port=np.array(junction_ports, dtype=np.intp), current=np.array(currents, dtype=np.intp),
        slope=slope, slope_flow=slope_flow, slope_port=slope_port.astype(np.intp),
        row=row, row_flow=row_flow, row_sign=row_sign,
        entry=entry, entry_slope=entry_slope, entry_sign=entry_sign,
    )  # fmt: skip
