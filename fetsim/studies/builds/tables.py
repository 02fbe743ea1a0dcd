"""Many builds as a table of raw values, and what their figures mean."""

from collections.abc import Sequence

import numpy as np

from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import OWN, Definition
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.studies.builds.asked import Figure
from fetsim.studies.builds.results import BuildFigures


def account(found: BuildFigures) -> Account:
    """A row for each build."""
    columns = (Column(key="build", heading="build"), *(figure_column(one) for one in found.figures))
    return Account(
        title=f"{len(found.labels)} builds of {found.provenance.unit}.",
        lead=(*found.provenance.told, *([conditions(found)] if conditions(found) else [])),
        tables=(
            Table(key="builds", title="Builds", columns=columns, detail=True,
                  rows=[build_row(found, row) for row in range(len(found.labels))]),
        ),
        definitions=definitions(found.figures),
    )  # fmt: skip


def figure_column(figure: Figure) -> Column:
    """The column of a figure."""
    return Column(
        key=figure.key, heading=figure.heading, unit=figure.unit, show=figure.show, meaning=figure.meaning
    )


def build_row(found: BuildFigures, row: int) -> tuple[Cell, ...]:
    """Label and figures of one build."""
    label = found.labels[row]
    reasons = found.reasons.get(label, {})
    cells: list[Cell] = [label]
    for one in found.figures:
        value = float(found.columns[one.key][row])
        why = reasons.get(one.key, reasons.get("rest", "not to be had"))
        cells.append(value if np.isfinite(value) else Missing(cause="not computed", text=why))
    return tuple(cells)


def conditions(found: BuildFigures) -> str:
    """At which tones and steps the figures were taken, in a sentence; empty where none was played."""
    groups = {one.group for one in found.figures}
    said = [f"Steady tones are of {found.curve_hz:g} Hz."] if groups & {"knee", "tone"} else []
    if found.before_dbu is not None and found.level_dbu is not None:
        said.append(
            f"Steps are of {found.step_hz:g} Hz, from {found.before_dbu:+.1f} to {found.level_dbu:+.1f} dBu and back, "
            "the same for all builds."
        )
    return " ".join(said)


def definitions(figures: Sequence[Figure]) -> tuple[Definition, ...]:
    """What each kind of figure means."""
    kinds = {one.kind: one for one in reversed(figures)}
    ordered = [kinds[kind] for kind in dict.fromkeys(one.kind for one in figures)]
    return tuple(Definition(term=one.heading, meaning=one.meaning, status=OWN) for one in ordered)
