"""Plan -> source text of one topology's solver: straight-line elimination in local variables.

Everything that depends on values comes in through two flat arrays, so the text depends on the topology alone:
``lin`` holds the linear matrices and the finished part of their elimination, ``dev`` the parameters of the devices.
Both are laid out in the order in which the text reads them (``packing.py`` fills them).

The block that changes with every Newton iteration is factored row by row (Doolittle), each entry one expression, so
that a value is written once and the text stays half as long as with updates column by column (time: the same).
The statements are kept as plain assignments ``name = expression`` that read the same in Python and C.

Names: x old state, d increment, s weighted past increments, r right side of a row; for each port w its old value,
c its increment, v the value the device is evaluated at; i, g, e a device's current, slope, linearised remainder;
l, u factors (u with one number is an input), p inverse pivot, q eliminated right side.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fetsim.engine.assembly import NO_UNKNOWN, Device, System
from fetsim.engine.plan import Pair, Plan

Slot = tuple[str, int, int]
Statement = tuple[str, str]

LIMIT_VALUES = 3
"""Numbers in ``dev`` for each limited junction's limits: critical voltage, inverse slope, quiet voltage."""


@dataclass
class Layout:
    """What stands in each place of ``lin``: (kind, row, column).

    Kinds: g, c matrices; l, u finished factors; s what the linear unknowns leave of the rest; p inverse pivots;
    b constant sources; i what an input (the column) adds to them.
    """

    slots: list[Slot] = field(default_factory=list)
    _place: dict[Slot, int] = field(default_factory=dict)

    @cached_property
    def by_kind(self) -> dict[str, NDArray[np.intp]]:
        """Kind -> place in ``lin``, row and column of each of its slots [shape=(3, slots)], once all are allotted."""
        kinds = dict.fromkeys(kind for kind, _, _ in self.slots)
        return {
            kind: np.array([(k, row, column) for k, (own, row, column) in enumerate(self.slots) if own == kind]).T
            for kind in kinds
        }

    def use(self, kind: str, row: int, column: int = 0) -> str:
        """Text that reads the value from ``lin``; allots a place at first use."""
        slot = (kind, row, column)
        if slot not in self._place:
            self._place[slot] = len(self.slots)
            self.slots.append(slot)
        return f"lin[{self._place[slot]}]"


@dataclass(frozen=True)
class PortText:
    """One port of one device."""

    number: int
    pair: Pair
    tolerance: str
    limits: int | None
    """Place of the junction's limits in ``dev``; None for a port without exponential."""
    quiet: str | None
    """Voltage below which the port need not meet the tolerance."""
    bend: str | None
    """Voltage beyond which a change of its sign shortens the Newton step."""


@dataclass(frozen=True, kw_only=True)
class DeviceText:
    """One device's share of the Newton iteration."""

    name: str
    kind: str
    ports: list[PortText]
    arguments: list[tuple[int, str]]
    """(place among all exponentials, expression of its argument)."""
    function: str
    inputs: list[str]
    memory: list[str]
    """What a law with memory takes besides."""
    results: list[str]
    accept: str
    """Text of the call that writes its memory; empty for a device without."""


@dataclass(frozen=True, kw_only=True)
class SolverText:
    """All statements of a stage, in order."""

    old_states: list[int]
    past_states: list[int]
    linear_rows: list[Statement]
    core_rows: list[Statement]
    devices: list[DeviceText]
    equivalents: list[Statement]
    factor: list[Statement]
    solve: list[Statement]
    backward: list[Statement]
    inputs: list[int]
    layout: Layout

    @property
    def junction_count(self) -> int:
        return sum(len(d.arguments) for d in self.devices)


def solver_text(system: System, plan: Plan, noisy: tuple[int, ...] = ()) -> SolverText:
    """Write all statements for one topology. ``noisy`` rows have an input of their own each, behind the others."""
    lin = Layout()
    n, inputs = system.size, len(system.inputs)
    disturbs = {row: f"u{inputs + k}" for k, row in enumerate(noisy)}
    rows = [(f"r{i}", _right_side(plan, lin, i, disturbs.get(i, ""))) for i in range(n)]
    devices, flows = _devices(system.devices, plan)
    equivalents = [
        (f"e{flow.current[1:]}", flow.current + "".join(f" - {g} * c{port}" for _, port, g in flow.slopes))
        for flow in flows
    ]
    factor = _factor(plan, lin, flows)
    solve = []
    for k in reversed(range(plan.linear, n)):
        solve.append((f"d{k}", f"(q{k}{''.join(f' - u{k}_{j} * d{j}' for j in plan.upper[k])}) * p{k}"))
    backward = []
    for k in reversed(range(plan.linear)):
        terms = "".join(f" - {lin.use('u', k, j)} * d{j}" for j in plan.upper[k])
        backward.append((f"d{k}", f"(r{k}{terms}) * {lin.use('p', k)}"))
    return SolverText(
        old_states=sorted({j for row in plan.pattern_g for j in row} | set(range(plan.linear, n))),
        past_states=sorted({j for row in plan.pattern_c for j in row}),
        linear_rows=rows[: plan.linear],
        core_rows=rows[plan.linear :],
        devices=devices,
        equivalents=equivalents,
        factor=factor,
        solve=solve,
        backward=backward,
        inputs=[*sorted({k for row in plan.pattern_input for k in row}), *range(inputs, inputs + len(noisy))],
        layout=lin,
    )


def difference(letter: str, pair: Pair) -> str:
    """Text of the difference of two unknowns, either of which may be ground."""
    plus, minus = pair
    if plus == NO_UNKNOWN:
        return f"-{letter}{minus}"
    return f"{letter}{plus}" if minus == NO_UNKNOWN else f"{letter}{plus} - {letter}{minus}"


def python_source(text: SolverText, system: System, plan: Plan) -> str:
    """The stage function as Python source, to be compiled by numba."""
    n = system.size
    ports = [port for d in text.devices for port in d.ports]
    lines = [
        f"def stage({', '.join(STAGE_ARGUMENTS)}):",
        *(f"    x{k} = x[{k}]" for k in text.old_states),
        *(f"    s{k} = s[{k}]" for k in text.past_states),
        *(f"    d{k} = d[{k}]" for k in range(plan.linear, n)),
        *(f"    u{k} = u[{k}]" for k in text.inputs),
        "    # right sides, with the linear unknowns eliminated",
        *_assign(text.linear_rows + text.core_rows, 1),
        *(f"    w{p.number} = {difference('x', p.pair)}" for p in ports),
        *(f"    c{p.number} = {difference('d', p.pair)}" for p in ports),
        "    iterations = 0",
        "    while True:",
    ]
    for device in text.devices:
        lines.append(f"        # {device.name} ({device.kind})")
        for p in device.ports:
            v, c, w = f"v{p.number}", f"c{p.number}", f"w{p.number}"
            lines.append(f"        {v} = {w} + {c}")
            if p.limits is not None:
                k = p.limits
                lines += [
                    f"        rise = ({v} - max(v[{p.number}], dev[{k}])) * dev[{k + 1}]",
                    "        if any_lane(rise > FREE_SLOPES):",
                    f"            {v} = limited(max(v[{p.number}], dev[{k}]), rise, dev[{k + 1}])",
                    f"            {c} = select(rise > FREE_SLOPES, {v} - {w}, {c})",
                    f"            {v} = {w} + {c}",
                ]
        lines += [f"        arg[{k}] = {expression}" for k, expression in device.arguments]
    lines.append("        exponentials(arg)")
    for device in text.devices:
        called = [*device.inputs, *device.memory]
        lines.append(f"        {', '.join(device.results)} = {device.function}({', '.join(called)})")
    lines += [
        *_assign(text.equivalents + text.factor + text.solve, 2),
    ]
    conditions: list[str] = []
    for p in ports:
        t, v, c, w = f"t{p.number}", f"v{p.number}", f"c{p.number}", f"w{p.number}"
        near = f"(abs({t} - {c}) <= tolerance * {p.tolerance})"
        quiet = "" if p.quiet is None else f" | (max({v}, {w} + {t}) <= {p.quiet})"
        so_far = f"done & ({near}{quiet})" if conditions else f"{near}{quiet}"
        conditions += [f"        {t} = {difference('d', p.pair)}", f"        done = {so_far}"]
    lines += [
        *(conditions or ["        done = True"]),
        "        iterations += 1",
        "        if all_lanes(done) | (iterations >= max_iterations):",
        "            break",
        "        # a lane that is done starts again where it did, and so comes to the same end",
        *(f"        v[{p.number}] = v{p.number}" for p in ports),
        *(f"        c{p.number} = select(done, c{p.number}, t{p.number})" for p in ports),
        *_shortening(ports),
        "    done = done & (iterations <= max_iterations)",
        *_assign(text.backward, 1),
        *(f"    d[{k}] = d{k}" for k in range(n)),
        *(f"    v[{p.number}] = w{p.number} + t{p.number}" for p in ports),
        "    failed[0] = select(done, 0.0, 1.0)",
        "    return iterations if all_lanes(done) else -1",
        "",
    ]
    return "\n".join(lines)


def _shortening(ports: list[PortText]) -> list[str]:
    """Before an iteration but the first, where any port has a bend (``numeric.step_share``)."""
    lines: list[str] = []
    for p in ports:
        if p.bend is not None:
            old, new = f"v{p.number}", f"(w{p.number} + c{p.number})"
            share = f"{old} / select(turns, {old} - {new}, 1.0)"
            lines += [
                f"        turns = ({old} * {new} < 0.0) & (abs({old}) > {p.bend})",
                f"        share = select(turns, {f'min(share, {share})' if lines else share}, "
                f"{'share' if lines else '1.0'})",
            ]
    if not lines:
        return []
    return [
        *lines,
        "        if any_lane(share < 1.0):",
        *(
            f"            c{p.number} = select(share < 1.0, (1.0 - share) * (v{p.number} - w{p.number})"
            f" + share * c{p.number}, c{p.number})"
            for p in ports
        ),
    ]


def accept_source(text: SolverText) -> str:
    """The function that is called when a step is accepted: lets the devices that have a memory write it."""
    calls = [f"    {d.accept}" for d in text.devices if d.accept]
    return "\n".join([f"def accept({', '.join(ACCEPT_ARGUMENTS)}):", *calls, "    return 0", ""])


STAGE_ARGUMENTS = ("lin", "dev", "memory", "x", "s", "d", "v", "arg", "failed", "u", "tolerance", "max_iterations")
"""Arrays first, then scalars; the same for every topology."""
ACCEPT_ARGUMENTS = ("dev", "memory", "v")


def unknown_list(system: System, plan: Plan) -> str:
    """The unknowns by their number in the text, for its head."""
    rows = [f"  {k:3d}  {system.unknowns[i]}" for k, i in enumerate(plan.order)]
    return "\n".join([*rows, f"The first {plan.linear} are linear and eliminated beforehand."])


def _right_side(plan: Plan, lin: Layout, i: int, disturbs: str) -> str:
    plus = [f"{lin.use('c', i, j)} * s{j}" for j in plan.pattern_c[i]]
    minus = [f"{lin.use('g', i, j)} * x{j}" for j in plan.pattern_g[i]]
    minus += [f"{lin.use('l', i, k)} * r{k}" for k in range(min(i, plan.linear)) if i in plan.lower[k]]
    if i in plan.sources:
        driven = "".join(f" + {lin.use('i', i, k)} * u{k}" for k in plan.pattern_input[i])
        plus = [f"{lin.use('b', i)}{driven}", *plus]
    if disturbs:
        plus = [disturbs, *plus]
    return (" + ".join(plus) or "0.0") + "".join(f" - {term}" for term in minus)


@dataclass(frozen=True)
class _Flow:
    pair: Pair
    current: str
    slopes: list[tuple[Pair, int, str]]
    """For each port it depends on: the port's unknowns, its number, the name of the derivative."""


def _devices(devices: tuple[Device, ...], plan: Plan) -> tuple[list[DeviceText], list[_Flow]]:
    texts: list[DeviceText] = []
    flows: list[_Flow] = []
    limit_place = sum(len(d.bound.parameters) + 2 * len(d.junctions) for d in devices)
    tolerance_place = limit_place + LIMIT_VALUES * sum(j.limited for d in devices for j in d.junctions)
    bend_place = tolerance_place + sum(len(d.ports) for d in devices)
    flat_place = bend_place + sum(len(d.law.bends) for d in devices)
    place, port, junction, kept = 0, 0, 0, 0
    for number, (device, pairs, flow_pairs) in enumerate(zip(devices, plan.ports, plan.flows, strict=True)):
        names = [f"v{port + k}" for k in range(len(pairs))]
        parameters = [f"dev[{place + k}]" for k in range(len(device.bound.parameters))]
        place += len(parameters)
        memory = ["memory", str(kept)] if device.law.memory else []
        accept = "" if device.law.accept is None else _call(
            device.law.accept, [*(f"v[{port + k}]" for k in range(len(pairs))), *parameters, *memory]
        )
        kept += device.law.memory
        exps, arguments = [], []
        limits: dict[int, int] = {}
        for j in device.junctions:
            v = names[j.port] if not j.has_offset else f"({names[j.port]} - dev[{place + 1}])"
            arguments.append((junction, f"-abs({v}) * dev[{place}]" if j.falls else f"{v} * dev[{place}]"))
            exps.append(f"arg[{junction}]")
            place, junction = place + 2, junction + 1
            if j.limited:
                limits[j.port] = limit_place
                limit_place += LIMIT_VALUES
        quiet = {k: f"dev[{limit + 2}]" for k, limit in limits.items()}
        bends = {bend.port: f"dev[{bend_place + k}]" for k, bend in enumerate(device.law.bends)}
        quiet |= {flat.port: f"dev[{flat_place + k}]" for k, flat in enumerate(device.law.flats)}
        bend_place, flat_place = bend_place + len(device.law.bends), flat_place + len(device.law.flats)
        results: list[str] = []
        for k, (pair, depends) in enumerate(zip(flow_pairs, device.law.depends, strict=True)):
            slopes = [(pairs[p], port + p, f"g{number}_{k}_{p}") for p in depends]
            flows.append(_Flow(pair, f"i{number}_{k}", slopes))
            results += [f"i{number}_{k}", *(slope for _, _, slope in slopes)]
        texts.append(
            DeviceText(
                name=device.name,
                kind=device.kind,
                ports=[
                    PortText(
                        port + k, pair, f"dev[{tolerance_place + port + k}]", limits.get(k), quiet.get(k), bends.get(k)
                    )
                    for k, pair in enumerate(pairs)
                ],
                arguments=arguments,
                function=device.law.function.__name__,
                inputs=[*names, *exps, *parameters],
                memory=memory,
                results=results,
                accept=accept,
            )
        )
        port += len(pairs)
    return texts, flows


def _call(function: Callable[..., None], arguments: list[str]) -> str:
    return f"{function.__name__}({', '.join(arguments)})"


def _factor(plan: Plan, lin: Layout, flows: list[_Flow]) -> list[Statement]:
    """Rows of the nonlinear block: constant part, devices' linearisation, elimination, each entry once.

    A flow i(v) linearised at its ports' increments c is (i - g c) + g d: the first part goes to the right side.
    """
    right: dict[int, list[str]] = {i: [f"r{i}"] for i in range(plan.linear, len(plan.order))}
    matrix: dict[Pair, list[str]] = {pair: [lin.use("s", *pair)] for pair in plan.core_entries}
    for flow in flows:
        for row, sign in zip(flow.pair, (1, -1), strict=True):
            if row == NO_UNKNOWN:
                continue
            right[row].append(f"{'-' if sign > 0 else '+'} e{flow.current[1:]}")
            for port, _, slope in flow.slopes:
                for column, side in zip(port, (1, -1), strict=True):
                    if column != NO_UNKNOWN:
                        matrix[row, column].append(f"{'+' if sign * side > 0 else '-'} {slope}")
    statements: list[Statement] = []
    columns: dict[int, list[int]] = {i: [] for i in right}
    for i, j in plan.core_entries:
        columns[i].append(j)
    for i, row_columns in columns.items():
        below = [k for k in row_columns if k < i]
        for j in row_columns:
            done = [k for k in below if k < j and j in plan.upper[k]]
            expression = " ".join(matrix[i, j]) + "".join(f" - l{i}_{k} * u{k}_{j}" for k in done)
            if j < i:
                statements.append((f"l{i}_{j}", f"({expression}) * p{j}"))
            else:
                statements.append((f"u{i}_{j}", expression))
        statements.append((f"p{i}", f"1.0 / u{i}_{i}"))
        eliminated = "".join(f" - l{i}_{k} * q{k}" for k in below)
        statements.append((f"q{i}", " ".join(right[i]) + eliminated))
    return statements


def _assign(statements: list[Statement], depth: int) -> list[str]:
    return [f"{'    ' * depth}{name} = {expression}" for name, expression in statements]
