"""What small-signal responses come to, as tables and definitions."""

from collections.abc import Mapping

import numpy as np

from fetsim.engine.circuit import PROGRAM
from fetsim.measurements.bench.frequencies import NAMED_HZ
from fetsim.measurements.bench.transfer import CORNER_DB, CORNER_SEARCH
from fetsim.measurements.response.procedure import CHECK_LEVEL_DBU, Response, ResponseMeasurement
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import LAW, OWN, PRACTICE, Definition
from fetsim.measurements.results.formats import FINE_LEVEL, fixed, hertz, short_time
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.rig.gain_cell import REFERENCE_HZ

SUMMARY_HZ = (20.0, 50.0, 10e3, 20e3)
MIDDLE = hertz(REFERENCE_HZ)
GAIN = fixed(3, sign=True)

HEADS = (
    Column(key="version", heading="version"),
    Column(key="point", heading="point"),
    Column(key="state", heading="state"),
)
SUMMARY = (
    *HEADS,
    Column(key="gain_1khz_db", heading=f"gain at {MIDDLE}", unit="dB", show=GAIN),
    *(
        Column(key=f"re_1khz_at_{f:g}hz_db", heading=hertz(f), unit="dB", show=FINE_LEVEL, meaning=f"re {MIDDLE}")
        for f in SUMMARY_HZ
    ),
    Column(key="low_corner_hz", heading=f"-{CORNER_DB:g} dB from", show=hertz),
    Column(key="high_corner_hz", heading=f"-{CORNER_DB:g} dB to", show=hertz),
)
STATES = (
    *HEADS,
    Column(key="gain_reduction_db", heading="reduction", unit="dB", show=fixed(2), meaning=f"at the output, {MIDDLE}"),
    Column(key="control_v", heading="control held at", unit="V", show=fixed(4)),
)
POINTS = (
    *HEADS,
    Column(key="frequency_hz", heading="frequency", show=hertz),
    Column(key="gain_db", heading="gain", unit="dB", show=GAIN),
    Column(key="re_1khz_db", heading=f"re {MIDDLE}", unit="dB", show=GAIN),
    Column(key="phase_deg", heading="phase", unit="deg", show=fixed(2, sign=True)),
    Column(key="group_delay_s", heading="group delay", show=short_time),
    Column(key="gain_reduction_db", heading="reduction", unit="dB", show=fixed(3)),
)
CHECKS = (
    *HEADS,
    Column(key="tones", heading="tones", show=fixed(0)),
    Column(key="from_hz", heading="from", show=hertz),
    Column(key="to_hz", heading="to", show=hertz),
    Column(key="largest_difference_db", heading="largest difference", unit="dB", show=fixed(4)),
    Column(key="largest_at_hz", heading="at", show=hertz),
)


def account(measured: Mapping[str, ResponseMeasurement]) -> Account:
    """Label of the version -> measurement."""
    first = next(iter(measured.values()))
    checked = any(one.checks for one in measured.values())
    responses = [one for each in measured.values() for one in each.responses]
    played = any(one.level_dbu is not None for one in responses)
    held = any(one.control_v is not None for one in responses)
    return Account(
        title=f"Response of {first.provenance.unit} from {_named(first.source)}, in dB.",
        lead=tuple(_lead(label, each.responses[0]) for label, each in measured.items()),
        tables=(
            _summary(measured),
            *([_states(measured)] if held or played else []),
            *([_checks(measured)] if checked else []),
            _points(measured),
        ),
        definitions=(*GAIN_TERMS, *([HELD] if held else []), *([CLOSED] if played else []), *SLOPES),
    )


def named_responses(measured: Mapping[str, ResponseMeasurement]) -> dict[str, Response]:
    """All responses under names made of version, point and state, each where there are several."""
    several_points = len({one.point for each in measured.values() for one in each.responses}) > 1
    several_states = len({one.state for each in measured.values() for one in each.responses}) > 1
    return {
        ", ".join(
            part for part in (label, one.point if several_points else "", one.state if several_states else "") if part
        )
        or f"{one.point} {one.state}": one
        for label, each in measured.items()
        for one in each.responses
    }


def _named(source: str) -> str:
    return "the source" if source == PROGRAM else f"the source at the input {source}"


def _lead(label: str, one: Response) -> str:
    start = f"{label}: " if label else ""
    ends = [
        f"{FINE_LEVEL(value)} dB at {hertz(f)}"
        for f in (SUMMARY_HZ[0], SUMMARY_HZ[-1])
        if (value := one.value_at(f, one.gain_db - one.gain_1khz_db)) is not None
    ]
    against = f"; against that {' and '.join(ends)}" if ends else ""
    return f"{start}{one.point} {one.state}: {FINE_LEVEL(one.gain_1khz_db)} dB at {MIDDLE}{against}."


def _summary(measured: Mapping[str, ResponseMeasurement]) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (
            label, one.point, one.state, one.gain_1khz_db,
            *(one.value_at(f, one.gain_db - one.gain_1khz_db) for f in SUMMARY_HZ),
            _corner(one, one.low_corner_hz, f"below {hertz(CORNER_SEARCH[0])}"),
            _corner(one, one.high_corner_hz, f"above {hertz(CORNER_SEARCH[1])}"),
        )
        for label, each in measured.items()
        for one in each.responses
    ]  # fmt: skip
    left_out = next(iter(measured.values())).left_out_hz
    tones = ", ".join(map(hertz, left_out))
    return Table(
        key="summary", title=f"Summary, re {MIDDLE}", columns=SUMMARY, rows=rows, heads=3,
        notes=(f"Left out with the loop closed: {tones}, too high for the steps of this quality; a finer --quality "
               "plays it.",) if left_out else (),
    )  # fmt: skip


def _states(measured: Mapping[str, ResponseMeasurement]) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (label, one.point, one.state, one.reduction_db, one.control_v)
        for label, each in measured.items()
        for one in each.responses
    ]
    return Table(key="states", title="States", columns=STATES, rows=rows, heads=3)


def _corner(one: Response, corner_hz: float | None, beyond: str) -> Cell:
    """With the loop closed it is not looked for."""
    return None if one.level_dbu is not None else beyond if corner_hz is None else corner_hz


def _points(measured: Mapping[str, ResponseMeasurement]) -> Table:
    rows: list[tuple[Cell, ...]] = []
    brief: set[int] = set()
    for label, each in measured.items():
        for one in each.responses:
            for k, frequency in enumerate(map(float, one.frequency_hz)):
                if one.level_dbu is not None or frequency in NAMED_HZ:
                    brief.add(len(rows))
                delay_s = float(one.group_delay_s[k])
                rows.append((
                    label, one.point, one.state, frequency, float(one.gain_db[k]),
                    float(one.gain_db[k]) - one.gain_1khz_db, float(one.phase_deg[k]),
                    None if np.isnan(delay_s) else delay_s, float(one.gain_reduction_db[k]),
                ))  # fmt: skip
    return Table(
        key="points", title="Response", columns=POINTS, rows=rows, heads=3, detail=True, brief=frozenset(brief)
    )


def _checks(measured: Mapping[str, ResponseMeasurement]) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (
            label, check.point, check.state, len(check.frequency_hz), float(check.frequency_hz[0]),
            float(check.frequency_hz[-1]), check.largest_difference_db, check.largest_at_hz,
        )
        for label, each in measured.items()
        for check in each.checks
    ]  # fmt: skip
    notes = [f"All tones together, {CHECK_LEVEL_DBU:g} dBu each at the source, played through the whole circuit."]
    remembering = dict.fromkeys(part for each in measured.values() for part in each.remembering)
    if remembering:
        notes.append(
            f"{', '.join(remembering)}: hysteresis. Any tone takes a core beyond the initial inductance that the "
            "linearised circuit has, so the lowest ones differ; in the Dunlin by 0.06 dB at 20 Hz, 0.01 dB at 50 Hz."
        )
    return Table(
        key="checks", title="Check against tones in time", columns=CHECKS, rows=rows, heads=3, notes=tuple(notes)
    )


GAIN_TERMS = (
    Definition(
        term="gain", meaning="voltage at the point over the voltage of the source without load", status=PRACTICE
    ),
    Definition(term="at rest", meaning="the circuit linearised at its bias point", status=LAW),
)
HELD = Definition(
    term="held",
    meaning=f"linearised with the control node held still, as by an ideal supply, at the voltage that gives the stated "
    f"gain reduction at the output at {MIDDLE}; the loop is open",
    status=OWN,
)
CLOSED = Definition(
    term="loop closed",
    meaning="steady tones of the stated level at the source, each settled on its own; fundamental only",
    status=PRACTICE,
)
SLOPES = (
    Definition(
        term="reduction", meaning="gain at rest less the gain in the state, at the same frequency and point", status=OWN
    ),
    Definition(
        term=f"-{CORNER_DB:g} dB",
        meaning=f"where the gain has fallen {CORNER_DB:g} dB below that at {MIDDLE}, sought from "
        f"{hertz(CORNER_SEARCH[0])} to {hertz(CORNER_SEARCH[1])}",
        status=PRACTICE,
    ),
    Definition(term="phase", meaning="of the point's tone against the source's; positive: it leads", status=PRACTICE),
    Definition(term="group delay", meaning="slope of the phase by angular frequency, exactly derived", status=LAW),
)
