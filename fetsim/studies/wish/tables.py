"""What comes nearest to a wish, as tables and definitions."""

from collections.abc import Mapping, Sequence

import numpy as np

from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import OWN, Definition
from fetsim.measurements.results.formats import amount, fixed, quantity
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.schematic.values import format_value
from fetsim.studies.builds.asked import Figure
from fetsim.studies.builds.tables import definitions, figure_column
from fetsim.studies.wish.record import Combination, Wish
from fetsim.studies.wish.wants import ACCEPTED_DB, ACCEPTED_SHARE, ACCEPTED_V

MOVED_V = 1e-3
"""Nodes that move by less are left out."""


def account(measured: Mapping[str, Wish]) -> Account:
    """The one wish, under whatever label."""
    (found,) = measured.values()
    wished = ", ".join(f"{one.figure.key}={one.text}" for one in found.wants)
    return Account(
        title=f"Values for a wish: {found.provenance.unit} with {wished}; quality {found.provenance.quality}.",
        lead=(*_lead(found), *([found.conditions] if found.conditions else [])),
        tables=(_wished(found), *([_elsewhere(found)] if found.elsewhere else []), *_volts(found)),
        definitions=(*DEFINITIONS, *definitions([*(one.figure for one in found.wants), *found.elsewhere])),
    )


def rows_of(found: Wish) -> list[tuple[str, Combination]]:
    """The present unit and the best, each with its label."""
    return [("as it is", found.present), *((str(rank), one) for rank, one in enumerate(found.found, start=1))]


def _lead(found: Wish) -> tuple[str, ...]:
    if found.why:
        return ("No combination of what may change meets every wish.", *found.why)
    changes = found.changes()
    quantities = {way.name: way.travel.quantity for way in found.ways}
    if not changes:
        return ("The unit meets every wish as it is.",)
    best = [(name, format_value(value, quantities[name], 4)) for name, value in changes.items()]
    met = sum(one.met for one in found.found)
    limits = " ".join(f"--limit {one.figure.key}={one.low:.4g}..{one.high:.4g}" for one in found.wants)
    given = " ".join(f"--change {name}={value.replace(' ', '')}" for name, value in best)
    return (
        f"Best: {', '.join(f'{name} {value}' for name, value in best)}; of the {len(found.found)} told, {met} "
        f"meet{'s' if met == 1 else ''} every wish.",
        f"What tolerances leave of it: fetsim spread {given} {limits}",
    )


def _wished(found: Wish) -> Table:
    label, before = rows_of(found)[0]
    aims = (
        "wanted", *(None for _ in found.ways), *(one.aim for one in found.wants), None, "",
    )  # fmt: skip
    best = rows_of(found)[1:]
    rows: list[tuple[Cell, ...]] = [
        _row(label, before, found), aims, *(_row(*one, found) for one in (*best, ("exact", found.exact)))
    ]
    return Table(
        key="wished", title="What may change, and what is wished for", rows=rows,
        columns=(
            Column(key="combination", heading=""),
            *(Column(key=way.name, heading=way.name, show=quantity(way.travel.quantity, 4)) for way in found.ways),
            *(figure_column(one.figure) for one in found.wants),
            Column(key="misfit", heading="misfit", show=fixed(2)), Column(key="meets", heading="meets all"),
        ),
        notes=tuple(
            f"{one.figure.key}: {one.figure.show(one.low)} to {one.figure.show(one.high)} {one.figure.unit}".rstrip()
            + " is accepted."
            for one in found.wants
        ),
    )  # fmt: skip


def _row(label: str, one: Combination, found: Wish) -> tuple[Cell, ...]:
    return (
        label, *(one.values[way.name] for way in found.ways), *_cells(one, [want.figure for want in found.wants]),
        one.misfit if np.isfinite(one.misfit) else None, "yes" if one.met else "no",
    )  # fmt: skip


def _cells(one: Combination, figures: Sequence[Figure]) -> list[Cell]:
    return [
        value if np.isfinite(value := one.figures[figure.key])
        else Missing(cause="not computed", text=one.reasons[figure.key])
        for figure in figures
    ]  # fmt: skip


def _elsewhere(found: Wish) -> Table:
    return Table(
        key="elsewhere", title="What it costs elsewhere",
        columns=(Column(key="combination", heading=""), *(figure_column(one) for one in found.elsewhere)),
        rows=[(label, *_cells(one, found.elsewhere)) for label, one in rows_of(found)],
    )  # fmt: skip


def _volts(found: Wish) -> list[Table]:
    """Nodes whose volts at rest move in one of the best."""
    each = rows_of(found)
    node_v = np.array([one.node_v for _, one in each])
    apart = np.nan_to_num(np.abs(node_v - node_v[0]).max(axis=0))
    moved = [k for k in np.argsort(-apart, kind="stable") if apart[k] >= MOVED_V]
    if not moved:
        return []
    return [
        Table(
            key="volts", title="Volts at rest that move",
            rows=[(found.nodes[k], *map(float, node_v[:, k])) for k in moved],
            columns=(
                Column(key="node", heading="node"),
                *(Column(key=label.replace(" ", "_"), heading=label, show=amount("volt", 4)) for label, _ in each),
            ),
        )
    ]  # fmt: skip


DEFINITIONS = (
    Definition(
        term="wanted",
        meaning="the middle of what is accepted; where nothing is said of that, "
        f"{100.0 * ACCEPTED_SHARE:g} % either way of times, frequencies, THD and ratios, {ACCEPTED_DB:g} dB of levels "
        f"and gains, {1e3 * ACCEPTED_V:g} mV of volts at rest",
        status=OWN,
    ),
    Definition(
        term="misfit",
        meaning="rms of how far the wished figures are from the middle of what is accepted, each in half the width of "
        "that: up to 1 it may be met, at 0 it is met exactly",
        status=OWN,
    ),
    Definition(
        term="exact",
        meaning="the nearest with any value of every part, found by least squares from the present values; the "
        "combinations are preferred values of IEC 60063 around it",
        status=OWN,
    ),
)
