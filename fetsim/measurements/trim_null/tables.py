"""What a swept trim comes to, as tables and definitions."""

from collections.abc import Mapping

from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import LEVELS, OWN, PRACTICE, REDUCTION, Definition
from fetsim.measurements.results.formats import Format, fixed, percent, quantity
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.measurements.trim_null.procedure import TrimNull

VERSION = Column(key="version", heading="version")
HARMONICS = (
    Column(key="h2", heading="second harmonic", show=percent),
    Column(key="h3", heading="third harmonic", show=percent),
)
LEVEL = Column(key="level_dbu", heading="level", unit="dBu", show=fixed(2, sign=True), meaning="at the source")
IN_FET = Column(key="gain_reduction_db", heading="reduction", unit="dB", show=fixed(2))


def account(measured: Mapping[str, TrimNull]) -> Account:
    """Label of the version -> swept trim."""
    first = next(iter(measured.values()))
    return Account(
        title=f"Second harmonic of {first.provenance.unit} against {first.trimmed}: {first.frequency_hz:.6g} Hz, "
        f"steady state, quality {first.provenance.quality}.",
        lead=tuple(text for label, one in measured.items() for text in _lead(label, one)),
        tables=(_least(measured), _sweep(measured)),
        definitions=(LEVELS, REDUCTION, *DEFINITIONS),
    )


def _is_turn(one: TrimNull) -> bool:
    """Whether the value is the position of a control, and differences are told in turns."""
    return one.quantity == "plain"


def _off(value: float, one: TrimNull) -> float:
    return value - one.present if _is_turn(one) else 100.0 * (value / one.present - 1.0)


def _off_format(one: TrimNull) -> Format:
    return fixed(3 if _is_turn(one) else 1, sign=True)


def _off_column(one: TrimNull) -> Column:
    key, unit = ("off_turns", "turns") if _is_turn(one) else ("off_percent", "%")
    return Column(key=key, heading="off", unit=unit, show=_off_format(one))


def _lead(label: str, one: TrimNull) -> list[str]:
    start, show = f"{label}: " if label else "", quantity(one.quantity)
    unit = " of a turn" if _is_turn(one) else " %"
    off = f"{_off_format(one)(_off(one.best, one))}{unit} from the present value"
    where = "" if one.inside else "at the end of the sweep, "
    further = "" if one.inside else " The null lies further out; widen the span."
    return [
        f"{start}Now {show(one.present)}: second harmonic {percent(one.present_second)}.",
        f"{start}Least: {where}{show(one.best)} ({off}): {percent(one.best_second)}.{further}",
    ]


def _least(measured: Mapping[str, TrimNull]) -> Table:
    first = next(iter(measured.values()))
    show = quantity(first.quantity)
    return Table(
        key="least",
        title="Least second harmonic",
        columns=(
            VERSION,
            LEVEL,
            Column(key="present", heading=f"{first.trimmed} now", show=show),
            Column(key="present_h2", heading="second harmonic now", show=percent),
            Column(key="best", heading=f"{first.trimmed} at the least", show=show),
            _off_column(first),
            Column(key="best_h2", heading="least second harmonic", show=percent),
            Column(key="best_gain_reduction_db", heading="reduction there", unit="dB", show=fixed(2)),
        ),
        rows=[
            (
                label, one.level_dbu, one.present, one.present_second, one.best, _off(one.best, one), one.best_second,
                one.best_gain_reduction_db,
            )
            for label, one in measured.items()
        ],
    )  # fmt: skip


def _sweep(measured: Mapping[str, TrimNull]) -> Table:
    first = next(iter(measured.values()))
    rows: list[tuple[Cell, ...]] = [
        (
            label, one.trimmed, float(one.value[k]), _off(float(one.value[k]), one), one.level_dbu,
            float(one.gain_reduction_db[k]), float(one.second[k]), float(one.third[k]),
        )
        for label, one in measured.items()
        for k in range(one.value.size)
    ]  # fmt: skip
    return Table(
        key="sweep", title="Sweep of", heads=2, detail=True, rows=rows,
        columns=(
            VERSION, Column(key="trimmed", heading="trimmed"),
            Column(key="value", heading="value", show=quantity(first.quantity)), _off_column(first), LEVEL, IN_FET,
            *HARMONICS,
        ),
    )  # fmt: skip


DEFINITIONS = (
    Definition(term="harmonic", meaning="its amplitude over that of the fundamental", status=PRACTICE),
    Definition(
        term="least",
        meaning="found between the values of the sweep; the level at the source stays the same all the while",
        status=OWN,
    ),
    Definition(term="off", meaning="from the present value; of a control, in shares of the whole turn", status=OWN),
)
