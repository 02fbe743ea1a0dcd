"""A spread as tables of raw values: percentiles, yield, volts, who is to blame, what each part does, all builds."""

import re
from collections.abc import Mapping, Sequence
from functools import partial
from math import isfinite

from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import OWN, PRACTICE, Definition
from fetsim.measurements.results.formats import amount, fixed
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.schematic.spreads import FET_CORRELATION, MIDDLE, SIGMAS
from fetsim.studies.builds.asked import Figure
from fetsim.studies.builds.figures import REST
from fetsim.studies.builds.tables import build_row, conditions, definitions, figure_column
from fetsim.studies.spread.analysis import CONFIDENCE, PERCENTS, Summary
from fetsim.studies.spread.moves import Moves
from fetsim.studies.spread.readings import OUTER, Placed
from fetsim.studies.spread.results import SpreadFound, Yield
from fetsim.studies.spread.shares import Blame, PartShare

LISTED = 12
"""Parts in a table of shares, for each figure; all are in JSON."""
MOST_REASONS = 6
NUMBER = re.compile(r"[-+]?[0-9][0-9.e+-]*")
"""Reasons that differ in their numbers alone are one."""
PERCENT = fixed(1)
UNKNOWN = Missing(cause="not computed", text="no build has it")
FEW = Missing(cause="not computed", text="too few builds to tell with confidence")
FIGURE = Column(key="figure", heading="figure")
CHANCE = Missing(cause="not defined", text="below its own error")


def account(found: SpreadFound, *, whole: bool = False) -> Account:
    """All that is to be told; ``whole``: what varies value by value, instead of by what it has in common."""
    title = f"{found.title}, seed {found.seed}."
    return Account(
        title=title,
        lead=(*found.provenance.told, *_lead(found)),
        tables=tuple(filter(None, (
            _percentiles(found), _confidence(found), _yield_table(found.yields), _readings(found.readings),
            _curve(found),
            _shares("blame", f"Parts to blame, by regression on ranks (the first {LISTED})", found, found.blame),
            _shares("shares", "Parts to blame, by shares of the variance", found, found.shares),
            _moves(found.moves, found.told), _trims(found), _volts(found),
            _each_varying(found) if whole else _varying(found), _builds(found),
        ))),
        definitions=(*definitions(found.told), *_definitions(found)),
        readings=partial(_readings_of_builds, found),
    )  # fmt: skip


def _readings_of_builds(found: SpreadFound) -> list[dict[str, str | float | int | None]]:
    """A row for each build: its figures, then all that it differs in, by the names that a change takes."""
    return [
        {"build": row, **{key: float(column[row]) for key, column in found.found.columns.items()}, **changes}
        for row, changes in enumerate(found.changes)
    ]


def _lead(found: SpreadFound) -> list[str]:
    said = [text for text in (conditions(found.found),) if text]
    spreads = found.spreads
    parts = dict.fromkeys(one.part for one in spreads.spreads)
    said.append(f"{len(spreads.spreads)} values of {len(parts)} parts vary.")
    if found.spreads.exact:
        by_reason: dict[str, list[str]] = {}
        for part, why in spreads.exact.items():
            by_reason.setdefault(why, []).append(part)
        listed = "; ".join(f"{', '.join(parts)} ({why})" for why, parts in by_reason.items())
        said.append(f"Taken as exact: {listed}.")
    said += [f"Trims were set first: {', '.join(found.trims)}."] if found.trims else []
    said += [
        f"Alignment step {step}: {why}, in {count} of {len(found.changes)} builds."
        for step, reasons in found.missed.items()
        for why, count in reasons.items()
    ]
    said += _failures(found)
    for one in found.yields:
        if one.share.met == 0:
            what = "all limits at once" if one.limit is None else f"the limit of {one.limit.figure.key}"
            said.append(f"No build meets {what}.")
    return said


def _failures(found: SpreadFound) -> list[str]:
    alike: dict[tuple[str, str], list[str]] = {}
    for by_figure in found.found.reasons.values():
        for figure, why in by_figure.items():
            alike.setdefault((figure, NUMBER.sub("", why)), []).append(why if figure == REST else f"{figure}: {why}")
    if not alike:
        return ["Every build has every figure."]
    ordered = sorted(alike.values(), key=lambda one: -len(one))
    listed = [
        f"{len(told)} x {told[0]}{' or the like' if len(set(told)) > 1 else ''}" for told in ordered[:MOST_REASONS]
    ]
    if len(ordered) > MOST_REASONS:
        listed.append(f"and {len(ordered) - MOST_REASONS} other reasons")
    count = found.failures
    lack = "1 build lacks" if count == 1 else f"{count} builds lack"
    return [f"{lack} a figure, and so no limit of it is met there: {'; '.join(listed)}."]


def _percentiles(found: SpreadFound) -> Table:
    columns = (
        FIGURE, Column(key="nominal", heading="nominal"), Column(key="mean", heading="mean"),
        Column(key="deviation", heading="standard deviation"), Column(key="least", heading="least"),
        *(Column(key=f"percentile_{percent:g}", heading=_ordinal(percent)) for percent in PERCENTS),
        Column(key="most", heading="most"), Column(key="builds", heading="builds", show=fixed(0)),
    )  # fmt: skip
    rows: list[tuple[Cell, ...]] = []
    for one in found.told:
        values = found.summaries[one.key]
        before, after = (found.nominal.found.get(one.key), values.mean), (*values.percentiles, values.most)
        deviation = _shown(one, values.deviation).lstrip("+")
        rows.append((
            _named(one), *(_shown(one, value) for value in before), deviation, _shown(one, values.least),
            *(_shown(one, value) for value in after), values.known,
        ))  # fmt: skip
    return Table(key="percentiles", title="Figures of all builds: percentiles", columns=columns, rows=rows)


def _ordinal(percent: float) -> str:
    """A percentile in a word."""
    return "median" if percent == 50.0 else f"{percent:g}th"


def _named(figure: Figure) -> str:
    return f"{figure.heading} ({figure.unit})" if figure.unit else figure.heading


def _shown(figure: Figure, value: float | None) -> str:
    return "-" if value is None or not isfinite(value) else figure.show(value)


def _confidence(found: SpreadFound) -> Table:
    columns = (FIGURE, *(Column(key=f"within_{percent:g}", heading=_ordinal(percent)) for percent in PERCENTS))
    rows: list[tuple[Cell, ...]] = [
        (_named(one), *(
            FEW if ends is None else f"{_shown(one, ends[0])} to {_shown(one, ends[1])}"
            for ends in found.summaries[one.key].within
        ))
        for one in found.told
    ]  # fmt: skip
    return Table(key="confidence", title="How well the percentiles are known", columns=columns, rows=rows)


def _yield_table(yields: Sequence[Yield]) -> Table | None:
    if not yields:
        return None
    columns = (
        FIGURE, Column(key="low", heading="from"), Column(key="high", heading="to"),
        Column(key="met", heading="met by", show=fixed(0)), Column(key="builds", heading="of", show=fixed(0)),
        Column(key="share", heading="yield", unit="%", show=PERCENT),
        Column(key="share_low", heading="at least", unit="%", show=PERCENT),
        Column(key="share_high", heading="at most", unit="%", show=PERCENT),
    )  # fmt: skip
    rows: list[tuple[Cell, ...]] = []
    for one in yields:
        share, limit = one.share, one.limit
        named = "all limits" if limit is None else _named(limit.figure)
        ends = ("", "") if limit is None else (_shown(limit.figure, limit.low), _shown(limit.figure, limit.high))
        rows.append((named, *ends, share.met, share.of, *(100.0 * x for x in (share.share, share.low, share.high))))
    return Table(key="yield", title="Yield", columns=columns, rows=rows)


def _readings(readings: Sequence[Placed]) -> Table | None:
    if not readings:
        return None
    columns = (
        FIGURE, Column(key="value", heading="read"),
        Column(key="lower", heading="as low or lower", unit="%", show=PERCENT),
        Column(key="higher", heading="as high or higher", unit="%", show=PERCENT),
        Column(key="verdict", heading="that is", folds=True),
    )  # fmt: skip
    rows: list[tuple[Cell, ...]] = [
        (_named(one.reading.figure), _shown(one.reading.figure, one.reading.value), 100.0 * one.lower.share,
         100.0 * one.higher.share, one.verdict)
        for one in readings
    ]  # fmt: skip
    return Table(key="readings", title="What was read, among the builds", columns=columns, rows=rows)


def _curve(found: SpreadFound) -> Table | None:
    if not found.curve_dbu:
        return None
    show = fixed(2)
    columns = (
        Column(key="level_dbu", heading="level", unit="dBu", show=fixed(1, sign=True)),
        Column(key="nominal_db", heading="nominal", unit="dB", show=show),
        *(Column(key=f"percentile_{percent:g}_db", heading=_ordinal(percent), unit="dB", show=show)
          for percent in PERCENTS),
    )  # fmt: skip
    band = found.band_db(PERCENTS)
    rows: list[tuple[Cell, ...]] = [
        (level, found.nominal.found.get(f"reduction@{level:g}"), *(
            float(value) if isfinite(value) else UNKNOWN for value in band[:, number]
        ))
        for number, level in enumerate(found.curve_dbu)
    ]  # fmt: skip
    return Table(key="curve", title="Gain reduction along the curve: percentiles", columns=columns, rows=rows)


def _shares(key: str, title: str, found: SpreadFound, blame: Mapping[str, Blame]) -> Table | None:
    if not blame:
        return None
    by_rank = key == "blame"
    columns = [
        FIGURE, Column(key="part", heading="part"),
        Column(key="share", heading="share", unit="%", show=PERCENT),
        Column(key="error", heading="+-", unit="%", show=PERCENT),
    ]  # fmt: skip
    columns += [Column(key="sign", heading="with more of it")] if by_rank else [
        Column(key="total", heading="in total", unit="%", show=PERCENT),
        Column(key="total_error", heading="+-", unit="%", show=PERCENT),
    ]  # fmt: skip
    rows: list[tuple[Cell, ...]] = []
    notes: list[str] = []
    without: dict[str, list[str]] = {}
    for one in found.told:
        this = blame[one.key]
        if this.reason:
            without.setdefault(this.reason, []).append(one.heading)
            continue
        ranked = [share for share in this.shares if share.ranked]
        rows += [(one.heading, *_share_row(share, by_rank)) for share in ranked[: LISTED if by_rank else None]]
        left = len(this.shares) - len(ranked)
        explained = f"ranks explain {100.0 * this.explained:.0f} % of its variance; " if this.explained else ""
        notes.append(f"{one.heading}: {explained}{left} part{'' if left == 1 else 's'} below the error of the share.")
    notes += [f"{'; '.join(headings)}: {why}." for why, headings in without.items()]
    return Table(key=key, title=title, columns=tuple(columns), rows=rows, heads=2, notes=tuple(notes))


def _share_row(one: PartShare, by_rank: bool) -> tuple[Cell, ...]:
    share = (one.group, 100.0 * one.share, 100.0 * one.error)
    if by_rank:
        return (*share, "" if one.sign is None else "rises" if one.sign > 0.0 else "falls")
    return (*share, 100.0 * (one.total or 0.0), 100.0 * (one.total_error or 0.0))


def _moves(moves: Moves | None, figures: Sequence[Figure]) -> Table | None:
    if moves is None:
        return None
    columns = (Column(key="value", heading="value"), *(figure_column(one) for one in figures))
    first = next((one for one in figures if moves.largest(one.key, 1)), figures[0])  # the first that any value moves
    ordered = sorted(moves.moves, key=lambda one: -abs(one.by.get(first.key) or 0.0))
    rows: list[tuple[Cell, ...]] = [
        (one.name, *(_moved(one.by[figure.key], moves.uncertain[figure.key]) for figure in figures)) for one in ordered
    ]
    moving = [k for k, row in enumerate(rows) if any(isinstance(cell, float) for cell in row[1:])]
    columns = (columns[0], *(
        Column(key=c.key, heading=c.heading, unit=_move_unit(one), show=_move_show(one))
        for c, one in zip(columns[1:], figures, strict=True)
    ))  # fmt: skip
    return Table(
        key="moves", title=f"{100.0 * moves.step:g} % more of a value moves a figure by", columns=columns,
        rows=[rows[k] for k in moving],
        notes=(f"Sorted by {first.heading}. {len(rows) - len(moving)} other values move none of these by more "
               "than it is uncertain by.",),
    )  # fmt: skip


def _moved(value: float | None, uncertain: float) -> Cell:
    if value is None:
        return Missing(cause="not computed", text="a build has not got the figure")
    return value if abs(value) > uncertain else CHANCE


SMALL = {"second": 1e3, "share": 100.0}
UNITS = {"second": "ms", "share": "%", "hertz": "Hz", "volt": "V"}


def _move_unit(figure: Figure) -> str:
    return "dB" if figure.unit == "dBu" else UNITS.get(figure.quantity, figure.unit)


class _Scaled:
    """Four significant digits with a sign, in the unit of ``_move_unit``."""

    def __init__(self, factor: float) -> None:
        self.factor = factor

    def __call__(self, value: float) -> str:
        return f"{value * self.factor:+.3g}"


def _move_show(figure: Figure) -> _Scaled:
    return _Scaled(SMALL.get(figure.quantity, 1.0))


def _trims(found: SpreadFound) -> Table | None:
    if not found.trims:
        return None
    show = fixed(3)
    columns = (
        Column(key="trim", heading="trim"), Column(key="nominal", heading="nominal", show=show),
        Column(key="least", heading="least", show=show),
        *(Column(key=f"percentile_{percent:g}", heading=_ordinal(percent), show=show) for percent in PERCENTS),
        Column(key="most", heading="most", show=show),
    )  # fmt: skip
    rows: list[tuple[Cell, ...]] = [
        (name, found.nominal.trims.get(name), one.least, *one.percentiles, one.most)
        for name, one in found.trims.items()
    ]
    return Table(key="trims", title="Where the trims of all builds stand", columns=columns, rows=rows)


def _volts(found: SpreadFound) -> Table:
    volt = amount("volt", 4, smallest=1e-9)
    columns = (
        Column(key="node", heading="node"), Column(key="nominal_v", heading="nominal", show=volt),
        *(Column(key=f"percentile_{percent:g}_v", heading=_ordinal(percent), show=volt) for percent in PERCENTS),
    )  # fmt: skip

    def row(node: str, nominal_v: float, one: Summary) -> tuple[Cell, ...]:
        return (node, nominal_v, *(UNKNOWN if value is None else value for value in one.percentiles))

    rows = [row(node, float(found.nominal.node_v[k]), one) for k, (node, one) in enumerate(found.volts.items())]
    return Table(key="volts", title="Volts at rest: percentiles", columns=columns, rows=rows)


def _varying(found: SpreadFound) -> Table:
    """By what limits, and by which law."""
    alike: dict[tuple[str, str], list[str]] = {}
    for one in found.spreads.spreads:
        alike.setdefault((one.why, one.law), []).append(one.name)
    columns = (
        Column(key="why", heading="limits"), Column(key="law", heading="law"),
        Column(key="count", heading="values", show=fixed(0)), Column(key="values", heading="of", folds=True),
    )  # fmt: skip
    rows = [(*by, len(names), ", ".join(names)) for by, names in alike.items()]
    return Table(key="varies", title="What varies", columns=columns, rows=rows, heads=2)


def _each_varying(found: SpreadFound) -> Table:
    columns = (
        Column(key="value", heading="value"), Column(key="law", heading="law"), Column(key="low", heading="from"),
        Column(key="nominal", heading="nominal"), Column(key="high", heading="to"),
        Column(key="why", heading="why", folds=True),
    )  # fmt: skip
    rows: list[tuple[Cell, ...]] = []
    for one in found.spreads.spreads:
        show = amount(one.quantity)
        rows.append((one.name, one.law, show(one.low), show(one.nominal), show(one.high), one.why))
    return Table(key="varies", title="What varies", columns=columns, rows=rows)


def _builds(found: SpreadFound) -> Table:
    columns = (Column(key="build", heading="build"), *(figure_column(one) for one in found.found.figures))
    rows = [build_row(found.found, row) for row in range(len(found.changes))]
    return Table(key="builds", title="Builds", columns=columns, rows=rows, detail=True, brief=frozenset())


def _definitions(found: SpreadFound) -> list[Definition]:
    said = [
        Definition(
            term="laws", status=PRACTICE,
            meaning=f"all cut at the limits; normal: {SIGMAS:g} standard deviations reach a limit; hollow: the same "
            f"with the middle {100.0 * MIDDLE:g} % of the way selected out; uniform: all alike, gains and currents by "
            f"ratio; I_DSS and V_P of a FET go together with a correlation of {FET_CORRELATION:g}",
        ),
        Definition(
            term="how well known", status=OWN,
            meaning=f"with {100.0 * CONFIDENCE:g} % confidence: percentiles by order statistics, yield by Clopper and "
            "Pearson's interval of the binomial; of a share what drawing the builds again with replacement says",
        ),
    ]  # fmt: skip
    if found.yields:
        inside = "share of the builds inside; a build without the figure is outside"
        said.append(Definition(term="yield", status=OWN, meaning=inside))
    if found.readings:
        said.append(Definition(
            term="what was read", status=OWN,
            meaning=f"within what tolerances do where {100.0 * OUTER:g} % of the builds or more read so far out, or "
            "farther, on its side; set up and measured as the builds were",
        ))  # fmt: skip
    said.append(Definition(
        term="share", status=OWN,
        meaning="of the variance of the figure, or of its ranks, that the part brings by itself; in total: with all "
        "that it does together with others; shares below their own error are left out",
    ))  # fmt: skip
    return said
