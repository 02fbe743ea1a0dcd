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
from fetsim.studies.spread.analysis import CONFIDENCE, PERCENTS
from fetsim.studies.trims.travel import Travel
from fetsim.studies.wish.foretold import Foretold
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
        tables=(
            _wished(found), *_foretold(found), *_trims(found), *([_elsewhere(found)] if found.elsewhere else []),
            *_volts(found),
        ),
        definitions=(*DEFINITIONS, *definitions([*(one.figure for one in found.wants), *found.elsewhere])),
    )


def rows_of(found: Wish) -> list[tuple[str, Combination]]:
    """The present unit and the best, each with its label."""
    return [("as it is", found.present), *((str(rank), one) for rank, one in enumerate(found.found, start=1))]


def _lead(found: Wish) -> tuple[str, ...]:
    if found.why:
        return ("No combination of what may change meets every wish.", *found.why)
    changes = found.changes()
    if not changes:
        return ("The unit meets every wish as it is.",)
    best = [(name, _value(found, name, value)) for name, value in changes.items()]
    met, first = sum(one.met for one in found.found), found.found[0].foretold
    limits = " ".join(f"--limit {one.figure.key}={one.low:.4g}..{one.high:.4g}" for one in found.wants)
    given = " ".join(f"--change {name}={value.replace(' ', '')}" for name, value in best)
    trims = "".join((" --trims" if found.trims else "", " --tone-steps" if found.tone_steps else ""))
    left = [] if first is None else [
        f"Of {first.builds} builds of it, tolerances leave {100.0 * first.meets.share:.0f} % that meet every wish "
        f"(between {100.0 * first.meets.low:.0f} and {100.0 * first.meets.high:.0f} %, with {100.0 * CONFIDENCE:g} % "
        "confidence)."
    ]  # fmt: skip
    return (
        f"Best: {', '.join(f'{name} {value}' for name, value in best)}; of the {len(found.found)} told, {met} "
        f"meet{'s' if met == 1 else ''} every wish.",
        *left,
        f"More of that: fetsim spread{trims} {given} {limits}",
    )


def _value(found: Wish, name: str, value: float) -> str:
    """As a change is written."""
    quantity_of = {way.name: way.travel.quantity for way in found.ways}.get(name)
    if quantity_of is None:
        quantity_of = Travel.of(found.unit, name).quantity  # a trim
    return format_value(value, quantity_of, 4)


TRIMS_AS_THEY_STAND = "; their trims stand as in the file, where --trims sets those of each build first"


def _foretold(found: Wish) -> list[Table]:
    """Percentiles of the wished figures over builds of each combination."""
    had = [(str(rank), one.foretold) for rank, one in enumerate(found.found, start=1) if one.foretold is not None]
    if not had:
        return []
    rows: list[tuple[Cell, ...]] = [
        (label, *(_band(want.figure, one) for want in found.wants),
         *(100.0 * share for share in (one.meets.share, one.meets.low, one.meets.high)))
        for label, one in had
    ]  # fmt: skip
    low, high = min(PERCENTS), max(PERCENTS)
    return [
        Table(
            key="foretold", title="What tolerances leave of it", rows=rows,
            columns=(
                Column(key="combination", heading=""),
                *(Column(key=want.figure.key, heading=f"{want.figure.heading} {want.figure.unit}".rstrip())
                  for want in found.wants),
                Column(key="meets_percent", heading="meets all", unit="%", show=fixed(0)),
                Column(key="at_least_percent", heading="at least", unit="%", show=fixed(0)),
                Column(key="at_most_percent", heading="at most", unit="%", show=fixed(0)),
            ),
            notes=(
                f"{low:g}th to {high:g}th percentile of {had[0][1].builds} builds each, seed {found.seed}"
                f"{'; their trims set first' if found.trims else TRIMS_AS_THEY_STAND}.",
            ),
        )
    ]  # fmt: skip


def _band(figure: Figure, one: Foretold) -> str:
    values = one.summaries[figure.key].percentiles
    ends = [values[PERCENTS.index(percent)] for percent in (min(PERCENTS), max(PERCENTS))]
    return "-" if None in ends else " to ".join(figure.show(end) for end in ends if end is not None)


def _trims(found: Wish) -> list[Table]:
    """Where the trims stand in each combination."""
    names = list(dict.fromkeys(name for _, one in rows_of(found) for name in one.trims))
    if not names:
        return []
    return [
        Table(
            key="trims", title="Trims, set for each",
            rows=[(label, *(one.trims.get(name) for name in names)) for label, one in rows_of(found)],
            columns=(
                Column(key="combination", heading=""),
                *(Column(key=name, heading=name, show=quantity(Travel.of(found.unit, name).quantity, 4))
                  for name in names),
            ),
            notes=tuple(
                f"{label}: {step}: {why}." for label, one in rows_of(found) for step, why in one.missed.items()
            ),
        )
    ]  # fmt: skip


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
