"""What a comparison found, as tables of raw values: a row for each version that was played.

Terminal, page and JSON print these and nothing of their own.
"""

from fetsim.measurements.results.account import Account, told_once
from fetsim.measurements.results.definitions import OWN, Definition
from fetsim.measurements.results.formats import LEVEL, fixed, general
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.studies.compare.comparison import Comparison, VersionResult

VERSION = Column(key="version", heading="version")
CHANGE = fixed(2, sign=True)
LEVELS = (
    VERSION,
    Column(key="loudness_lufs", heading="loudness", unit="LUFS", show=fixed(1), meaning="before matching"),
    Column(key="rms_dbfs", heading="rms", unit="dBFS", show=fixed(1), meaning="before matching"),
    Column(key="match_gain_db", heading="match gain", unit="dB", show=CHANGE,
           meaning="brings the version to the same loudness or rms as the first one"),
    Column(key="gain_db", heading="match and headroom gain", unit="dB", show=CHANGE,
           meaning="match gain and what lowers all files alike to keep true peaks under -1 dBTP (headroom)"),
    Column(key="true_peak_dbtp", heading="true peak", unit="dBTP", show=fixed(1), meaning="in the files"),
    Column(key="difference_db", heading="difference", unit="dB", show=fixed(1),
           meaning="what the change adds, re the programme"),
)  # fmt: skip
FIGURES = (
    VERSION,
    Column(key="threshold_dbu", heading="threshold", unit="dBu", show=LEVEL),
    Column(key="attack_ms", heading="mean attack", unit="ms", show=general(3)),
    Column(key="release_ms", heading="release", unit="ms", show=fixed(0)),
    Column(key="thd_percent", heading="THD", unit="%", show=fixed(3)),
    Column(key="peak_gain_reduction_db", heading="peak reduction", unit="dB", show=fixed(1),
           meaning="in the programme"),
    Column(key="mean_gain_reduction_db", heading="mean reduction", unit="dB", show=fixed(1),
           meaning="in the programme"),
    Column(key="loss_at_rest_db", heading="loss at rest", unit="dB", show=fixed(2), meaning="in the FET"),
    Column(key="above_pinch_off_v", heading="gate at rest", unit="V", show=fixed(3, sign=True),
           meaning="above pinch-off: positive conducts"),
)  # fmt: skip
BENCH = ("threshold_dbu", "attack_ms", "release_ms", "thd_percent")
NO_DIFFERENCE = Missing(cause="nothing to measure", text="no difference in this programme")
ONLY_MOVES = Missing(cause="not computed", text="only how the gain reduction moves is known, not how much it is")
UNTOUCHED = Missing(cause="not defined", text="the version that the others are compared with")


def account(comparison: Comparison) -> Account:
    """Levels and differences; bench figures and gain reduction; how they were taken; what to mind."""
    heard = [one for one in comparison.versions if not one.error]
    headings = {column.key: column.heading for column in FIGURES}
    said = [(column.heading, column.meaning) for column in (*LEVELS, *FIGURES) if column.meaning]
    taken = [(headings.get(name, name), text) for name, text in comparison.conditions.items()]
    return Account(
        title=comparison.title,
        tables=(
            Table(key="levels", title="Levels", columns=LEVELS, rows=[_levels(one) for one in heard]),
            Table(key="figures", title="Figures", columns=FIGURES, rows=[_figures(one) for one in heard]),
        ),
        definitions=tuple(Definition(term=term, meaning=text, status=OWN) for term, text in (*said, *taken)),
        cautions=(
            *comparison.cautions, *told_once({one.label: one.cautions for one in comparison.versions})
        ),
    )  # fmt: skip


def table_rows(comparison: Comparison) -> list[dict[str, str | float | int | None]]:
    """A line for each version that was played, with all its figures under the columns' keys."""
    rows: dict[str, dict[str, str | float | int | None]] = {}
    for record in comparison.account().records():
        one = rows.setdefault(str(record["version"]), {})
        one.update({key: value for key, value in record.items() if key != "table"})
    return list(rows.values())


def _levels(one: VersionResult) -> tuple[Cell, ...]:
    loud, difference = one.loudness, one.difference
    levels: tuple[Cell, ...] = (None,) * 5
    if loud is not None:
        levels = (loud.loudness_lufs, loud.rms_dbfs, loud.match_gain_db, loud.gain_db, loud.true_peak_dbtp)
    apart: Cell = UNTOUCHED
    if difference is not None:
        apart = difference.level_db if difference.audible_at_all else NO_DIFFERENCE
    return (one.label, *levels, apart)


def _figures(one: VersionResult) -> tuple[Cell, ...]:
    bench, played, rest = one.figures, one.activity, one.rest
    measured: list[Cell] = [None] * len(BENCH)
    if bench is not None:
        measured = [
            Missing(cause="not computed", text=bench.reasons[name]) if name in bench.reasons else getattr(bench, name)
            for name in BENCH
        ]
    reduction: tuple[Cell, ...] = (None, None)
    if played is not None:
        reduction = tuple(ONLY_MOVES if each is None else each for each in (played.peak_db, played.mean_db))
    resting: tuple[Cell, ...] = (None, None) if rest is None else (rest.loss_db, rest.above_pinch_off_v)
    return (one.label, *measured, *reduction, *resting)
