"""Sensitivities as tables: what moves each figure most, what each value does, what the volts hang on."""

from collections.abc import Mapping

import numpy as np

from fetsim.measurements.distortion.tables import VERSION
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import LAW, Definition
from fetsim.measurements.results.formats import Format, amount, general
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.measurements.sensitivity.procedure import SensitivityMeasurement, SmallFigure
from fetsim.rig.gain_cell import REFERENCE_HZ

LARGEST, LARGEST_VOLTS = 8, 3
SHARE = 0.01
"""More of a value, for which a table tells the move."""
NOTHING = 1e-6
"""A smaller move, in dB or V, or as a share of hertz, is not told."""
SIGNED: Format = "{:+.3g}".format
FIGURES = {
    "gain": ("gain", "dB"), "low_corner": ("low corner", "Hz"), "high_corner": ("high corner", "Hz"),
    "loss": ("loss at rest", "dB"), "gate": ("gate at rest", "mV"),
}  # fmt: skip
"""Key -> heading, unit of its moves."""


def account(measured: Mapping[str, SensitivityMeasurement]) -> Account:
    """Label of the version -> measurement."""
    first = next(iter(measured.values()))
    return Account(
        title=f"What 1 % more of each value does in {first.provenance.unit}, at rest and to small signals.",
        tables=(_largest(measured), _values(measured), _volts(measured), _everything(measured)),
        definitions=(MOVES, FIGURES_MEANT),
    )


def scaled(figure: SmallFigure) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """What 1 % more of each value does, in the unit of ``FIGURES``; rounding as zero."""
    moves = SHARE * np.asarray(figure.slopes)
    least = NOTHING * (figure.value if figure.key.endswith("corner") else 1.0)
    return np.where(np.abs(moves) < least, 0.0, moves) * (1e3 if figure.key == "gate" else 1.0)


def _largest(measured: Mapping[str, SensitivityMeasurement]) -> Table:
    columns = (
        VERSION, Column(key="figure", heading="figure"), Column(key="value", heading="value"),
        Column(key="move", heading="1 % more moves it by", show=SIGNED), Column(key="unit", heading="unit"),
    )  # fmt: skip
    rows: list[tuple[Cell, ...]] = []
    for label, one in measured.items():
        names = list(one.values)
        for figure in one.figures:
            moves, (heading, unit) = scaled(figure), FIGURES[figure.key]
            order = np.argsort(-np.abs(moves), kind="stable")[:LARGEST]
            rows += [(label, heading, names[k], float(moves[k]), unit) for k in order if moves[k] != 0.0]
    return Table(key="largest", title=f"What moves each figure most (the first {LARGEST})", columns=columns, rows=rows,
                 heads=3)  # fmt: skip


def _values(measured: Mapping[str, SensitivityMeasurement]) -> Table:
    keys = [key for key in FIGURES if any(key == figure.key for one in measured.values() for figure in one.figures)]
    columns = (
        VERSION, Column(key="value", heading="value"),
        *(Column(key=f"{key}_{FIGURES[key][1].lower()}", heading=FIGURES[key][0], unit=FIGURES[key][1], show=SIGNED)
          for key in keys),
    )  # fmt: skip
    rows: list[tuple[Cell, ...]] = []
    for label, one in measured.items():
        found = {figure.key: scaled(figure) for figure in one.figures}
        for place, name in enumerate(one.values):
            moves = [float(found[key][place]) if key in found else None for key in keys]
            if any(moves):
                rows.append((label, name, *(move or None for move in moves)))
    return Table(key="values", title="What 1 % more of each value does", columns=columns, rows=rows, heads=2,
                 notes=("Values that move none of these are left out.", *(
                     f"{name} was not moved: {why}." for one in measured.values() for name, why in one.left_out.items()
                 )))  # fmt: skip


def _volts(measured: Mapping[str, SensitivityMeasurement]) -> Table:
    columns = (
        VERSION, Column(key="node", heading="node"),
        Column(key="volt", heading="at rest", show=amount("volt", 4, smallest=NOTHING)),
        Column(key="by", heading="1 % more of a value moves it by", folds=True),
    )  # fmt: skip
    rows: list[tuple[Cell, ...]] = []
    for label, one in measured.items():
        names = list(one.values)
        for k, node in enumerate(one.nodes):
            moves = SHARE * one.node_slopes_v[:, k]
            order = [j for j in np.argsort(-np.abs(moves), kind="stable")[:LARGEST_VOLTS] if abs(moves[j]) > NOTHING]
            if order:
                told = ", ".join(f"{names[j]} {SIGNED(1e3 * float(moves[j]))} mV" for j in order)
                rows.append((label, node, float(one.node_v[k]), told))
    return Table(key="volts", title=f"What the volts at rest hang on (the first {LARGEST_VOLTS})", columns=columns,
                 rows=rows, heads=2)  # fmt: skip


def _everything(measured: Mapping[str, SensitivityMeasurement]) -> Table:
    """For files: every value and every node."""
    first = next(iter(measured.values()))
    columns = (
        VERSION, Column(key="value", heading="value"), Column(key="amount", heading="amount", show=general(6)),
        *(Column(key=f"{figure.key}_{FIGURES[figure.key][1].lower()}", heading=figure.key, show=SIGNED)
          for figure in first.figures),
        *(Column(key=f"volts@{node}_v", heading=node, show=SIGNED) for node in first.nodes),
    )  # fmt: skip
    rows: list[tuple[Cell, ...]] = []
    for label, one in measured.items():
        found, nodes = {figure.key: scaled(figure) for figure in one.figures}, {n: k for k, n in enumerate(one.nodes)}
        for place, (name, value) in enumerate(one.values.items()):
            moves = [float(found[f.key][place]) if f.key in found else None for f in first.figures]
            volts = [SHARE * float(one.node_slopes_v[place, nodes[n]]) if n in nodes else None for n in first.nodes]
            rows.append((label, name, value, *moves, *volts))
    return Table(key="everything", title="Every value and every node, for 1 % more", columns=columns, rows=rows,
                 heads=2, detail=True, brief=frozenset())  # fmt: skip


MOVES = Definition(
    term="moves by",
    meaning="derivative by the logarithm of the value, times 1 %: what a small change does, all else following it",
    status=LAW,
)
FIGURES_MEANT = Definition(
    term="figures",
    meaning=f"gain at {REFERENCE_HZ / 1e3:g} kHz; corners 3 dB under it; loss of the FET against the FET taken out; "
    "gate above pinch-off, positive conducts",
    status=LAW,
)
