"""What a needle shows, as tables and definitions."""

from collections.abc import Mapping

import numpy as np

from fetsim.measurements.needle.procedure import NeedleTrace
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import OWN, REDUCTION, SECOND_HAND, Definition
from fetsim.measurements.results.formats import fixed
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.measurements.traces.ballistics import VU_OVERSHOOT, VU_REACHED, VU_RISE_S

BRIEF_ROWS = 14  # of each trace; a table file has all
DECIBELS, SECONDS = fixed(2), fixed(3)
VERSION = Column(key="version", heading="version")
READINGS = (
    VERSION,
    Column(key="deepest_needle_db", heading="deepest reading", unit="dB", show=DECIBELS),
    Column(key="deepest_s", heading="at", unit="s", show=SECONDS),
    Column(key="largest_gain_reduction_db", heading="most gain reduction", unit="dB", show=DECIBELS),
    Column(key="largest_s", heading="at", unit="s", show=SECONDS),
)
ASKED = (
    Column(key="asked_s", heading="asked for at", unit="s", show=SECONDS),
    Column(key="asked_needle_db", heading="needle there", unit="dB", show=DECIBELS),
    Column(key="asked_gain_reduction_db", heading="gain reduction there", unit="dB", show=DECIBELS),
)
TRACE = (
    VERSION,
    Column(key="time_s", heading="time", unit="s", show=SECONDS),
    Column(key="gain_reduction_db", heading="gain reduction", unit="dB", show=DECIBELS),
    Column(key="needle_db", heading="needle", unit="dB", show=DECIBELS),
)

DEFLECTION = Column(
    key="deflection", heading="pointer", unit="%", show=fixed(1), meaning="of full scale, of the unit's own meter"
)


def account(measured: Mapping[str, NeedleTrace]) -> Account:
    """Label -> trace."""
    return Account(
        title=f"Gain-reduction needle: {next(iter(measured.values())).about}.",
        lead=tuple(_lead(label, one) for label, one in measured.items()),
        tables=(_readings(measured), _trace(measured)),
        definitions=(*_definitions(measured), REDUCTION),
        readings=lambda: _all_readings(measured),
    )


def _lead(label: str, one: NeedleTrace) -> str:
    start = f"{label}: the" if label else "The"
    deepest, most = float(np.max(one.needle_db)), float(np.max(one.gain_reduction_db))
    told = f"comes to {deepest:.1f} dB where the gain reduction comes to {most:.1f} dB."
    if one.meter is None or one.deflection is None:
        return f"{start} needle {told}"
    last = max(reading for reading, _ in one.meter.marks)
    if deepest >= last:
        told = f"{told[:-1]}; the scale ends at {last:g} dB."
    rest = f"it rests at {100.0 * one.deflection[0]:.1f} % of full scale and reads {one.needle_db[0]:.1f} dB there"
    return f"{start} needle of {one.meter.part} {told[:-1]}; {rest}."


def _readings(measured: Mapping[str, NeedleTrace]) -> Table:
    asked = any(one.when_s is not None for one in measured.values())
    rows: list[tuple[Cell, ...]] = []
    for label, one in measured.items():
        most = int(np.argmax(one.gain_reduction_db))
        there = () if one.when_s is None else (one.when_s, *one.reading_db(one.when_s))
        rows.append((
            label, float(np.max(one.needle_db)), one.deepest_s, float(one.gain_reduction_db[most]),
            float(one.time_s[most]), *there,
        ))  # fmt: skip
    return Table(key="readings", title="Readings", columns=(*READINGS, *(ASKED if asked else ())), rows=rows)


def _trace(measured: Mapping[str, NeedleTrace]) -> Table:
    """A few evenly spread instants."""
    columns = _trace_columns(measured)
    rows: list[tuple[Cell, ...]] = [
        (label, *_instant(one, k))[: len(columns)]
        for label, one in measured.items()
        for k in np.linspace(0, one.time_s.size - 1, BRIEF_ROWS).astype(int)
    ]
    return Table(key="trace", title="Trace", columns=columns, rows=rows, detail=True)


def _trace_columns(measured: Mapping[str, NeedleTrace]) -> tuple[Column, ...]:
    return (*TRACE, DEFLECTION) if any(one.meter is not None for one in measured.values()) else TRACE


def _all_readings(measured: Mapping[str, NeedleTrace]) -> list[dict[str, str | float | int | None]]:
    keys = [column.key for column in _trace_columns(measured)]
    return [
        dict(zip(keys, (label, *_instant(one, k)), strict=False))
        for label, one in measured.items()
        for k in range(one.time_s.size)
    ]


def _instant(one: NeedleTrace, k: int) -> tuple[float | None, ...]:
    pointer = None if one.deflection is None else 100.0 * float(one.deflection[k])
    return float(one.time_s[k]), float(one.gain_reduction_db[k]), float(one.needle_db[k]), pointer


def _definitions(measured: Mapping[str, NeedleTrace]) -> tuple[Definition, ...]:
    return (
        *(STANDARD if any(one.meter is None for one in measured.values()) else ()),
        *(OF_METER if any(one.meter is not None for one in measured.values()) else ()),
    )


STANDARD = (
    Definition(
        term="needle",
        meaning=f"moves like the standard volume indicator, {100.0 * VU_REACHED:g} % of a step in "
        f"{1000.0 * VU_RISE_S:g} ms with {100.0 * VU_OVERSHOOT:g} % overshoot, driven by the gain reduction in dB",
        source="ANSI C16.5, IEC 60268-17",
        status=SECOND_HAND,
    ),
    Definition(
        term="scale", meaning="even in dB from end to end; that of a real meter may be drawn otherwise", status=OWN
    ),
)
OF_METER = (
    Definition(
        term="needle of the unit's own meter",
        meaning="moves as its part says (99 % of a step in its rise time, its overshoot), driven by the current "
        "through its coil; its end stops are left out",
        status=OWN,
    ),
    Definition(
        term="scale of the unit's own meter",
        meaning="straight from mark to mark; beyond the outermost ones the reading is theirs",
        status=OWN,
    ),
)
