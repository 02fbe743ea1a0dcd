"""How a unit drifts, as a table and definitions."""

from collections.abc import Mapping
from math import isinf

from fetsim.measurements.drift.procedure import DriftMeasurement, DriftState
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import LEVELS, OWN, PRACTICE, Definition
from fetsim.measurements.results.formats import FINE_LEVEL, amount, fixed, general
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.rig.heat import HOTTEST_C

DRIFT = (
    Column(key="version", heading="version"),
    Column(key="temperature_c", heading="unit", unit="C", show=general(4), meaning="temperature of the unit"),
    Column(key="state", heading="state"),
    Column(key="control_v", heading="control", unit="V", show=fixed(4)),
    Column(key="above_pinch_off_v", heading="gate", unit="V", show=fixed(4, sign=True), meaning="above pinch-off"),
    Column(key="rest_loss_db", heading="loss at rest", unit="dB", show=fixed(3)),
    Column(key="idle_gain_db", heading="gain 1 kHz", unit="dB", show=fixed(3, sign=True)),
    Column(key="threshold_dbu", heading="threshold", unit="dBu", show=FINE_LEVEL),
    Column(key="heat_w", heading="heat", show=amount("watt")),
    Column(key="warmest", heading="warmest"),
    Column(key="warmest_c", heading="at", unit="C", show=fixed(1)),
)


def account(measured: Mapping[str, DriftMeasurement]) -> Account:
    """Label of the version -> measurement."""
    first = next(iter(measured.values()))
    rows: list[tuple[Cell, ...]] = [
        (label, one.temperature_c, state_in_words(one), *(_figure(one, column.key) for column in DRIFT[3:]))
        for label, found in measured.items()
        for one in found.states
    ]
    return Account(
        title=f"Drift of {first.provenance.unit}, quality {first.provenance.quality}.",
        lead=tuple(f"{f'{label}: ' if label else ''}{_lead(one)}" for label, one in measured.items()),
        tables=(Table(key="drift", title="Drift", columns=DRIFT, rows=rows, heads=3),),
        definitions=(LEVELS, *DEFINITIONS),
    )


def left_out(measured: Mapping[str, DriftMeasurement]) -> list[str]:
    """A clause for each state that could not be had."""
    return [
        f"{f'{label}: ' if label else ''}{one.temperature_c:g} C, {state_in_words(one)}: {one.reasons['heat_w'].text}"
        for label, found in measured.items()
        for one in found.states
        if "heat_w" in one.reasons
    ]


def state_in_words(state: DriftState) -> str:
    """How long it has been switched on."""
    if isinf(state.on_s):
        return "settled"
    return "just switched on" if state.on_s == 0.0 else f"after {state.on_s:g} s"


def _figure(state: DriftState, key: str) -> Cell:
    found: Cell = state.reasons.get(key, getattr(state, key))
    return found


def _lead(found: DriftMeasurement) -> str:
    had = [one for one in found.states if "heat_w" not in one.reasons]
    settled = [one for one in had if isinf(one.on_s)]
    sentences = [_moves("from", settled[0], settled[-1])] if len(settled) > 1 else []
    if found.warms_up:
        starts = {one.temperature_c: one for one in had if one.on_s == 0.0}
        pairs = [(starts[one.temperature_c], one) for one in settled if one.temperature_c in starts]
        if pairs:
            cold, warm = pairs[len(pairs) // 2]
            sentences.append(_moves(f"At {warm.temperature_c:g} C, from", cold, warm))
    else:
        sentences.append("No part has a thermal resistance, so none warms itself.")
    lost = dict.fromkeys(f"{one.temperature_c:g} C" for one in found.states if one not in had)
    return " ".join([*sentences, *([f"Not everything could be had at {', '.join(lost)}."] if lost else [])])


def _moves(start: str, one: DriftState, other: DriftState) -> str:
    words = [
        f"{name} moves by {round(other_value - value, digits) + 0.0:+.{digits}f} {unit}"
        for name, unit, digits, value, other_value in (
            ("the threshold", "dB", 2, one.threshold_dbu, other.threshold_dbu),
            ("the gain", "dB", 3, one.idle_gain_db, other.idle_gain_db),
            ("the control at rest", "mV", 1, _milli(one.control_v), _milli(other.control_v)),
        )
        if value is not None and other_value is not None
    ]
    if one.temperature_c == other.temperature_c:
        span = f"{start} {state_in_words(one)} to {state_in_words(other)}"
    else:
        span = f"{start.capitalize()} {one.temperature_c:g} to {other.temperature_c:g} C"
    return f"{span} {', '.join(words) or 'nothing is known'}."


def _milli(volt: float | None) -> float | None:
    return None if volt is None else 1e3 * volt


DEFINITIONS = (
    Definition(
        term="unit",
        meaning="temperature of all parts but those with one of their own, before they warm themselves",
        status=PRACTICE,
    ),
    Definition(
        term="just switched on, settled",
        meaning="no part warmed yet; every part with a thermal resistance as warm as its heat at rest makes it, that "
        f"of a signal left out; beyond {HOTTEST_C:g} C it counts as lost",
        status=OWN,
    ),
    Definition(
        term="gate",
        meaning="voltage from the nearer end of the channel to the gate at rest, less the pinch-off voltage; positive "
        "towards conduction",
        status=PRACTICE,
    ),
    Definition(
        term="threshold",
        meaning="level at the source of a steady 1 kHz tone that has 0.5 dB of gain reduction, counted from the unit "
        "at rest in the same state",
        status=OWN,
    ),
    Definition(term="heat", meaning="of all parts at rest; what the supplies deliver", status=PRACTICE),
)
