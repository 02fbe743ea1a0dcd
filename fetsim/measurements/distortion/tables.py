"""What distortion comes to, as tables and definitions."""

from collections.abc import Mapping

import numpy as np

from fetsim.measurements.distortion.harmonics import AES17_BAND_HZ, AES17_FREQUENCY_HZ, HIGHEST_HARMONIC, NOTCH_Q
from fetsim.measurements.distortion.intermodulation import (
    DIFFERENCE_LOWER_HZ,
    DIFFERENCE_UPPER_HZ,
    SMPTE_AMPLITUDE_RATIO,
    SMPTE_HIGH_HZ,
    SMPTE_LOW_HZ,
)
from fetsim.measurements.distortion.procedure import DistortionMeasurement, DistortionPoint
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import (
    LEVELS,
    MEMORY,
    PRACTICE,
    REDUCTION,
    SECOND_HAND,
    Definition,
)
from fetsim.measurements.results.formats import FINE_LEVEL, LEVEL, fixed, percent
from fetsim.measurements.results.table import Cell, Column, Table

ORDERS = range(2, HIGHEST_HARMONIC + 1)
SHOWN_ORDERS = range(2, 7)  # in the table of tones; the readings hold all
LEAST_SHOWN = 1e-9  # ratio: -180 dB

VERSION = Column(key="version", heading="version")
INPUT = Column(key="level_dbu", heading="input", unit="dBu", show=LEVEL)
IN_FET = Column(key="gain_reduction_db", heading="reduction", unit="dB", show=fixed(2), meaning="in the FET's divider")
TONE = Column(key="frequency_hz", heading="tone", unit="Hz", show=fixed(0))
THD_F = Column(key="thd_f", heading="THD to H1", show=percent)
HARMONICS_DB = tuple(Column(key=f"h{k}_db", heading=f"H{k}", unit="dB", show=fixed(0)) for k in SHOWN_ORDERS)
HARMONICS = tuple(Column(key=f"h{k}", heading=f"H{k} to H1", show=percent) for k in ORDERS)
TONES = (
    VERSION,
    TONE,
    INPUT,
    Column(key="fundamental_dbu", heading="output", unit="dBu", show=FINE_LEVEL, meaning="of the fundamental"),
    IN_FET,
    THD_F,
    Column(key="thd_r", heading="THD to the whole", show=percent),
    *HARMONICS_DB,
)
TWO_TONES = (
    VERSION,
    INPUT,
    IN_FET,
    *(
        Column(key=f"{key}_{part}", heading=f"{words} {part.replace('_', ' ')}", show=percent)
        for key, words in (("smpte", "SMPTE"), ("difference", "difference"))
        for part in ("order_2", "order_3", "sum")
    ),
)
WITH_NOISE = (
    VERSION,
    INPUT,
    IN_FET,
    Column(key="thd_plus_noise", heading="THD+N", show=percent),
    Column(key="thd_plus_noise_db", heading="THD+N", unit="dB", show=fixed(1)),
    Column(key="without_noise", heading="without noise", show=percent),
    Column(key="noise_dbu", heading="noise of the unit", unit="dBu", show=LEVEL),
)
READINGS = (
    VERSION,
    Column(key="signal", heading="signal"),
    *TONES[1:7],
    *HARMONICS,
    Column(key="order_2", heading="order 2", show=percent),
    Column(key="order_3", heading="order 3", show=percent),
    Column(key="summed", heading="sum", show=percent),
    Column(key="thd_plus_noise", heading="THD+N", show=percent),
    Column(key="noise_dbu", heading="noise", unit="dBu", show=LEVEL),
)


def account(measured: Mapping[str, DistortionMeasurement]) -> Account:
    """Label of the version -> measurement."""
    first = next(iter(measured.values()))
    tables = [_tones(measured)]
    definitions = [LEVELS, REDUCTION, *THD_TO_H1, THD_TO_THE_WHOLE]
    if any(one.two_tones for one in measured.values()):
        tables.append(_two_tones(measured))
        definitions += TWO_TONE_TERMS
    if any(one.with_noise for one in measured.values()):
        tables.append(_with_noise(measured))
        definitions.append(THD_PLUS_NOISE)
    return Account(
        title=f"Distortion of {first.provenance.unit}: steady state, quality {first.provenance.quality}.",
        lead=tuple(_lead(label, one) for label, one in measured.items()),
        tables=(*tables, _readings(measured)),
        definitions=tuple(definitions),
    )


def _lead(label: str, one: DistortionMeasurement) -> str:
    first, worst = one.tones[0], max(one.tones, key=lambda point: point.thd_f)
    start = f"{label}: " if label else ""
    return f"{start}THD {thd_at(first)}; at most {thd_at(worst)} (of the tones in the table)."


def thd_at(point: DistortionPoint) -> str:
    """In words."""
    return f"{percent(point.thd_f)} at {LEVEL(point.level_dbu)} dBu, {point.frequency_hz:.6g} Hz"


def _tones(measured: Mapping[str, DistortionMeasurement]) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (
            label, p.frequency_hz, p.level_dbu, p.fundamental_dbu, p.gain_reduction_db, p.thd_f, p.thd_r,
            *(decibels(p, order) for order in SHOWN_ORDERS),
        )
        for label, one in measured.items()
        for p in one.tones
    ]  # fmt: skip
    return Table(key="tones", title="One tone", columns=TONES, rows=rows, heads=2)


def decibels(point: DistortionPoint, order: int) -> float | None:
    """Of a harmonic, over the fundamental; None above half the rate."""
    share = harmonic(point, order)
    return None if share is None else float(20.0 * np.log10(max(share, LEAST_SHOWN)))


def harmonic(point: DistortionPoint, order: int) -> float | None:
    """Over the fundamental; None above half the rate."""
    return float(point.harmonic[order - 2]) if order - 2 < point.harmonic.size else None


def _two_tones(measured: Mapping[str, DistortionMeasurement]) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (
            label, p.level_dbu, p.gain_reduction_db,
            *(cell for found in (p.smpte, p.difference_tone) for cell in (found.order_2, found.order_3, found.summed)),
        )
        for label, one in measured.items()
        for p in one.two_tones
    ]  # fmt: skip
    return Table(
        key="two_tones", title="Intermodulation", columns=TWO_TONES, rows=rows,
        notes=("The level of two tones is that of the sine of the same peak; reduction: with the SMPTE tones.",),
    )  # fmt: skip


def _with_noise(measured: Mapping[str, DistortionMeasurement]) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (label, p.level_dbu, p.gain_reduction_db, p.ratio, p.level_db, p.distortion_ratio, p.noise_dbu)
        for label, one in measured.items()
        for p in one.with_noise
    ]
    return Table(key="with_noise", title="THD+N", columns=WITH_NOISE, rows=rows)


def _readings(measured: Mapping[str, DistortionMeasurement]) -> Table:
    """Ratios, not per cent: one row for every sine, two-tone and THD+N reading."""
    found: list[dict[str, Cell]] = []
    for label, one in measured.items():
        for tone in one.tones:
            found.append({
                "version": label, "signal": "sine", "frequency_hz": tone.frequency_hz, "level_dbu": tone.level_dbu,
                "fundamental_dbu": tone.fundamental_dbu, "gain_reduction_db": tone.gain_reduction_db,
                "thd_f": tone.thd_f, "thd_r": tone.thd_r, **{f"h{order}": harmonic(tone, order) for order in ORDERS},
            })  # fmt: skip
        for two in one.two_tones:
            for signal, product, reduction_db in (
                ("smpte", two.smpte, two.gain_reduction_db),
                ("difference tone", two.difference_tone, two.difference_tone_reduction_db),
            ):
                found.append({
                    "version": label, "signal": signal, "level_dbu": two.level_dbu, "gain_reduction_db": reduction_db,
                    "order_2": product.order_2, "order_3": product.order_3, "summed": product.summed,
                })  # fmt: skip
        for noisy in one.with_noise:
            found.append({
                "version": label, "signal": "thd+n", "frequency_hz": AES17_FREQUENCY_HZ, "level_dbu": noisy.level_dbu,
                "gain_reduction_db": noisy.gain_reduction_db, "thd_plus_noise": noisy.ratio,
                "noise_dbu": noisy.noise_dbu,
            })  # fmt: skip
    return Table(
        key="readings", title="All readings", columns=READINGS, heads=2, detail=True, brief=frozenset(),
        rows=[tuple(row.get(column.key) for column in READINGS) for row in found],
    )  # fmt: skip


THD_TO_H1 = (
    Definition(term="H2, H3, ...", meaning="harmonics, H1 the fundamental; in dB re H1", status=PRACTICE),
    Definition(
        term="THD to H1", meaning=f"rms of harmonics 2 to {HIGHEST_HARMONIC} over the fundamental", status=PRACTICE
    ),
)
THD_TO_THE_WHOLE = Definition(
    term="THD to the whole",
    meaning="over the rms of fundamental and harmonics together",
    source="IEC 60268-3",
    status=MEMORY,
)
TWO_TONE_TERMS = (
    Definition(
        term="SMPTE",
        meaning=f"{SMPTE_LOW_HZ:g} Hz and {SMPTE_HIGH_HZ / 1000:g} kHz, {SMPTE_AMPLITUDE_RATIO:g}:1; order 2 and 3: "
        "sum of the pair of side tones over the high tone; sum: root of the sum of both squares",
        source="SMPTE, by a vendor's page on IMD; sums after IEC 60268-3 from memory",
        status=SECOND_HAND,
    ),
    Definition(
        term="difference tone",
        meaning=f"{DIFFERENCE_LOWER_HZ / 1000:g} and {DIFFERENCE_UPPER_HZ / 1000:g} kHz, 1:1; products of order 2 and "
        "3 over the sum of both amplitudes; sum: root of the sum of both squares",
        source="tones by a vendor's page on IMD; sums after IEC 60268-3 from memory",
        status=SECOND_HAND,
    ),
)
THD_PLUS_NOISE = Definition(
    term="THD+N",
    meaning=f"{AES17_FREQUENCY_HZ:g} Hz, notch of Q {NOTCH_Q:g}, {AES17_BAND_HZ / 1000:g} kHz, over the whole; the "
    "unit's noise is calculated and added as power",
    source="AES17",
    status=MEMORY,
)
