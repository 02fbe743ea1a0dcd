"""What a comparison found, as tables of raw values: a row for each version that was played."""

from fetsim.measurements.results.formats import LEVEL, fixed, general
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.studies.compare.comparison import Comparison, VersionResult

VERSION = Column(key="version", heading="version")
LEVELS = (
    VERSION,
    Column(key="loudness_lufs", heading="loudness", unit="LUFS", show=fixed(1), meaning="before matching"),
    Column(key="rms_dbfs", heading="rms", unit="dBFS", show=fixed(1), meaning="before matching"),
    Column(key="match_gain_db", heading="match gain", unit="dB", show=fixed(2, sign=True)),
    Column(key="true_peak_dbtp", heading="true peak", unit="dBTP", show=fixed(1), meaning="in the files"),
    Column(key="difference_db", heading="difference", unit="dB", show=fixed(1),
           meaning="what the change adds, under the programme"),
)  # fmt: skip
FIGURES = (
    VERSION,
    Column(key="threshold_dbu", heading="threshold", unit="dBu", show=LEVEL),
    Column(key="attack_ms", heading="attack", unit="ms", show=general(3)),
    Column(key="release_ms", heading="release", unit="ms", show=fixed(0)),
    Column(key="thd_percent", heading="THD", unit="%", show=fixed(3)),
    Column(key="peak_gain_reduction_db", heading="peak reduction", unit="dB", show=fixed(1)),
    Column(key="mean_gain_reduction_db", heading="mean reduction", unit="dB", show=fixed(1)),
    Column(key="loss_at_rest_db", heading="loss in the FET at rest", unit="dB", show=fixed(2)),
)
NO_DIFFERENCE = Missing(cause="nothing to measure", text="no difference in this programme")
UNTOUCHED = Missing(cause="not defined", text="the version that the others are compared with")


def comparison_tables(comparison: Comparison) -> tuple[Table, Table]:
    """Levels and differences; bench figures and gain reduction."""
    heard = [one for one in comparison.versions if not one.error]
    return (
        Table(key="levels", title="Levels", columns=LEVELS, rows=[_levels(one) for one in heard]),
        Table(key="figures", title="Figures", columns=FIGURES, rows=[_figures(one) for one in heard]),
    )


def _levels(one: VersionResult) -> tuple[Cell, ...]:
    loud, difference = one.loudness, one.difference
    levels: tuple[Cell, ...] = (None,) * 4
    if loud is not None:
        levels = (loud.loudness_lufs, loud.rms_dbfs, loud.match_gain_db, loud.true_peak_dbtp)
    apart: Cell = UNTOUCHED
    if difference is not None:
        apart = difference.level_db if difference.audible_at_all else NO_DIFFERENCE
    return (one.name, *levels, apart)


def _figures(one: VersionResult) -> tuple[Cell, ...]:
    bench, played = one.figures, one.activity
    names = ("threshold_dbu", "attack_ms", "release_ms", "thd_percent")
    measured: list[Cell] = [None] * len(names)
    if bench is not None:
        measured = [
            Missing(cause="not computed", text=bench.reasons[name]) if name in bench.reasons else getattr(bench, name)
            for name in names
        ]
    reduction: tuple[Cell, ...] = (None, None) if played is None else (played.peak_db, played.mean_db)
    return (one.name, *measured, *reduction, None if one.rest is None else one.rest.loss_db)
