"""What there is to say of hum, as tables, definitions and cautions."""

from collections.abc import Mapping

from fetsim.measurements.hum.analysis import HIGH_HZ, LOW_HZ
from fetsim.measurements.hum.procedure import EXPLAINED, SILENT_DBU, HumMeasurement, HumState
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.care import inside
from fetsim.measurements.results.definitions import LAW, LEVELS, OWN, PRACTICE, Definition
from fetsim.measurements.results.formats import FINE_LEVEL, LEVEL, amount, fixed, general
from fetsim.measurements.results.table import Column, Table

TOLD_DB = 40.0
"""Lines and ways in that are so much below the largest are left to the files."""
MOST_LINES, MOST_ENTRIES = 12, 8

Reading = dict[str, str | float | int | None]

VERSION = Column(key="version", heading="version")
STATE = Column(key="state", heading="state")
SUMMARY = (
    VERSION, STATE,
    Column(key="hum_dbu", heading="hum", unit="dBu", show=FINE_LEVEL),
    Column(key="noise_dbu", heading="noise", unit="dBu", show=FINE_LEVEL),
    Column(key="hum_and_noise_dbu", heading="both", unit="dBu", show=FINE_LEVEL),
    Column(key="unexplained_db", heading="not explained", unit="dB", show=fixed(0)),
)  # fmt: skip
LINES = (
    VERSION, STATE,
    Column(key="frequency_hz", heading="line", unit="Hz", show=general(6)),
    Column(key="level_dbu", heading="at the output", unit="dBu", show=FINE_LEVEL),
    Column(key="explained_dbu", heading="explained", unit="dBu", show=FINE_LEVEL,
           meaning="ripple of the rails times small signals"),
)  # fmt: skip
RAILS = (
    VERSION, STATE,
    Column(key="rail", heading="rail"),
    Column(key="ripple_v", heading="ripple", show=amount("volt", 3), meaning="peak to peak"),
    Column(key="level_dbu", heading="brings", unit="dBu", show=LEVEL),
)
ENTRIES = (
    VERSION, STATE,
    Column(key="part", heading="part"),
    Column(key="rail", heading="from rail"),
    Column(key="level_dbu", heading="brings", unit="dBu", show=LEVEL),
    Column(key="strongest_hz", heading="strongest line", unit="Hz", show=general(6)),
)
RESERVOIRS = (
    VERSION,
    Column(key="part", heading="reservoir"),
    Column(key="node", heading="node"),
    Column(key="mean_v", heading="mean", show=amount("volt")),
    Column(key="ripple_v", heading="ripple", show=amount("volt", 3), meaning="peak to peak"),
)
SAGS = (
    VERSION,
    Column(key="rail", heading="rail"),
    Column(key="rest_v", heading="at rest", show=amount("volt")),
    Column(key="lowest_v", heading="lowest", show=amount("volt")),
    Column(key="sag_v", heading="sags by", show=amount("volt", 3)),
)


def account(measured: Mapping[str, HumMeasurement]) -> Account:
    """Label of the version -> measurement."""
    first = next(iter(measured.values()))
    states = [(label, one) for label, found in measured.items() for one in found.states]
    return Account(
        title=f"Hum of {first.provenance.unit}: mains of {first.mains_hz:g} Hz, quality {first.provenance.quality}.",
        lead=tuple(_lead(label, found) for label, found in measured.items()),
        tables=tuple(table for table in (
            Table(key="hum", title="Hum and noise at the output", columns=SUMMARY, heads=2, rows=[
                (label, one.state, one.hum_dbu, one.noise_dbu, one.hum_and_noise_dbu,
                 one.reasons.get("unexplained_db", one.unexplained_db))
                for label, one in states
            ]),
            Table(key="lines", title="Lines", columns=LINES, heads=2, rows=[
                (label, one.state, line.frequency_hz, line.level_dbu, line.explained_dbu)
                for label, one in states
                for line in one.lines[:MOST_LINES]
                if line.level_dbu > max(one.hum_dbu - TOLD_DB, SILENT_DBU)
            ]),
            Table(key="rails", title="By which rail", columns=RAILS, heads=2, rows=[
                (label, one.state, rail.rail, rail.ripple_v, rail.level_dbu)
                for label, one in states
                for rail in one.rails
            ]),
            Table(key="entries", title="Through which part", columns=ENTRIES, heads=2, notes=(CANCEL,), rows=[
                (label, one.state, entry.part, entry.rail, entry.level_dbu, entry.strongest_hz)
                for label, one in states
                for entry in one.entries[:MOST_ENTRIES]
                if entry.level_dbu > max(one.hum_dbu - TOLD_DB, SILENT_DBU)
            ]),
            Table(key="reservoirs", title="Reservoirs at rest", columns=RESERVOIRS, rows=[
                (label, one.part, one.node, one.mean_v, one.ripple_v)
                for label, found in measured.items()
                for one in found.reservoirs
            ]),
            Table(key="sags", title="Rails under a burst", columns=SAGS, notes=(BURST.format_map(vars(first)),), rows=[
                (label, one.rail, one.rest_v, one.lowest_v, one.sag_v)
                for label, found in measured.items()
                for one in found.sags
            ]),
        ) if table.rows),
        definitions=DEFINITIONS,
        cautions=inside(mains=True),
        readings=lambda: _readings(measured),
    )  # fmt: skip


def _lead(label: str, found: HumMeasurement) -> str:
    one = found.states[0]
    if "unexplained_db" in one.reasons:
        return f"{f'{label}: ' if label else ''}Noise {one.noise_dbu:.1f} dBu {one.state}, and next to no hum."
    most = max(one.lines, key=lambda line: line.level_dbu)
    rail = max(one.rails, key=lambda rail: rail.level_dbu)
    return (
        f"{f'{label}: ' if label else ''}Hum and noise {one.hum_and_noise_dbu:.1f} dBu {one.state}, most of the hum at "
        f"{most.frequency_hz:g} Hz and by way of rail {rail.rail}."
    )


def _readings(measured: Mapping[str, HumMeasurement]) -> list[Reading]:
    """Every line and every way in."""
    rows: list[Reading] = []
    for label, found in measured.items():
        for one in found.states:
            rows += [_row(label, one, "line", f"{line.frequency_hz:g} Hz", line.level_dbu) for line in one.lines]
            rows += [_row(label, one, "rail", rail.rail, rail.level_dbu) for rail in one.rails]
            rows += [_row(label, one, "part", f"{way.part} from {way.rail}", way.level_dbu) for way in one.entries]
    return rows


def _row(label: str, one: HumState, what: str, name: str, level_dbu: float) -> Reading:
    return {"version": label, "state": one.state, "what": what, "name": name, "level_dbu": level_dbu}


CANCEL = (
    "Ways in may cancel each other, so that a part may bring more than is heard, and mending one alone make it worse: "
    "each row is what would be left without all others."
)
BURST = "The burst: 1 kHz, {burst_dbu:g} dBu at the source, {burst_s:g} s at the least."
DEFINITIONS = (
    LEVELS,
    Definition(
        term="hum",
        meaning="rms of all multiples of the mains frequency at the output, without signal, from "
        f"{LOW_HZ:g} Hz to {HIGH_HZ / 1e3:g} kHz, in the mains period that repeats itself; what comes in by the "
        "rails alone, through operational amplifiers as their sheets' rejection says",
        status=PRACTICE,
    ),
    Definition(
        term="both",
        meaning="hum and the noise of the parts (20 Hz to 20 kHz, unweighted, at the mean over a mains period) as root "
        "of the sum of squares",
        status=PRACTICE,
    ),
    Definition(
        term="brings",
        meaning="the rail's ripple at each line times the small signal from it to the output, the rails held; through "
        "a part: what that part alone carries from its rail into the circuit",
        status=LAW,
    ),
    Definition(
        term="not explained",
        meaning=f"what the sum over all rails misses of the first {EXPLAINED} lines as played, re these: where it is "
        "not small, hum comes in by another way, or ripple is too large for small signals",
        status=OWN,
    ),
    Definition(
        term="ripple", meaning="from the lowest to the highest voltage in a mains period, at rest", status=PRACTICE
    ),
    Definition(
        term="sag",
        meaning="of the rail's mean over a mains period, from rest to its lowest under a burst of 1 kHz",
        status=OWN,
    ),
)
