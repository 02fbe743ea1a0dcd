"""What the iron does, as tables and definitions."""

from collections.abc import Mapping

import numpy as np

from fetsim.measurements.distortion.harmonics import HIGHEST_HARMONIC
from fetsim.measurements.distortion.tables import INPUT, LEAST_SHOWN, VERSION
from fetsim.measurements.iron.procedure import CoreReading, IronMeasurement, IronTone
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import LEVELS, OWN, PRACTICE, Definition
from fetsim.measurements.results.formats import FINE_LEVEL, fixed, general, percent, quantity
from fetsim.measurements.results.table import Cell, Column, Table

ORDERS = range(2, HIGHEST_HARMONIC + 1)
SHOWN_ORDERS = (2, 3, 5)  # in the table of tones; the readings hold all

TONE = Column(key="frequency_hz", heading="tone", unit="Hz", show=fixed(0))
READ = Column(key="read_dbu", heading="fundamental", unit="dBu", show=FINE_LEVEL, meaning="where distortion is read")
THD = Column(key="thd_f", heading="THD to H1", show=percent)
TONES = (
    VERSION, INPUT, TONE, READ, THD,
    *(Column(key=f"h{k}_db", heading=f"H{k}", unit="dB", show=fixed(0)) for k in SHOWN_ORDERS),
)  # fmt: skip
CORES = (
    VERSION,
    Column(key="part", heading="part"),
    TONE,
    INPUT,
    Column(key="volt", heading="across the winding", show=quantity("volt", 3)),
    Column(key="peak_flux_vs", heading="peak flux", show=quantity("weber", 3)),
    Column(key="mean_flux_vs", heading="mean flux", show=quantity("weber", 3)),
    Column(key="inductance_h", heading="inductance", unit="H", show=general(3)),
    Column(key="loss_ohm", heading="loss", show=quantity("ohm", 3), meaning="resistance in parallel"),
)
READINGS = (*TONES[:5], *(Column(key=f"h{k}", heading=f"H{k} to H1", show=percent) for k in ORDERS))


def account(measured: Mapping[str, IronMeasurement]) -> Account:
    """Label of the version -> measurement."""
    first = next(iter(measured.values()))
    definitions, tables = [LEVELS, THD_TO_H1], [_tones(measured)]
    if any(one.cores for one in measured.values()):
        tables.append(_cores(measured))
        definitions += [FLUX, INDUCTANCE, LOSS]
    return Account(
        title=f"Iron of {first.provenance.unit}: steady state, quality {first.provenance.quality}.",
        lead=tuple(_lead(label, one) for label, one in measured.items()),
        tables=(*tables, _readings(measured)),
        definitions=tuple(definitions),
    )


def _lead(label: str, one: IronMeasurement) -> str:
    worst, start = max(one.tones, key=lambda tone: tone.thd_f), f"{label}: " if label else ""
    at = f"{percent(worst.thd_f)} at {worst.frequency_hz:.6g} Hz, {worst.level_dbu:+.1f} dBu"
    words = f"{start}at {one.read_at}, THD is at most {at} (of the tones in the table)"
    parts: dict[str, list[CoreReading]] = {}
    for core in one.cores:
        parts.setdefault(core.part, []).append(core)
    for part, cores in parts.items():
        henry = [core.winding.inductance_h for core in cores]
        words += f"; {part} has {min(henry):.3g} to {max(henry):.3g} H"
    return f"{words}."


def _tones(measured: Mapping[str, IronMeasurement]) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (
            label, one.level_dbu, one.frequency_hz, one.read_dbu, one.thd_f,
            *(_decibels(one, order) for order in SHOWN_ORDERS),
        )
        for label, found in measured.items()
        for one in found.tones
    ]  # fmt: skip
    return Table(key="tones", title="Distortion against frequency", columns=TONES, rows=rows, heads=2)


def _decibels(tone: IronTone, order: int) -> float | None:
    share = _harmonic(tone, order)
    return None if share is None else float(20.0 * np.log10(max(share, LEAST_SHOWN)))


def _harmonic(tone: IronTone, order: int) -> float | None:
    """Over the fundamental; None above half the rate."""
    return float(tone.harmonic[order - 2]) if order - 2 < tone.harmonic.size else None


def _cores(measured: Mapping[str, IronMeasurement]) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (
            label, core.part, core.frequency_hz, core.level_dbu, core.winding.volt, core.winding.peak_flux_vs,
            core.winding.mean_flux_vs, core.winding.inductance_h,
            core.winding.reasons.get("loss_ohm", core.winding.loss_ohm),
        )
        for label, found in measured.items()
        for core in found.cores
    ]  # fmt: skip
    return Table(key="cores", title="Cores", columns=CORES, rows=rows, heads=3)


def _readings(measured: Mapping[str, IronMeasurement]) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (
            label, one.level_dbu, one.frequency_hz, one.read_dbu, one.thd_f,
            *(_harmonic(one, order) for order in ORDERS),
        )
        for label, found in measured.items()
        for one in found.tones
    ]  # fmt: skip
    return Table(
        key="readings", title="All readings", columns=READINGS, rows=rows, heads=2, detail=True, brief=frozenset()
    )


THD_TO_H1 = Definition(
    term="THD to H1",
    meaning=f"rms of harmonics 2 to {HIGHEST_HARMONIC} over the fundamental; H2, H3, H5: harmonics in dB re H1",
    status=PRACTICE,
)
FLUX = Definition(
    term="peak and mean flux",
    meaning="of the winding's flux linkage: half of its swing, and what it swings about; a mean that is not small is "
    "direct current through the winding, which takes inductance, or what a core that remembers has kept",
    status=PRACTICE,
)
INDUCTANCE = Definition(
    term="inductance",
    meaning="of the whole winding (the primary) with the others open: volts over amperes in quadrature to them, over "
    "2 pi f, both fundamentals",
    status=PRACTICE,
)
LOSS = Definition(
    term="loss",
    meaning="resistance in parallel to that inductance that takes the watts of hysteresis and eddy currents at the "
    "volts of the fundamental",
    status=OWN,
)
