"""What common-mode rejection comes to, as tables and definitions."""

from collections.abc import Mapping

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.measurements.bench.frequencies import NAMED_HZ
from fetsim.measurements.rejection.analysis import LARGEST_DB
from fetsim.measurements.rejection.procedure import STANDARD_OHM, Rejection, RejectionMeasurement
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import MEMORY, OWN, Definition
from fetsim.measurements.results.formats import fixed, hertz
from fetsim.measurements.results.table import AtLeast, Cell, Column, Table

SUMMARY_HZ = (20.0, 50.0, 1e3, 10e3, 20e3)
MOST_PARTS = 10
DECIBELS = fixed(1)
VERSION = Column(key="version", heading="version")
IMBALANCE = Column(key="imbalance", heading="imbalance")
AT = tuple(
    Column(key=f"rejection_at_{f:g}hz_db", heading=hertz(f), unit="dB", show=DECIBELS) for f in SUMMARY_HZ
)
SUMMARY = (VERSION, IMBALANCE, Column(key="parts", heading="parts"), *AT)
ALONE = (VERSION, Column(key="part", heading="part"), Column(key="tolerance", heading="tolerance"), *AT)
POINTS = (
    VERSION,
    IMBALANCE,
    Column(key="frequency_hz", heading="frequency", show=hertz),
    Column(key="rejection_db", heading="as drawn", unit="dB", show=DECIBELS),
    Column(key="worst_db", heading="worst case", unit="dB", show=DECIBELS),
)


def account(measured: Mapping[str, RejectionMeasurement]) -> Account:
    """Label of the version -> measurement."""
    first = next(iter(measured.values()))
    return Account(
        title=f"Common-mode rejection of {first.provenance.unit} at {first.point}, source of "
        f"{first.source_resistance_ohm:g} ohm.",
        lead=tuple(_lead(label, one) for label, one in measured.items()),
        tables=(_summary(measured), _alone(measured), _points(measured)),
        definitions=DEFINITIONS,
    )


def _lead(label: str, one: RejectionMeasurement) -> str:
    return f"{f'{label}: ' if label else ''}{'; '.join(map(_told, one.curves))}."


def _told(one: Rejection) -> str:
    at_hz = float(one.frequency_hz[int(np.argmin(np.abs(np.log(one.frequency_hz / 1e3))))])
    drawn, worst = (None if trace is None else one.at(at_hz, trace) for trace in (one.rejection_db, one.worst_db))
    legs = f"{one.imbalance_ohm:g} ohm in one leg" if one.imbalance_ohm else "legs alike"
    text = f"{legs}: {'over ' if drawn == LARGEST_DB else ''}{drawn:.1f} dB at {hertz(at_hz)} as drawn"
    return text if worst is None else f"{text}, {worst:.1f} dB in the worst case of the tolerances"


def _summary(measured: Mapping[str, RejectionMeasurement]) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (label, f"{curve.imbalance_ohm:g} ohm", parts, *_at(curve, trace))
        for label, one in measured.items()
        for curve in one.curves
        for parts, trace in (("as drawn", curve.rejection_db), ("worst case", curve.worst_db))
        if trace is not None
    ]
    return Table(key="rejection", title="Rejection", columns=SUMMARY, rows=rows, heads=3)


def _alone(measured: Mapping[str, RejectionMeasurement]) -> Table:
    """Of the first imbalance: the parts hardly know of it."""
    rows: list[tuple[Cell, ...]] = [
        (label, part.designator, part.tolerance, *_at(one.curves[0], part.rejection_db))
        for label, one in measured.items()
        for part in one.curves[0].parts[:MOST_PARTS]
    ]
    note = "Rejection that each part alone leaves at the worse end of its tolerance; in the worst case all add up."
    return Table(key="parts", title="Parts that matter most", columns=ALONE, rows=rows, heads=2, notes=(note,))


def _points(measured: Mapping[str, RejectionMeasurement]) -> Table:
    rows: list[tuple[Cell, ...]] = []
    brief: set[int] = set()
    for label, one in measured.items():
        for curve in one.curves:
            for k, frequency_hz in enumerate(map(float, curve.frequency_hz)):
                if frequency_hz in NAMED_HZ:
                    brief.add(len(rows))
                worst = None if curve.worst_db is None else _cell(float(curve.worst_db[k]))
                drawn = _cell(float(curve.rejection_db[k]))
                rows.append((label, f"{curve.imbalance_ohm:g} ohm", frequency_hz, drawn, worst))
    return Table(
        key="points", title="Against frequency, imbalance", columns=POINTS, rows=rows, heads=2, detail=True,
        brief=frozenset(brief),
    )  # fmt: skip


def _at(curve: Rejection, trace: Array) -> list[Cell]:
    found = [curve.at(frequency_hz, trace) for frequency_hz in SUMMARY_HZ]
    return [None if value is None else _cell(value) for value in found]


def _cell(value_db: float) -> Cell:
    return AtLeast(LARGEST_DB) if value_db >= LARGEST_DB else value_db


DEFINITIONS = (
    Definition(
        term="common-mode rejection",
        meaning="voltage at the point for a volt between the legs of the source, half of it in each, over that for a "
        "volt in both legs together, in dB; small signals at rest",
        source="IEC 60268-3",
        status=MEMORY,
    ),
    Definition(
        term="imbalance",
        meaning=f"so many ohms more in one leg of the source, each leg in turn, the worse one told; {STANDARD_OHM:g} "
        "ohm is the standard's",
        source="IEC 60268-3",
        status=MEMORY,
    ),
    Definition(
        term="worst case",
        meaning="every part with a tolerance at the end of it that, together with all others, rejects least, at each "
        "frequency on its own; what parts do to each other's share is left out",
        status=OWN,
    ),
    Definition(
        term="amplifiers",
        meaning="operational amplifiers have no common-mode gain of their own here; real ones add theirs",
        status=OWN,
    ),
)
