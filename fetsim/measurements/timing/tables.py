"""What attack and release come to, as tables and definitions."""

from collections.abc import Mapping
from math import isinf

from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import LEVELS, MEMORY, OWN, PRACTICE, SECOND_HAND, Definition
from fetsim.measurements.results.formats import LEVEL, fixed, seconds
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.measurements.timing.analysis import (
    ANSI_ATTACK_BAND_DB,
    ANSI_RELEASE_BAND_DB,
    FIT_FROM,
    FULL_TIME_CONSTANT,
    HIGH_SHARE,
    IEC_BAND_DB,
    LOW_SHARE,
)
from fetsim.measurements.timing.procedure import FET, FIGURES, OUTPUT, SettingTiming, StepAnswer, TimingMeasurement

MOST_DETAILED = 4  # settings with a table of their own; more share one
T63, T90, IEC = f"{100 * FULL_TIME_CONSTANT:.0f} %", f"{100 * HIGH_SHARE:.0f} %", f"{IEC_BAND_DB:g} dB"
NAMES = {
    "t63_s": f"{T63} of the change in dB",
    "t90_s": f"{T90} of it",
    "t10_90_s": f"from {100 * LOW_SHARE:.0f} to {T90}",
    "within_2db_s": f"within {IEC} of the final level",
    "within_3db_s": f"within {ANSI_ATTACK_BAND_DB:g} dB of the final level",
    "within_4db_s": f"within {ANSI_RELEASE_BAND_DB:g} dB of the final level",
    "tau_s": "time constant",
    "slow_tau_s": "second time constant",
}
READ_OFF = {FET: "off the FET's channel", OUTPUT: "off the output's envelope"}
REDUCTION = fixed(2)
PHASES_NOTE = (
    "Least and most are over the phases, instants within the tone's cycle at which the step falls; the other figures "
    "are those of a step at the upward zero crossing."
)
VERSION = Column(key="version", heading="version")


def account(measured: Mapping[str, TimingMeasurement]) -> Account:
    """Label of the version -> measurement."""
    first = next(iter(measured.values()))
    named = named_settings(measured)
    told = named if len(named) <= MOST_DETAILED else {}
    lead = [f"Gain reduction is read {READ_OFF[first.read_off]}."]
    lead += [f"Left out: {text}." for text in left_out(measured)]
    lead += [_lead(name if len(named) > 1 else "", one) for name, one in told.items()]
    return Account(
        title=f"Attack and release of {first.provenance.unit}: {first.frequency_hz:.6g} Hz bursts, quality "
        f"{first.provenance.quality}.",
        lead=tuple(lead),
        tables=(
            *(_setting(number, name, one) for number, (name, one) in enumerate(told.items(), start=1)),
            *([] if told else [_grid(measured)]),
            _readings(measured),
        ),
        definitions=(LEVELS, *DEFINITIONS, *PHASES, *([_averaged()] if _is_averaged(named) else [])),
    )


def left_out(measured: Mapping[str, TimingMeasurement]) -> list[str]:
    """A clause for each setting of the grid that has no times."""
    return [
        f"{', '.join(part for part in (label, setting) if part)}: {why}"
        for label, run in measured.items()
        for setting, why in run.left_out.items()
    ]


def named_settings(measured: Mapping[str, TimingMeasurement]) -> dict[str, SettingTiming]:
    """All settings under names made of version and what is varied; the unit's name where there is neither."""
    return {
        ", ".join(part for part in (label, *(f"{k}={v}" for k, v in one.setting.items())) if part)
        or run.provenance.unit: one
        for label, run in measured.items()
        for one in run.settings
    }


def _lead(name: str, one: SettingTiming) -> str:
    start = f"{name}: a" if name else "A"
    burst = f"{start} burst from {_level(one.before_dbu)} to {_level(one.level_dbu)}"
    if one.attack.kind == "none":
        return f"{burst}: {_untimed(one)}."
    change_db = abs(one.attack.reduction_after_db - one.attack.reduction_before_db)
    return (
        f"{burst}: attack {_briefly(one.attack)}, release {_briefly(one.release)}, to {T63} of a change of "
        f"{change_db:.1f} dB."
    )


def _briefly(answer: StepAnswer) -> str:
    """Time to 63 %, or what there is instead."""
    spread, count = answer.spreads["t63_s"], len(answer.phases_deg)
    if spread.at_zero is not None:
        text = seconds(spread.at_zero)
        if count == 1 or spread.least is None or spread.most is None:
            return text
        between = f"{seconds(spread.least)} to {seconds(spread.most)} over {count} phases of the step"
        return f"{text} for a step at the tone's zero crossing ({between})"
    if spread.least is not None and spread.most is not None:
        return f"{seconds(spread.least)} to {seconds(spread.most)}"
    return "not given (the reason stands under the table)"


def _untimed(one: SettingTiming) -> str:
    why = one.attack.spreads["t63_s"].reason
    return "" if why is None else why.text


def _setting(number: int, name: str, one: SettingTiming) -> Table:
    """Every figure of one setting."""
    sides = [("attack", one.attack), ("release", one.release)]
    columns = [Column(key="figure", heading="from the step until")]
    for way, answer in sides:
        columns.append(Column(key=f"{way}_s", heading=way, show=seconds))
        if len(answer.phases_deg) > 1:
            columns.append(Column(key=f"{way}_least_s", heading=f"{way}, least", show=seconds))
            columns.append(Column(key=f"{way}_most_s", heading=f"{way}, most", show=seconds))
    rows: list[tuple[Cell, ...]] = []
    notes = [f"{_upper(_untimed(one))}."]
    if one.attack.kind != "none":
        rows = [
            (words, *(cell for _, answer in sides for cell in _cells(answer, figure)))
            for figure, words in NAMES.items()
        ]
        notes = [note for way, answer in sides for note in _notes(way, answer)]
        if any(len(answer.phases_deg) > 1 for _, answer in sides):
            notes.append(PHASES_NOTE)
    return Table(
        key=f"setting_{number}",
        title=f"{name}: {_level(one.before_dbu)} to {_level(one.level_dbu)} and back",
        columns=tuple(columns),
        rows=rows,
        notes=tuple(notes),
    )


def _cells(answer: StepAnswer, figure: str) -> list[Cell]:
    """With the step at phase zero; and least and most where there are more phases."""
    spread = answer.spreads[figure]
    found: list[Cell] = [spread.reason if spread.at_zero is None else spread.at_zero]
    return found if len(answer.phases_deg) == 1 else [*found, spread.least, spread.most]


def _notes(way: str, answer: StepAnswer) -> list[str]:
    """The change, what only some phases give, and what the trace could not show."""
    before, after = (REDUCTION(value) for value in (answer.reduction_before_db, answer.reduction_after_db))
    found = [f"{_upper(way)}: gain reduction {before} to {after} dB."]
    count = len(answer.phases_deg)
    some: dict[str, list[str]] = {}
    for figure, words in NAMES.items():
        spread = answer.spreads[figure]
        if spread.at_zero is not None and spread.reason is not None:
            some.setdefault(f"{spread.missing} of {count} phases: {spread.reason.text}", []).append(words)
    found += [f"{_upper(way)}: {', '.join(words)} not at {why}." for why, words in some.items()]
    if answer.averaged:
        found.append(
            f"The gain ripples within the cycle, so the {way}'s trace is averaged over one cycle and shows nothing "
            f"shorter than {seconds(answer.resolution_s)}; use a higher test frequency for that."
        )
    return found


def _grid(measured: Mapping[str, TimingMeasurement]) -> Table:
    """One row a setting, what is varied in columns of their own."""
    heads = _heads(measured)
    columns = (
        *heads,
        Column(key="attack_t63_s", heading=f"attack {T63}", show=seconds),
        Column(key="attack_t63_least_s", heading=f"{T63}, least", show=seconds),
        Column(key="attack_t63_most_s", heading=f"{T63}, most", show=seconds),
        Column(key="attack_t90_s", heading=f"attack {T90}", show=seconds),
        Column(key="attack_within_2db_s", heading=f"attack {IEC}", show=seconds),
        Column(key="release_t63_s", heading=f"release {T63}", show=seconds),
        Column(key="release_t90_s", heading=f"release {T90}", show=seconds),
        Column(key="release_within_2db_s", heading=f"release {IEC}", show=seconds),
        Column(key="reduction_db", heading="gain reduction", unit="dB", show=fixed(1), meaning="at the later level"),
    )
    rows: list[tuple[Cell, ...]] = []
    for label, run in measured.items():
        for one in run.settings:
            attack, release = (
                {
                    figure: spread.reason if spread.at_zero is None else spread.at_zero
                    for figure, spread in answer.spreads.items()
                }
                for answer in (one.attack, one.release)
            )
            whole = one.attack.spreads["t63_s"]
            rows.append((
                label, *one.setting.values(), attack["t63_s"], whole.least, whole.most, attack["t90_s"],
                attack["within_2db_s"], release["t63_s"], release["t90_s"], release["within_2db_s"],
                one.attack.reduction_after_db,
            ))  # fmt: skip
    note = (
        f"Times to {T63} and {T90} of the change in dB and to within {IEC} of the final level, for a step at "
        "the tone's upward zero crossing; least and most over the phases, which are instants of the step within the "
        "tone's cycle. All other figures are among the "
        "readings (--csv, --json)."
    )
    return Table(key="settings", title="All settings", columns=columns, rows=rows, heads=len(heads), notes=(note,))


def _readings(measured: Mapping[str, TimingMeasurement]) -> Table:
    """Every figure, a row for the attack and one for the release of each setting."""
    heads = _heads(measured)
    columns = (
        *heads,
        Column(key="step", heading="step"),
        Column(key="before_dbu", heading="level before", unit="dBu", show=LEVEL, meaning="before the attack"),
        Column(key="level_dbu", heading="level", unit="dBu", show=LEVEL, meaning="after the attack"),
        Column(key="frequency_hz", heading="tone", unit="Hz", show=fixed(0)),
        Column(key="reduction_before_db", heading="reduction before", unit="dB", show=REDUCTION),
        Column(key="reduction_after_db", heading="reduction after", unit="dB", show=REDUCTION),
        *(
            Column(key=f"{figure}{end}", heading=f"{NAMES[figure]}{words}", show=seconds)
            for figure in FIGURES
            for end, words in (("", ""), ("_least", ", least"), ("_most", ", most"))
        ),
    )
    rows: list[tuple[Cell, ...]] = []
    for label, run in measured.items():
        for one in run.settings:
            for way, answer in (("attack", one.attack), ("release", one.release)):
                before = "silence" if isinf(one.before_dbu) else one.before_dbu
                row: list[Cell] = [
                    label, *one.setting.values(), way, before, one.level_dbu, run.frequency_hz,
                    answer.reduction_before_db, answer.reduction_after_db,
                ]  # fmt: skip
                for figure in FIGURES:
                    spread = answer.spreads[figure]
                    row += [spread.at_zero, spread.least, spread.most]
                rows.append(tuple(row))
    return Table(
        key="readings", title="All readings", columns=columns, rows=rows, heads=len(heads) + 1, detail=True,
        brief=frozenset(),
    )  # fmt: skip


def _heads(measured: Mapping[str, TimingMeasurement]) -> tuple[Column, ...]:
    varied = next(iter(measured.values())).settings[0].setting
    return (VERSION, *(Column(key=name, heading=name) for name in varied))


def _level(level_dbu: float) -> str:
    return "silence" if isinf(level_dbu) else f"{LEVEL(level_dbu)} dBu"


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _is_averaged(named: Mapping[str, SettingTiming]) -> bool:
    return any(answer.averaged for one in named.values() for answer in (one.attack, one.release))


DEFINITIONS = (
    Definition(
        term=f"{T63}, {T90}, {100 * LOW_SHARE:.0f} to {T90}",
        meaning="shares of the whole change of gain in dB, from the step",
        status=PRACTICE,
    ),
    Definition(
        term=f"within {IEC}",
        meaning="from the step until the output stays that near to its final level",
        source="IEC 60118-2",
        status=MEMORY,
    ),
    Definition(
        term=f"within {ANSI_ATTACK_BAND_DB:g} dB",
        meaning="the same for an attack; the standard's own step levels are not used",
        source="ANSI S3.22",
        status=MEMORY,
    ),
    Definition(
        term=f"within {ANSI_RELEASE_BAND_DB:g} dB",
        meaning="the same for a release; the standard's own step levels are not used",
        source="ANSI S3.22-1996",
        status=SECOND_HAND,
    ),
    Definition(
        term="time constant",
        meaning=f"of the exponential fitted to the trace in dB from {100 * FIT_FROM:.0f} % of the change on; a second "
        "one only where the trace calls for it",
        status=OWN,
    ),
)
PHASES = (
    Definition(
        term="phase",
        meaning="where in the tone's cycle the step falls: a fast attack depends on it. A figure that is not called "
        "least or most is that of a step at the upward zero crossing",
        status=OWN,
    ),
    Definition(
        term="least, most",
        meaning="over phases evenly spread over the cycle, of those that give the figure",
        status=OWN,
    ),
)


def _averaged() -> Definition:
    return Definition(
        term="averaged over one cycle",
        meaning="a running mean of the gain reduction in dB, as long as the tone's cycle",
        status=OWN,
    )
