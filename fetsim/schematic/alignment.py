"""Steps of a unit's alignment, [alignment.NAME]: what is set, what is applied, what is read, what it must be.

Data alone; how a step is taken is ``studies/trims``. Two ways: a figure that must have a value, and a harmonic that
must be least.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal, get_args

from pydantic import AfterValidator, Field, PlainValidator

from fetsim.errors import InputError
from fetsim.schematic.eseries import SERIES
from fetsim.schematic.fields import NAME, NODE, Form, Table, Text, Within, checked
from fetsim.schematic.model import AlignmentStep
from fetsim.schematic.values import format_value, parse_value

LEAST = "least"
DEFAULT_FREQUENCY_HZ = 1000.0
LEAST_LOSS_DB = 1e-6
SETTINGS_FORM = 'must be controls and switches as a change has them, as "link=none; release=1"'
TONE = ("level_dbu", "reduction_db")


@dataclass(frozen=True, kw_only=True)
class Reading:
    """What a step may read."""

    meaning: str
    quantity: str
    """As in ``values``; plain for a level in dBu."""
    at: Literal["", "points", "part"] = ""
    """What it is read at, where it is not a matter of the whole unit."""
    kinds: tuple[str, ...] = ()
    """Of the part that it is read at, where not any will do."""
    tone: bool = False
    """Whether a tone is applied."""
    least: bool = False
    """Whether it is set to its least instead of to a value."""
    of_cell: bool = False
    """Whether the unit must have a gain cell."""


READINGS = {
    "loss_at_rest": Reading(
        meaning="what the gain cell's FET takes with no signal, against the FET taken out", quantity="decibel",
        of_cell=True,
    ),
    "beyond_pinch_off": Reading(
        meaning="how far the FET's gate stands beyond pinch-off with no signal", quantity="volt", of_cell=True
    ),
    "volts": Reading(meaning="idle volts of a node, or between two", quantity="volt", at="points"),
    "current": Reading(meaning="idle current into the first terminal of a part", quantity="ampere", at="part"),
    "needle": Reading(
        meaning="where the pointer of a meter stands with no signal, of full scale", quantity="share", at="part",
        kinds=("meter",),
    ),
    "gain": Reading(meaning="small-signal gain from source to output with no gain reduction", quantity="decibel"),
    "output_level": Reading(meaning="level of the tone at the output in dBu", quantity="plain", tone=True),
    "gain_reduction": Reading(
        meaning="gain reduction in the FET's divider under the tone", quantity="decibel", tone=True, of_cell=True
    ),
    "second_harmonic": Reading(
        meaning="second harmonic at the output over the fundamental", quantity="share", tone=True, least=True
    ),
}  # fmt: skip

Figure = Literal[
    "loss_at_rest", "beyond_pinch_off", "volts", "current", "needle", "gain", "output_level", "gain_reduction",
    "second_harmonic",
]  # fmt: skip
Series = Annotated[Literal["E6", "E12", "E24", "E48", "E96"], Form("one of the series", tuple(SERIES))]
assert get_args(Figure) == tuple(READINGS)


def _settable(text: str) -> str:
    designator, _, key = text.partition(".")
    if not NAME.fullmatch(designator) or (key and not NAME.fullmatch(key)):
        raise ValueError(f"{text[:40]!r} names nothing that could be set; write a control or a part, as R4")
    return text


def _places(raw: object) -> tuple[str, ...]:
    found = tuple(raw.split(", ")) if isinstance(raw, str) else tuple(raw) if isinstance(raw, list) else ()
    if len(found) not in (1, 2) or not all(isinstance(one, str) and NODE.fullmatch(one) for one in found):
        raise ValueError('must be a node, as "vb", two, as "a, b", or a part')
    return found


def _settings(raw: object) -> dict[str, str]:
    if not isinstance(raw, str):
        raise ValueError(SETTINGS_FORM)
    pairs = [(name.strip(), value.strip()) for name, _, value in (one.partition("=") for one in raw.split(";"))]
    if not all(name and value for name, value in pairs) or len(dict(pairs)) < len(pairs):
        raise ValueError(f"{raw[:40]!r}: {SETTINGS_FORM}, each once")
    return dict(pairs)


def settings_text(settings: Mapping[str, str]) -> str:
    """As the unit file has it."""
    return "; ".join(f"{name}={value}" for name, value in settings.items())


def _amount(raw: object) -> object:
    if isinstance(raw, bool) or not isinstance(raw, str | int | float):
        raise ValueError("must be an amount of what is read")
    return raw


class StepTable(Table):
    """A step of the alignment, [alignment.NAME]; they are taken in the order of the file."""

    about: Text = Field(default="", description="how it is done and why")
    set: Annotated[str, AfterValidator(_settable), Form("a control, a part or a key of one, as V2.resistance")] = Field(
        description="what is set: a trimmer's control, or a part that is selected on test"
    )
    series: Series | None = Field(
        default=None, description="preferred values (IEC 60063) that the part comes in; left out: any value"
    )
    read: Figure = Field(
        description="what is read: " + "; ".join(f"{name}: {one.meaning}" for name, one in READINGS.items())
    )
    at: Annotated[tuple[str, ...], PlainValidator(_places), Form('a node, two as "a, b", or a part')] = Field(
        default=(), description="where it is read: node or two nodes of volts, part of current, meter of needle"
    )
    level_dbu: Annotated[float, Within("plain", -100.0, 60.0)] | None = Field(
        default=None, description="level in dBu of the tone at the source"
    )
    reduction_db: Annotated[float, Within("plain", 0.1, 60.0)] | None = Field(
        default=None, description="instead: the level that brings about so many dB of gain reduction before the step"
    )
    settings: Annotated[dict[str, str], PlainValidator(_settings), Form('as "link=none; release=1"')] = Field(
        default={}, description="how controls and switches stand while it is taken, all others as they are; in a pair "
        "a name without a channel is that of both"
    )
    frequency: Annotated[float, Within("hertz", 1.0, 1e5)] = Field(
        default=DEFAULT_FREQUENCY_HZ, description="of the tone, and of gain"
    )
    must_be: Annotated[Any, PlainValidator(_amount), Form('an amount of the reading, as "0.03dB", or "least"')] = Field(
        description="what the reading must be; second_harmonic must be least, all others have a value"
    )
    accepted: Annotated[Any, PlainValidator(_amount), Form('an amount of the reading, as "0.02dB"')] = Field(
        default=None,
        description="how far off, either way, is good enough; of what must be least, up to where it is",
    )


Mistakes = list[tuple[str, str]]


def read_step(name: str, raw: object) -> tuple[AlignmentStep | None, Mistakes]:
    """The step, or None and every mistake in it as (key, sentence)."""
    table, mistakes = checked(StepTable, raw)
    if table is None:
        return None, mistakes
    reading = READINGS[table.read]
    mistakes = [*_about_tone(table, reading), *_about_place(table, reading)]
    must_be = accepted = None
    if (table.must_be == LEAST) != reading.least:
        wanted = f'must be {LEAST!r}' if reading.least else f"must be an amount; {table.read} has no least to look for"
        mistakes.append(("must_be", wanted))
    elif not reading.least:
        must_be = _parsed(table.must_be, reading, "must_be", mistakes)
        if table.read == "loss_at_rest" and must_be is not None and must_be < LEAST_LOSS_DB:
            told = f"{must_be:g} dB is never reached, since a channel's tail always conducts; {LEAST_LOSS_DB:g} or more"
            mistakes.append(("must_be", told))
    if table.accepted is not None:
        accepted = _parsed(table.accepted, reading, "accepted", mistakes)
        if accepted is not None and not accepted > 0.0:
            mistakes.append(("accepted", f"{format_value(accepted, reading.quantity)} accepts nothing; leave it out"))
    if mistakes:
        return None, mistakes
    return AlignmentStep(
        name=name, set=table.set, series=table.series, read=table.read, at=table.at, level_dbu=table.level_dbu,
        reduction_db=table.reduction_db, frequency_hz=table.frequency, must_be=must_be, accepted=accepted,
        settings=table.settings, about=table.about,
    ), []  # fmt: skip


def _about_tone(table: StepTable, reading: Reading) -> Mistakes:
    given = [key for key in TONE if getattr(table, key) is not None]
    if not reading.tone:
        return [(key, f"{table.read} is read without a tone; leave it out") for key in given]
    if not given:
        return [("level_dbu", f"is missing; {table.read} is read under a tone (or give reduction_db)")]
    return [("reduction_db", "says the same as level_dbu; give one of them")] if len(given) > 1 else []


def _about_place(table: StepTable, reading: Reading) -> Mistakes:
    if not reading.at:
        return [("at", f"{table.read} is a matter of the whole unit; leave it out")] if table.at else []
    if not table.at:
        return [("at", f"is missing; {'name a part' if reading.at == 'part' else 'name a node, or two'}")]
    return [("at", "name one part")] if reading.at == "part" and len(table.at) > 1 else []


def _parsed(raw: Any, reading: Reading, key: str, mistakes: Mistakes) -> float | None:
    try:
        return parse_value(raw, reading.quantity)
    except InputError as error:
        mistakes.append((key, str(error)))
        return None


def step_settings(step: AlignmentStep) -> Mapping[str, tuple[float | str, str | None]]:
    """Key of the unit file -> (value, quantity) of all that the step says; what it does not say is left out."""
    reading = READINGS[step.read]
    told: dict[str, tuple[float | str | None, str | None]] = {
        "set": (step.set, None),
        "series": (step.series, None),
        "read": (step.read, None),
        "at": (", ".join(step.at) or None, None),
        "level_dbu": (step.level_dbu, "plain"),
        "reduction_db": (step.reduction_db, "plain"),
        "frequency": (step.frequency_hz, "hertz"),
        "must_be": (LEAST, None) if step.must_be is None else (step.must_be, reading.quantity),
        "accepted": (step.accepted, reading.quantity),
        "settings": (settings_text(step.settings) or None, None),
        "about": (step.about or None, None),
    }
    return {key: (value, quantity) for key, (value, quantity) in told.items() if value is not None}
