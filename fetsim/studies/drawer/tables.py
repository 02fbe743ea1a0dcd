"""What a drawer of FETs comes to, as tables and definitions."""

from collections.abc import Mapping
from math import isfinite

from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import LEVELS, OWN, PRACTICE, REDUCTION, Definition
from fetsim.measurements.results.formats import amount, fixed, quantity
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.schematic.values import format_value
from fetsim.studies.drawer.likeness import (
    CURVE,
    CURVE_DB,
    GAIN_DB,
    MOST_PAIRS,
    NOISE_DB,
    THD_RATIO,
    TIME_RATIO,
)
from fetsim.studies.drawer.record import Drawer, FetFound

CHANGE = fixed(2, sign=True)


def account(measured: Mapping[str, Drawer]) -> Account:
    """The one drawer, under whatever label."""
    (found,) = measured.values()
    return Account(
        title=f"Drawer of {len(found.fets)} FETs for {found.provenance.unit}, its trims set for each; compared with: "
        f"{found.reference}; quality {found.provenance.quality}.",
        lead=_lead(found),
        tables=(_fets(found), _differences(found), *([_pairs(found)] if found.pairs else []), _curves(found)),
        definitions=(LEVELS, REDUCTION, *_asked(found), *DEFINITIONS),
        cautions=tuple(
            f"{one.fet.name}: {text}." for one in (found.present, *found.fets) for text in dict.fromkeys(one.told)
        ),
    )


def _lead(found: Drawer) -> tuple[str, ...]:
    told = []
    if found.apart:
        told.append(
            f"The channels are joined, and their trims pull at each other: each FET is measured in the {found.apart} "
            "one alone."
        )
    first = found.fets[0]
    if isfinite(first.unlikeness):
        options = " ".join(f"--change {name}={value}" for name, value in first.changes.items())
        likest = f"{first.fet.name}, unlikeness {first.unlikeness:.3f} (0 is the same)"
        told.append(f"Likest: {likest}. As changes: {options}")
    if found.pairs:
        best = found.pairs[0]
        told.append(
            f"Best pair: {best.one} and {best.other}, {best.tracking_db:.3f} dB rms apart over level, "
            f"{abs(best.worst_db):.2f} dB at most (at {best.worst_dbu:+g} dBu)."
        )
    if found.left_out:
        told.append(f"Columns of the list that were not read: {', '.join(found.left_out)}.")
    return tuple(told)


def _set_names(found: Drawer) -> list[str]:
    return list(found.quantities)


def _fets(found: Drawer) -> Table:
    names = _set_names(found)
    rows: list[tuple[Cell, ...]] = [
        _row(one, found, names, "" if one is found.present else str(rank))
        for rank, one in enumerate((found.present, *found.fets))
    ]
    return Table(
        key="fets", title="FETs, the likest first", heads=2, rows=rows,
        columns=(
            Column(key="rank", heading=""), Column(key="fet", heading="FET"),
            Column(key="i_dss_a", heading="I_DSS", show=amount("ampere")),
            Column(key="v_gs_off_v", heading="V_GS(off)", show=amount("volt")),
            Column(key="v_gs_off_current_a", heading="at", show=amount("ampere", 3)),
            *(Column(key=name, heading=name, show=quantity(found.quantities[name])) for name in names),
            Column(key="changed", heading="resistor"),
            *(Column(key=one.key, heading=one.heading.partition(" at ")[0], unit=one.unit, show=one.show)
              for one in found.asked),
            Column(key="unlikeness", heading="unlikeness", show=fixed(3)),
        ),
    )  # fmt: skip


def _row(one: FetFound, found: Drawer, names: list[str], rank: str) -> tuple[Cell, ...]:
    changed = ", ".join(f"{name} {format_value(ohm, 'ohm')}" for name, ohm in one.changed.items())
    return (
        rank, one.fet.name, one.fet.i_dss_a, one.fet.v_gs_off_v, one.fet.v_gs_off_current_a,
        *(one.set.get(name) for name in names), changed,
        *(_figure(one, figure.key) for figure in found.asked),
        one.unlikeness if isfinite(one.unlikeness) else Missing(
            cause="not computed", text="not all of its figures could be had"
        ),
    )  # fmt: skip


def _figure(one: FetFound, key: str) -> Cell:
    value = one.figures[key]
    if isfinite(value):
        return value
    why = next((text.partition(": ")[2] for text in one.told if text.startswith(f"{key}: ")), "")
    return Missing(cause="not computed", text=why or (one.told[0] if one.told else "could not be had"))


def _differences(found: Drawer) -> Table:
    counted = list(found.present.differences)
    reference = found.present.figures
    rows: list[tuple[Cell, ...]] = [
        (
            str(rank), one.fet.name, _curve_db(one),
            *(_apart(one.figures[key], reference[key], key) for key in ("threshold", "gain", "noise")),
            *(_apart(one.figures[key], reference[key], key) for key in ("attack", "release", "thd")),
            _most(one, counted),
        )
        for rank, one in enumerate(found.fets, start=1)
    ]  # fmt: skip
    return Table(
        key="differences", title=f"Against {found.reference}", heads=2, rows=rows,
        columns=(
            Column(key="rank", heading=""), Column(key="fet", heading="FET"),
            Column(key="curve_db", heading="curve", unit="dB rms", show=fixed(3)),
            Column(key="threshold_db", heading="threshold", unit="dB", show=CHANGE),
            Column(key="gain_db", heading="gain", unit="dB", show=CHANGE),
            Column(key="noise_db", heading="noise", unit="dB", show=CHANGE),
            Column(key="attack_percent", heading="attack", unit="%", show=fixed(1, sign=True)),
            Column(key="release_percent", heading="release", unit="%", show=fixed(1, sign=True)),
            Column(key="thd_percent", heading="THD", unit="%", show=fixed(1, sign=True)),
            Column(key="most", heading="counts most"),
        ),
    )  # fmt: skip


def _curve_db(one: FetFound) -> float | None:
    share = one.differences[CURVE]
    return CURVE_DB * share if isfinite(share) else None


def _apart(value: float, reference: float, key: str) -> float | None:
    """In dB, or of times and THD, whose size says little, in per cent."""
    if not (isfinite(value) and isfinite(reference)):
        return None
    return 100.0 * (value / reference - 1.0) if key in ("attack", "release", "thd") else value - reference


def _most(one: FetFound, counted: list[str]) -> str:
    had = [key for key in counted if isfinite(one.differences[key])]
    return max(had, key=lambda key: abs(one.differences[key])) if had and one.unlikeness > 1e-3 else ""


def _pairs(found: Drawer) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (
            str(rank), f"{one.one}, {one.other}", one.tracking_db, one.worst_db, one.worst_dbu,
            *(100.0 * (ratio - 1.0) if isfinite(ratio) else None for ratio in (one.attack_ratio, one.release_ratio)),
        )
        for rank, one in enumerate(found.pairs, start=1)
    ]  # fmt: skip
    return Table(
        key="pairs", title=f"Pairs for two channels, the {MOST_PAIRS} best at most", heads=2, rows=rows,
        columns=(
            Column(key="rank", heading=""), Column(key="pair", heading="pair"),
            Column(key="tracking_db", heading="tracking error", unit="dB rms", show=fixed(3)),
            Column(key="worst_db", heading="at most", unit="dB", show=CHANGE),
            Column(key="worst_dbu", heading="at", unit="dBu", show=fixed(1, sign=True)),
            Column(key="attack_percent", heading="attack", unit="%", show=fixed(1, sign=True)),
            Column(key="release_percent", heading="release", unit="%", show=fixed(1, sign=True)),
        ),
    )  # fmt: skip


def _curves(found: Drawer) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (one.fet.name, float(level), _number(reduction), _number(reduction - reference))
        for one in (found.present, *found.fets)
        for level, reduction, reference in zip(
            found.level_dbu, one.reduction_db, found.present.reduction_db, strict=True
        )
    ]
    return Table(
        key="curves", title="Curve of", heads=1, detail=True, brief=frozenset(), rows=rows,
        columns=(
            Column(key="fet", heading="FET"),
            Column(key="level_dbu", heading="level", unit="dBu", show=fixed(1, sign=True)),
            Column(key="reduction_db", heading="reduction", unit="dB", show=fixed(2)),
            Column(key="difference_db", heading="difference", unit="dB", show=CHANGE),
        ),
    )  # fmt: skip


def _number(value: float) -> float | None:
    return float(value) if isfinite(value) else None


def _asked(found: Drawer) -> tuple[Definition, ...]:
    return tuple(
        Definition(
            term=one.heading.partition(" at +")[0].partition(" at -")[0],
            meaning=f"{one.meaning}, with {found.thd_dbu:+g} dBu" if one.key == "thd" else one.meaning, status=PRACTICE,
        )
        for one in found.asked
    )  # fmt: skip


DEFINITIONS = (
    Definition(
        term="trims",
        meaning="set for every FET by the unit's own alignment; where one is out of reach, the resistor beside it is "
        "changed that needs the least change; a part that is selected for a least harmonic is the best of its series",
        status=OWN,
    ),
    Definition(
        term="unlikeness",
        meaning="root of the mean square of the differences from the reference, each counted in a scale of its own: "
        f"gain reduction over the levels {CURVE_DB:g} dB rms, gain {GAIN_DB:g} dB, noise {NOISE_DB:g} dB, attack and "
        f"release {100.0 * (TIME_RATIO - 1.0):.0f} %, THD a factor of {THD_RATIO:g}",
        status=OWN,
    ),
    Definition(
        term="tracking error",
        meaning="difference of the gain reductions of two FETs in the same unit at one level, rms over the levels",
        status=OWN,
    ),
    Definition(
        term="V_GS(off) at",
        meaning="the drain current at which it was read; both, and I_DSS, hold at the temperature of the unit's sheet",
        status=PRACTICE,
    ),
)
