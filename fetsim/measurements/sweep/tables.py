"""Distortion against frequency, as tables and definitions."""

from collections.abc import Iterator, Mapping

from fetsim.measurements.distortion.procedure import DistortionPoint
from fetsim.measurements.distortion.tables import (
    HARMONICS,
    HARMONICS_DB,
    IN_FET,
    INPUT,
    ORDERS,
    SHOWN_ORDERS,
    THD_F,
    THD_TO_H1,
    TONE,
    VERSION,
    decibels,
    harmonic,
    thd_at,
)
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import LEVELS, REDUCTION
from fetsim.measurements.results.formats import FINE_LEVEL
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.measurements.sweep.procedure import SweepMeasurement

READ = Column(
    key="fundamental_dbu", heading="fundamental", unit="dBu", show=FINE_LEVEL, meaning="where distortion is read"
)
TONES = (VERSION, INPUT, TONE, READ, IN_FET, THD_F, *HARMONICS_DB)
READINGS = (*TONES[:6], *HARMONICS)


def account(measured: Mapping[str, SweepMeasurement]) -> Account:
    """Label of the version -> measurement."""
    first = next(iter(measured.values()))
    return Account(
        title=f"Distortion of {first.provenance.unit} against frequency, read at {first.read_at}: steady state, "
        f"quality {first.provenance.quality}.",
        lead=tuple(_lead(label, one) for label, one in measured.items()),
        tables=(_tones(measured), _readings(measured)),
        definitions=(LEVELS, REDUCTION, *THD_TO_H1),
    )


def _lead(label: str, one: SweepMeasurement) -> str:
    start = f"{label}: " if label else ""
    worst = {tone.level_dbu: tone for tone in sorted(one.tones, key=lambda tone: tone.thd_f)}
    return f"{start}THD is at most {', '.join(thd_at(worst[level]) for level in sorted(worst))}."


def _tones(measured: Mapping[str, SweepMeasurement]) -> Table:
    rows = [(*row, *(decibels(tone, order) for order in SHOWN_ORDERS)) for row, tone in _rows(measured)]
    rows += _lost(measured, len(TONES))
    return Table(key="tones", title="Distortion against frequency", columns=TONES, rows=rows, heads=2)


def _readings(measured: Mapping[str, SweepMeasurement]) -> Table:
    """Ratios, not per cent or decibels, and every harmonic."""
    rows = [(*row, *(harmonic(tone, order) for order in ORDERS)) for row, tone in _rows(measured)]
    rows += _lost(measured, len(READINGS))
    return Table(
        key="readings", title="All readings", columns=READINGS, rows=rows, heads=2, detail=True, brief=frozenset()
    )


def _rows(measured: Mapping[str, SweepMeasurement]) -> Iterator[tuple[tuple[Cell, ...], DistortionPoint]]:
    """What both tables begin with."""
    for label, one in measured.items():
        for tone in one.tones:
            yield (
                label, tone.level_dbu, tone.frequency_hz, tone.fundamental_dbu, tone.gain_reduction_db, tone.thd_f
            ), tone  # fmt: skip


def _lost(measured: Mapping[str, SweepMeasurement], columns: int) -> list[tuple[Cell, ...]]:
    """Rows of tones that have no steady state."""
    return [
        (label, tone.level_dbu, tone.frequency_hz, *[Missing(cause="not computed", text=tone.why)] * (columns - 3))
        for label, one in measured.items()
        for tone in one.unsteady
    ]
