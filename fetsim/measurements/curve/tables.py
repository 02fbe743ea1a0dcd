"""What a static curve says, as tables and definitions."""

from collections.abc import Mapping
from math import isinf

import numpy as np

from fetsim.measurements.curve.analysis import BOTTOMED_RATIO, IEC_THRESHOLD_DB, LOW_THRESHOLD_DB
from fetsim.measurements.curve.procedure import (
    CLIPPED_DB,
    COMPARED_STEP_DB,
    STATED_REDUCTION_DB,
    CurveMeasurement,
    SubsetCurve,
)
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import LEVELS, MEMORY, OWN, PRACTICE, Definition
from fetsim.measurements.results.formats import FINE_LEVEL, LEVEL, fixed, ratio
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.results.table import Cell, Column, Table

BRIEF_ROWS = 14  # about so many levels of each curve where room is scarce
SAME_DB = 0.01  # curves as near as this are the same

HEADS = (Column(key="version", heading="version"), Column(key="switches", heading="switches"))
SUMMARY = (
    *HEADS,
    Column(key="threshold_half_db_dbu", heading=f"{LOW_THRESHOLD_DB:g} dB at", unit="dBu", show=FINE_LEVEL),
    Column(key="threshold_2db_dbu", heading=f"{IEC_THRESHOLD_DB:g} dB at", unit="dBu", show=FINE_LEVEL),
    Column(key="largest_ratio", heading="largest ratio", show=ratio, meaning="largest local ratio, dB per dB"),
    Column(key="largest_ratio_at_dbu", heading="largest ratio at", unit="dBu", show=LEVEL),
    Column(key="ratio_at_10db", heading=f"ratio at {STATED_REDUCTION_DB:g} dB", show=ratio,
           meaning=f"local ratio at {STATED_REDUCTION_DB:g} dB of gain reduction"),
    Column(key="most_gain_reduction_db", heading="most reduction", unit="dB", show=fixed(1)),
    Column(key="most_gain_reduction_at_dbu", heading="most reduction at", unit="dBu", show=LEVEL),
    Column(key="bottoms_out_dbu", heading="FET fully on from", unit="dBu", show=FINE_LEVEL),
    Column(key="idle_gain_db", heading="gain at rest", unit="dB", show=fixed(2, sign=True)),
)  # fmt: skip
POINTS = (
    *HEADS,
    Column(key="level_dbu", heading="level", unit="dBu", show=LEVEL),
    Column(key="output_dbu", heading="output", unit="dBu", show=FINE_LEVEL),
    Column(key="gain_reduction_db", heading="reduction", unit="dB", show=fixed(2), meaning="of the output"),
    Column(key="local_ratio", heading="local ratio", show=ratio, meaning="at this level, dB per dB"),
    Column(key="cell_reduction_db", heading="in the FET", unit="dB", show=fixed(2)),
    Column(key="control_v", heading="control", unit="V", show=fixed(3), meaning="mean control voltage"),
)
EQUALS = (
    Column(key="version", heading="version"),
    Column(key="settings", heading="settings"),
    Column(key="largest_difference_db", heading="largest difference", unit="dB", show=fixed(2)),
)


DISTINCT = (*HEADS, *SUMMARY[len(HEADS) : len(HEADS) + 2], Column(key="same_as", heading="alike", folds=True))


def account(measured: Mapping[str, CurveMeasurement]) -> Account:
    """Label of the version -> measurement."""
    first = next(iter(measured.values()))
    compared = any(one.compared for one in measured.values())
    return Account(
        title=f"Static curve of {first.provenance.unit}: {first.frequency_hz:.6g} Hz, {first.method}, quality "
        f"{first.provenance.quality}; levels in dBu.",
        lead=tuple(text for label, one in measured.items() for text in _lead(label, one)),
        tables=(_summary(measured), *([_equals(measured), _distinct(measured)] if compared else []), _points(measured)),
        definitions=(LEVELS, *DEFINITIONS, *([_alike(first)] if compared else [])),
    )


def named_curves(measured: Mapping[str, CurveMeasurement]) -> dict[str, SubsetCurve]:
    """All curves under names made of version and switches; the unit's name where there is neither."""
    return {
        _name(label, curve.switches) or one.provenance.unit: curve
        for label, one in measured.items()
        for curve in one.curves
    }


def _summary(measured: Mapping[str, CurveMeasurement]) -> Table:
    rows: list[tuple[Cell, ...]] = []
    notes = []
    for label, one in measured.items():
        for found in one.curves:
            c, why = found.curve, found.curve.reasons
            working = c.threshold_half_db_dbu is not None
            idle = why.get("threshold_half_db_dbu")
            rows.append((
                label, found.switches,
                why.get("threshold_half_db_dbu", c.threshold_half_db_dbu),
                why.get("threshold_2db_dbu", c.threshold_2db_dbu),
                c.largest_ratio if working else idle, c.largest_ratio_at_dbu if working else idle,
                _unreached(c.most_gain_reduction_db) if found.ratio_at_10db is None else found.ratio_at_10db,
                c.most_gain_reduction_db, c.most_gain_reduction_at_dbu,
                why.get("bottoms_out_dbu", c.bottoms_out_dbu), found.idle_gain_db,
            ))  # fmt: skip
            if found.clips_dbu is not None:
                notes.append(
                    f"{_start(_name(label, found.switches))}from {LEVEL(found.clips_dbu)} dBu on the output loses "
                    f"{CLIPPED_DB:g} dB more than the FET accounts for: a stage clips, and what is told of levels "
                    "above is not gain reduction."
                )
    return Table(
        key="curves", title="Thresholds and ratios", columns=SUMMARY, rows=rows, heads=2,
        notes=(*(f"Left out: {text}." for text in left_out(measured)), *notes),
    )  # fmt: skip


def left_out(measured: Mapping[str, CurveMeasurement]) -> list[str]:
    """A clause for each switch subset that has no curve."""
    return [
        f"{_start(_name(label, f'switches {switches}' if switches else ''))}{why}"
        for label, one in measured.items()
        for switches, why in one.left_out.items()
    ]


def _unreached(most_db: float) -> Missing:
    return Missing(
        cause="not reached",
        text=f"the gain reduction comes to no more than {most_db:.1f} dB, not to {STATED_REDUCTION_DB:g} dB",
    ) if most_db < STATED_REDUCTION_DB else Missing(
        cause="reached before",
        text=f"the gain reduction is above {STATED_REDUCTION_DB:g} dB at the lowest level already; start lower",
    )  # fmt: skip


def _points(measured: Mapping[str, CurveMeasurement]) -> Table:
    rows: list[tuple[Cell, ...]] = []
    brief: set[int] = set()
    for label, one in measured.items():
        for found in one.curves:
            c = found.curve
            brief.update(len(rows) + k for k in _brief(c.level_dbu))
            slope = np.interp(c.level_dbu, c.middle_in_dbu, c.slope)
            for k, level in enumerate(c.level_dbu):
                rows.append((
                    label, found.switches, float(level), float(c.output_dbu[k]), float(c.gain_reduction_db[k]),
                    float(1.0 / slope[k]) if slope[k] != 0.0 else np.inf, float(found.cell_reduction_db[k]),
                    None if np.isnan(found.control_v[k]) else float(found.control_v[k]),
                ))  # fmt: skip
    return Table(
        key="points", title="Curve", columns=POINTS, rows=rows, heads=2, detail=True, brief=frozenset(brief)
    )


def _brief(level_dbu: np.ndarray) -> np.ndarray:
    """Evenly spread whole levels, or levels where none is whole."""
    whole = np.flatnonzero(np.isclose(level_dbu, np.round(level_dbu)))
    shown = whole if whole.size else np.arange(level_dbu.size)
    return shown[:: max(1, round(shown.size / BRIEF_ROWS))]


def _equals(measured: Mapping[str, CurveMeasurement]) -> Table:
    first = next(iter(measured.values()))
    rows: list[tuple[Cell, ...]] = [
        (label, _listed(group.names), group.largest_difference_db) for label, one in measured.items()
        for group in one.equals
    ]  # fmt: skip
    notes = [
        f"{_start(label)}none of the {one.compared} settings has a curve within {one.equal_db:g} dB of another's."
        for label, one in measured.items()
        if one.compared and not one.equals
    ]
    return Table(
        key="equals",
        title=f"Switch settings whose curves stay within {first.equal_db:g} dB of each other",
        columns=EQUALS, rows=rows, heads=2,
        notes=tuple(notes),
    )  # fmt: skip


def _distinct(measured: Mapping[str, CurveMeasurement]) -> Table:
    """Thresholds of one subset of each group that is alike, and of all subsets that have no equal."""
    rows: list[tuple[Cell, ...]] = []
    for label, one in measured.items():
        others = {group.names[0]: ", ".join(group.names[1:]) for group in one.equals}
        told_elsewhere = {name for group in one.equals for name in group.names[1:]}
        rows += [
            (label, found.switches, found.threshold_half_db_dbu, found.threshold_2db_dbu,
             others.get(found.switches, ""))
            for found in one.thresholds
            if found.switches not in told_elsewhere
        ]  # fmt: skip
    return Table(
        key="distinct", title="Thresholds of all switch settings that are not alike", columns=DISTINCT, rows=rows,
        heads=2,
    )  # fmt: skip


def _lead(label: str, one: CurveMeasurement) -> list[str]:
    """The setting that the unit has, where it was measured."""
    found = next((curve for curve in one.curves if curve.switches == one.present), None)
    if found is None:
        return []
    c = found.curve
    start = _start(_name(label, f"as it is set ({found.switches})" if found.switches else ""))
    if c.threshold_half_db_dbu is None:
        return [_upper(f"{start}no threshold: {c.reasons['threshold_half_db_dbu'].text}.")]
    where = f"at {LEVEL(c.largest_ratio_at_dbu)} dBu"
    steepest = f"largest local ratio {ratio(c.largest_ratio)} {where}"
    if isinf(c.largest_ratio):
        steepest = f"the output no longer rises with the input (an infinite local ratio) {where}"
    return [_upper(
        f"{start}threshold {LEVEL(c.threshold_half_db_dbu)} dBu ({LOW_THRESHOLD_DB:g} dB), {steepest}, at most "
        f"{c.most_gain_reduction_db:.1f} dB of gain reduction."
    )]  # fmt: skip


def _name(label: str, rest: str) -> str:
    return ", ".join(part for part in (label, rest) if part)


def _start(name: str) -> str:
    return f"{name}: " if name else ""


def _listed(names: tuple[str, ...]) -> str:
    return f"{', '.join(names[:-1])} and {names[-1]}"


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


DEFINITIONS = (
    Definition(
        term=f"threshold, {LOW_THRESHOLD_DB:g} dB",
        meaning=f"input level at which the output's fundamental is {LOW_THRESHOLD_DB:g} dB below the gain at rest",
        status=PRACTICE,
    ),
    Definition(
        term=f"threshold, {IEC_THRESHOLD_DB:g} dB",
        meaning=f"the same with {IEC_THRESHOLD_DB:g} dB, the lower limit of gain control",
        source="IEC 60118-2",
        status=MEMORY,
    ),
    Definition(
        term="local ratio",
        meaning="rise of the input over rise of the output between neighbouring levels, dB per dB; a curve, so it is "
        "told with its level; infinite: the output does not rise with the input; "
        "falls: it comes down as the input rises",
        status=PRACTICE,
    ),
    Definition(
        term="FET fully on from",
        meaning=f"it bottoms out: level from which on the local ratio stays under "
        f"{BOTTOMED_RATIO:g}: the channel is fully on",
        status=OWN,
    ),
)


def _alike(one: CurveMeasurement) -> Definition:
    return Definition(
        term="alike",
        meaning=f"switch settings whose curves stay within {one.equal_db:g} dB at levels {COMPARED_STEP_DB:g} dB "
        f"apart; a difference under {SAME_DB:g} dB is none",
        status=OWN,
    )
