"""What noise there is and where it comes from, as tables and definitions."""

from collections.abc import Mapping

from fetsim.measurements.bench.clipping import DEFAULT_LIMITS, LargestLevel
from fetsim.measurements.noise.procedure import HIGH_HZ, LOW_HZ, NoiseMeasurement, NoiseState
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import LAW, LEVELS, MEMORY, OWN, PRACTICE, Definition
from fetsim.measurements.results.formats import FINE_LEVEL, LEVEL, fixed
from fetsim.measurements.results.table import Cell, Column, Table

LARGEST = 10  # contributors told side by side
LEAST_SHARE = 5e-4  # of the noise power: less is told as none

VERSION, STATE = Column(key="version", heading="version"), Column(key="state", heading="state")
WEIGHTED = (
    Column(key="a_weighted_dbu", heading="A", unit="dBu", show=LEVEL, meaning="behind the A curve"),
    Column(key="itu_468_weighted_dbu", heading="468, rms", unit="dBu", show=LEVEL, meaning="behind the 468 curve"),
)
AT_SOURCE = Column(key="input_referred_dbu", heading="at the source", unit="dBu", show=LEVEL)
RANGE = Column(key="dynamic_range_db", heading="dynamic range", unit="dB", show=fixed(1))
SUMMARY = (
    VERSION, STATE,
    Column(key="unweighted_dbu", heading="unweighted", unit="dBu", show=LEVEL),
    *WEIGHTED,
    Column(key="gain_1khz_db", heading="gain 1 kHz", unit="dB", show=FINE_LEVEL),
    AT_SOURCE, RANGE,
    Column(key="a_weighted_dynamic_range_db", heading="with A", unit="dB", show=fixed(1)),
)  # fmt: skip
PART, CAUSE = Column(key="part", heading="part"), Column(key="cause", heading="cause")
EVERY_SOURCE = (
    VERSION, STATE, PART, CAUSE,
    Column(key="unweighted_dbu", heading="unweighted", unit="dBu", show=LEVEL),
    Column(key="share", heading="share of the power", show=fixed(4)),
    *WEIGHTED, AT_SOURCE, RANGE,
)  # fmt: skip


def account(measured: Mapping[str, NoiseMeasurement]) -> Account:
    """Label of the version -> measurement."""
    first = next(iter(measured.values()))
    made = first.provenance
    return Account(
        title=f"Noise of {made.unit} at {first.point}: {made.temperature_c:g} C, source of "
        f"{first.source_resistance_ohm:g} ohm (its noise included).",
        lead=tuple(f"{label}: {_lead(one)}" if label else _upper(_lead(one)) for label, one in measured.items()),
        tables=(_summary(measured), _contributors(named_states(measured)), _every_source(measured)),
        definitions=(LEVELS, *DEFINITIONS),
    )


def named_states(measured: Mapping[str, NoiseMeasurement]) -> dict[str, NoiseState]:
    """All states under names made of version and state."""
    return {
        ", ".join(part for part in (label, state.state) if part): state
        for label, one in measured.items()
        for state in one.states
    }


def _lead(one: NoiseMeasurement) -> str:
    state = one.states[0]
    text = f"{state.state} {LEVEL(state.unweighted_dbu)} dBu unweighted, {LEVEL(state.a_weighted_dbu)} dBu behind the A"
    more = "" if state.dynamic_range_db is None else f"; dynamic range {state.dynamic_range_db:.0f} dB"
    return f"{text} curve{more}."


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _summary(measured: Mapping[str, NoiseMeasurement]) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (
            label, state.state, state.unweighted_dbu, state.a_weighted_dbu, state.itu_468_weighted_dbu,
            state.gain_1khz_db, state.input_referred_dbu, state.dynamic_range_db, state.a_weighted_dynamic_range_db,
        )
        for label, one in measured.items()
        for state in one.states
    ]  # fmt: skip
    notes = [
        f"{label}: {_top(one.largest)}" if label else _top(one.largest)
        for label, one in measured.items()
        if one.largest is not None
    ]
    return Table(key="levels", title="Levels", columns=SUMMARY, rows=rows, heads=2, notes=tuple(notes))


def _top(top: LargestLevel) -> str:
    where = f"{LEVEL(top.stage_dbu)} dBu, at {LEVEL(top.level_dbu)} dBu from the source"
    return f"Largest level {where}, by {top.by}." if top.clips else f"Largest level tried {where}, still clean."


def _contributors(states: Mapping[str, NoiseState]) -> Table:
    """The largest ones of all states, the states beside each other."""
    shares = [{(part.designator, part.cause): part.share for part in one.contributions} for one in states.values()]
    most = {key: max(table.get(key, 0.0) for table in shares) for table in shares for key in table}
    shown = [key for key in sorted(most, key=lambda key: -most[key]) if most[key] >= LEAST_SHARE][:LARGEST]
    rows: list[tuple[Cell, ...]] = [(*key, *(_percent(table.get(key, 0.0)) for table in shares)) for key in shown]
    rest = [sum(share for key, share in table.items() if key not in shown) for table in shares]
    rows.append(("the rest", "", *(_percent(share) for share in rest)))
    columns = (PART, CAUSE, *(_share_column(name) for name in states))
    title = "Largest contributors to the noise power"
    return Table(key="contributors", title=title, columns=columns, rows=rows, heads=2)


def _share_column(state: str) -> Column:
    return Column(
        key=f"share_percent {state}", heading=state, unit="%", show=fixed(1), meaning="share of the noise power"
    )


def _percent(share: float) -> float | None:
    return 100.0 * share if share >= LEAST_SHARE else None


def _every_source(measured: Mapping[str, NoiseMeasurement]) -> Table:
    """For each state the whole, then all contributions; a terminal has the largest side by side instead."""
    rows: list[tuple[Cell, ...]] = []
    for label, one in measured.items():
        for state in one.states:
            rows.append((
                label, state.state, "all", "", state.unweighted_dbu, 1.0, state.a_weighted_dbu,
                state.itu_468_weighted_dbu, state.input_referred_dbu, state.dynamic_range_db,
            ))  # fmt: skip
            rows += [
                (label, state.state, part.designator, part.cause, part.output_dbu, part.share, None, None, None, None)
                for part in state.contributions
            ]
    return Table(
        key="sources", title="All contributions", columns=EVERY_SOURCE, rows=rows, heads=2, detail=True,
        brief=frozenset(),
    )  # fmt: skip


BAND = f"{LOW_HZ:g} Hz to {HIGH_HZ / 1000:g} kHz"
DEFINITIONS = (
    Definition(
        term="noise",
        meaning=f"rms from {BAND} without signal, of all parts through the linearised circuit: 4kT/R of resistors, "
        "tracks, windings and of the source resistance, 4kT times the channel conductance of FETs, 2qI of junctions, "
        "excess noise of resistors that have a noise index, 1/f noise of transistors whose sheet has a noise_corner; "
        "no base resistance of transistors, hum or supply noise",
        source="Johnson and Nyquist 1928, Schottky 1918, IEC 60195",
        status=LAW,
    ),
    Definition(term="A", meaning="behind the A curve", source="IEC 61672-1", status=MEMORY),
    Definition(
        term="468, rms",
        meaning="behind the 468 curve with an rms meter, not the quasi-peak meter of the recommendation, which reads "
        "some decibels more",
        source="ITU-R BS.468-4",
        status=MEMORY,
    ),
    Definition(term="at the source", meaning="noise at the point less the gain at 1 kHz", status=PRACTICE),
    Definition(
        term="dynamic range",
        meaning="largest level over the unweighted noise; with A: over the A-weighted one",
        status=PRACTICE,
    ),
    Definition(
        term="largest level",
        meaning=f"at which the point comes to {100.0 * DEFAULT_LIMITS.thd:g} % of distortion or "
        f"{DEFAULT_LIMITS.compression_db:g} dB of compression at 1 kHz, the sidechain without effect",
        status=PRACTICE,
    ),
    Definition(
        term="held",
        meaning="the control node stands still at the voltage that gives the stated gain reduction at 1 kHz",
        status=OWN,
    ),
)
