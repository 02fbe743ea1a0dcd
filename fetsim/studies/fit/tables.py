"""Values of a real unit as tables and definitions."""

from collections.abc import Mapping
from math import isfinite

from fetsim.measurements.idle.tables import cautions_probing
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.care import HEARING
from fetsim.measurements.results.definitions import OWN, Definition
from fetsim.measurements.results.formats import fixed, percent
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.schematic.values import format_value
from fetsim.studies.fit.known import TOGETHER, Together
from fetsim.studies.fit.record import Checked, Fit, Value

DIGITS = 5
LEAST_TOLD = 0.5
"""Correlation from which on a pair is told."""
LITTLE = 0.1
"""Share of what was not known that counts as nothing learnt."""
UNEXPLAINED_DB = -10.0
"""Left over of a recording: more is told."""
OUT = 0.5
"""Of its weight: a reading that is left with less is told."""


def account(measured: Mapping[str, Fit]) -> Account:
    """The one fit, under whatever label."""
    (found,) = measured.values()
    counts = {"reading": len(found.readings), "recording": len(found.recordings)}
    given = [f"{count} {what}{'s' if count > 1 else ''}" for what, count in counts.items() if count]
    tables = (_values(found), _pairs(found), _readings(found), _recordings(found), _cells(found))
    return Account(
        title=f"{found.provenance.unit} fitted to {' and '.join(given)}; quality {found.provenance.quality}.",
        lead=_lead(found),
        tables=tuple(table for table in tables if table.rows),
        definitions=DEFINITIONS,
        cautions=(*cautions_probing(found.unit), HEARING),
    )


def _lead(found: Fit) -> tuple[str, ...]:
    told = list(found.warnings)
    if not found.settled:
        told.append(f"THE SEARCH DID NOT SETTLE in {found.rounds} rounds: intervals hold where it stopped, no more.")
    ends = [one.name for one in found.values if one.at_end and not one.contradicted]
    if ends:
        told.append(
            _said(ends, "stands at the end of its way", "stand at the ends of their ways")
            + ": the truth may lie beyond, or elsewhere altogether."
        )
    told += [
        f"{one.name} lies far outside of what was taken for known ({one.known}), which holds it back; if it may be "
        f"anything, free it as {one.name}=any."
        for one in found.values if one.beyond
    ]  # fmt: skip
    told += [
        f"{one.name} is not explained: {one.after_db:.0f} dB of it are left at best. Is it whole, of this unit and at "
        "these settings, or is something else wrong than what is free?"
        for one in found.recordings if one.after_db > UNEXPLAINED_DB
    ]  # fmt: skip
    little = [one.name for one in found.values if one.learnt < LITTLE and not one.at_end and not one.contradicted]
    if little:
        them = "it" if len(little) == 1 else "them"
        told.append(f"Next to nothing was learnt of {_and(little)}: the data do not see {them}.")
    told += [_known(one) for one in found.together]
    undecided = dict.fromkeys(one.contradicted for one in found.values if one.contradicted)
    told += [_contradiction(found, numbers) for numbers in undecided]
    said = {number for numbers in undecided for number in numbers}
    out = [_named(one) for k, one in enumerate(found.readings) if one.trusted < OUT and k not in said]
    if out:
        told.append(
            _said(out, "does not go with the rest and has little weight; read it again.",
                  "do not go with the rest and have little weight; read them again.")
        )  # fmt: skip
    if found.others:
        one, several = "value varied along within its tolerance", "values varied along within their tolerances"
        told.append(f"{found.others} other {one if found.others == 1 else several}.")
    elif found.values:
        told.append("All other parts are taken to be exactly as in the file; --others lets them vary within tolerance.")
    return (*told, *(f"Not to be had: {reason}." for reason in found.reasons))


def _contradiction(found: Fit, numbers: tuple[int, ...]) -> str:
    about = _and([one.name for one in found.values if one.contradicted == numbers])
    read = _and([_named(found.readings[number]) for number in numbers])
    return f"{read} contradict each other about {about}, of which nothing was learnt; read them again."


def _named(one: Checked) -> str:
    return f"{one.figure.key} at {_at(one.settings)}" if one.settings else one.figure.key


def _known(one: Together) -> str:
    product = " ".join(
        name if power == 1.0 else f"{name}^{power:.2f}" for name, power in zip(one.names, one.powers, strict=True)
    )
    return (
        f"{_and(one.names)} are not told apart; known is the product {product}, within +-{percent(1.96 * one.sigma)}."
    )


def _values(found: Fit) -> Table:
    return Table(
        key="values", title="Values", rows=[_row(one) for one in found.values],
        columns=(
            Column(key="name", heading="value"),
            Column(key="before", heading="in the file"),
            Column(key="fitted", heading="fitted"),
            Column(key="low", heading="95 %, from"),
            Column(key="high", heading="to"),
            Column(key="off", heading="off the file", unit="%", show=fixed(2, sign=True)),
            Column(key="learnt", heading="learnt", show=percent),
            Column(key="known", heading="known before", folds=True),
        ),
    )  # fmt: skip


def _row(one: Value) -> tuple[Cell, ...]:
    def shown(value: float) -> str:
        return format_value(value, one.quantity, DIGITS)

    off = 100.0 * ((one.value - one.before) if one.quantity == "plain" else one.value / one.before - 1.0)
    return (
        one.name, shown(one.before), shown(one.value), shown(one.low), shown(one.high), off, one.learnt, one.known,
    )  # fmt: skip


def _pairs(found: Fit) -> Table:
    return Table(
        key="correlations", title="What goes together", heads=2,
        rows=[pair for pair in found.correlations if abs(pair[2]) >= LEAST_TOLD],
        columns=(
            Column(key="one", heading="value"), Column(key="other", heading="with"),
            Column(key="correlation", heading="correlation", show=fixed(3, sign=True)),
        ),
    )  # fmt: skip


def _readings(found: Fit) -> Table:
    return Table(
        key="readings", title="Readings against the model", rows=[_checked(one) for one in found.readings],
        columns=(
            Column(key="figure", heading="figure"), Column(key="settings", heading="at"),
            Column(key="read", heading="read"), Column(key="file", heading="as in the file"),
            Column(key="fitted", heading="fitted"),
            Column(key="off_sigmas", heading="left over", unit="accuracies", show=fixed(2, sign=True)),
        ),
    )  # fmt: skip


def _checked(one: Checked) -> tuple[Cell, ...]:
    def shown(value: float) -> Cell:
        if not isfinite(value):
            return Missing(cause="not computed", text="the unit has not got it")
        return f"{one.figure.show(value)} {one.figure.unit}".rstrip()

    off = (one.read - one.after) / one.accuracy
    texts = [shown(value) for value in (one.read, one.before, one.after)]
    return one.figure.key, _at(one.settings), *texts, off if isfinite(off) else None


def _recordings(found: Fit) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (one.name, _at(one.settings), one.before_db, one.after_db, one.noise_db, 1e3 * one.delay_s, one.clock_ppm,
         one.gain_db, "upside down" if one.polarity < 0 else "as played", one.excess)
        for one in found.recordings
    ]  # fmt: skip
    return Table(
        key="recordings", title="Recordings against the model", rows=rows,
        columns=(
            Column(key="name", heading="recording"), Column(key="settings", heading="at"),
            Column(key="before_db", heading="left over, as in the file", unit="dB", show=fixed(1)),
            Column(key="after_db", heading="fitted", unit="dB", show=fixed(1)),
            Column(key="noise_db", heading="of that noise", unit="dB", show=fixed(1)),
            Column(key="delay_ms", heading="late by", unit="ms", show=fixed(4)),
            Column(key="clock_ppm", heading="clock", unit="ppm", show=fixed(2, sign=True)),
            Column(key="gain_db", heading="level", unit="dB", show=fixed(3, sign=True)),
            Column(key="polarity", heading="polarity"), Column(key="excess", heading="excess", show=fixed(2)),
        ),
    )  # fmt: skip


def _cells(found: Fit) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (one.name, round(k * one.slice_s, 4), float(one.edges_hz[band]), float(one.edges_hz[band + 1]),
         float(one.before_cells_db[k, band]), float(one.after_cells_db[k, band]))
        for one in found.recordings for k in range(len(one.before_cells_db)) for band in range(len(one.edges_hz) - 1)
    ]  # fmt: skip
    return Table(
        key="left_over", title="Left over by time and band", rows=rows, detail=True, brief=frozenset(),
        columns=(
            Column(key="recording", heading="recording"), Column(key="from_s", heading="from", unit="s", show=fixed(2)),
            Column(key="low_hz", heading="from", unit="Hz", show=fixed(0)),
            Column(key="high_hz", heading="to", unit="Hz", show=fixed(0)),
            Column(key="file_db", heading="as in the file", unit="dB", show=fixed(1)),
            Column(key="fitted_db", heading="fitted", unit="dB", show=fixed(1)),
        ),
    )  # fmt: skip


def _at(settings: Mapping[str, str]) -> str:
    return ", ".join(f"{name}={value}" for name, value in settings.items())


def _said(names: list[str], of_one: str, of_several: str) -> str:
    return f"{_and(names)} {of_one if len(names) == 1 else of_several}"


def _and(names: tuple[str, ...] | list[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else names[0]


DEFINITIONS = (
    Definition(
        term="95 %",
        meaning="interval of the posterior, tolerances for what is known before; of the normal law at the optimum, or "
        "where the deviation is over 2 % from what the sum of squares is at its ends; wider where readings leave over "
        "more than their accuracies",
        status=OWN,
    ),
    Definition(
        term="learnt",
        meaning="share of the standard deviation known before that the data have taken away; 0 %: only the tolerance "
        "speaks, or readings contradict each other",
        status=OWN,
    ),
    Definition(
        term="not told apart",
        meaning=f"correlation of {TOGETHER:g} or more; the product is that of their values to the powers told (of "
        "controls: e to the position) which is known best",
        status=OWN,
    ),
    Definition(
        term="left over",
        meaning="power of recording less model re the model's output, 20 Hz to 20 kHz, level, delay and clock fitted; "
        "by time and band re the model's mean in the band",
        status=OWN,
    ),
    Definition(
        term="excess",
        meaning="so many numbers of the recording tell no more than one would, since differences hang together in "
        "time; 1 for noise. Variances are multiplied by it",
        status=OWN,
    ),
)
