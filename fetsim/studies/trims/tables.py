"""What an alignment comes to, as tables and definitions."""

from collections.abc import Mapping

from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import LAW, OWN, PRACTICE, Definition
from fetsim.measurements.results.formats import percent
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.schematic.alignment import LEAST, READINGS
from fetsim.schematic.model import channel_of
from fetsim.schematic.values import format_value
from fetsim.studies.trims.record import Alignment, Remedy, StepTaken
from fetsim.studies.trims.travel import TURN_STEP

VERSION = Column(key="version", heading="version")
STEP = Column(key="step", heading="step")
DIGITS = 4
LEAST_TOLD_DB = 1e-4
"""A reading in dB that is smaller is told as 0,"""
OF_ACCEPTED = 0.1
"""but where a tenth of what is accepted is smaller still."""


def account(measured: Mapping[str, Alignment]) -> Account:
    """Label of the version -> alignment."""
    first = next(iter(measured.values()))
    remedies = _remedies(measured)
    return Account(
        title=f"Alignment of {first.provenance.unit}, step by step as its file says; quality "
        f"{first.provenance.quality}.",
        lead=tuple(text for label, one in measured.items() for text in _lead(label, one)),
        tables=(_steps(measured), _sharpness(measured), *([remedies] if remedies.rows else []), _sweep(measured)),
        definitions=(*_readings(measured), *DEFINITIONS),
        cautions=tuple(text for label, one in measured.items() for text in _cautions(label, one)),
    )


def figure_text(one: StepTaken, figure: float | None) -> str:
    """What a step reads, with its unit."""
    if figure is None:
        return ""
    reading = READINGS[one.step.read]
    if reading.quantity == "share":
        return percent(figure)
    if one.step.read == "output_level":
        return f"{figure:+.2f} dBu"
    if reading.quantity == "decibel" and abs(figure) < min(LEAST_TOLD_DB, OF_ACCEPTED * (one.step.accepted or 1.0)):
        figure = 0.0
    return format_value(figure, reading.quantity, DIGITS)


def value_text(one: StepTaken, value: float | None) -> str:
    """A position of a control, 0 to 1, or a value of a part."""
    if value is None:
        return ""
    return f"{value:.4f}" if one.is_turn else format_value(value, one.quantity, DIGITS)


def goal_text(one: StepTaken) -> str:
    """What the reading must be and what is accepted."""
    goal = LEAST if one.step.must_be is None else figure_text(one, one.step.must_be)
    if one.step.accepted is None:
        return goal
    about = "up to" if one.step.must_be is None else "+-"
    return f"{goal}, {about} {figure_text(one, one.step.accepted).lstrip('+')}"


def outcome_text(one: StepTaken) -> str:
    """How far it came."""
    if one.figure_after is not None:
        return "moved by a later step"
    if not one.in_reach:
        return "out of reach, but accepted" if one.accepted else "out of reach"
    return "set" if one.accepted else "not good enough"


def _lead(label: str, one: Alignment) -> list[str]:
    start = f"{label}: " if label else ""
    options = " ".join(f"--change {name}={value}" for name, value in one.settings.items())
    return [f"{start}As changes: {options}"]


def _cautions(label: str, one: Alignment) -> list[str]:
    start = f"{label}: " if label else ""
    told = []
    for each in one.steps:
        if each.accepted:
            continue
        left = each.figure if each.figure_after is None else each.figure_after
        text = f"{start}{each.step.name}: {each.step.set} leaves {each.step.read} at {figure_text(each, left)}"
        text += f", where it must be {goal_text(each)}"
        if each.figure_after is not None:
            text += f"; a later step has moved it from {figure_text(each, each.figure)}: take both in turns until both "
            text += "stand"
            if channel_of(each.step.name) and not each.step.settings:
                text += "; the channels are joined, so open the link first, and set each alone (with a switch: "
                text += 'settings = "link=none" in the step)'
        if each.remedies:
            best = each.remedies[0]
            text += f"; {best.part} {format_value(best.ohm, 'ohm')} instead of {_ohm(best)} brings it into reach"
        elif not each.in_reach:
            text += "; it ends there, and no resistor beside it brings it further"
        told.append(f"{text}.")
    return told


def _ohm(remedy: Remedy) -> str:
    return format_value(remedy.present_ohm, "ohm")


def _steps(measured: Mapping[str, Alignment]) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (
            label, one.step.name, one.step.set, value_text(one, one.before), value_text(one, one.value),
            ", ".join(f"{leg} {format_value(ohm, 'ohm', DIGITS)}" for leg, ohm in one.resistances_ohm.items()),
            one.step.read, "" if one.level_dbu is None else f"{one.level_dbu:+.2f} dBu",
            figure_text(one, one.figure_before), figure_text(one, one.figure), goal_text(one), outcome_text(one),
        )
        for label, alignment in measured.items()
        for one in alignment.steps
    ]  # fmt: skip
    return Table(
        key="steps", title="Steps", heads=2, rows=rows,
        columns=(
            VERSION, STEP, Column(key="set", heading="set"), Column(key="before", heading="before"),
            Column(key="value", heading="now"), Column(key="resistances", heading="track", folds=True),
            Column(key="read", heading="reading"), Column(key="tone", heading="tone"),
            Column(key="figure_before", heading="read before"), Column(key="figure", heading="read now"),
            Column(key="goal", heading="must be", folds=True), Column(key="outcome", heading="outcome", folds=True),
        ),
    )  # fmt: skip


def _sharpness(measured: Mapping[str, Alignment]) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for label, alignment in measured.items():
        for one in alignment.steps:
            ends = (one.accepted_from, one.accepted_to)
            width = "" if None in ends else _width(one)
            rows.append((
                label, one.step.name, one.moved_by, *(figure_text(one, figure) for figure in one.figure_around),
                *(value_text(one, end) for end in ends), width,
                "" if one.exact == one.value else value_text(one, one.exact),
            ))  # fmt: skip
    return Table(
        key="sharpness", title="How sharply it is defined", heads=2, rows=rows,
        columns=(
            VERSION, STEP, Column(key="moved_by", heading="moved by"),
            Column(key="figure_below", heading="a step down"), Column(key="figure_above", heading="a step up"),
            Column(key="accepted_from", heading="accepted from"), Column(key="accepted_to", heading="to"),
            Column(key="width", heading="that is"), Column(key="exact", heading="exactly"),
        ),
    )  # fmt: skip


def _width(one: StepTaken) -> str:
    assert one.accepted_from is not None and one.accepted_to is not None
    if one.is_turn:
        return f"{100.0 * (one.accepted_to - one.accepted_from):.2g} % of the turn"
    return f"{100.0 * abs((one.accepted_to - one.accepted_from) / one.value):.2g} % of its value"


def _remedies(measured: Mapping[str, Alignment]) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (
            label, one.step.name, remedy.part, _ohm(remedy), format_value(remedy.needed_ohm, "ohm", DIGITS),
            format_value(remedy.ohm, "ohm"), value_text(one, remedy.value), figure_text(one, remedy.figure),
        )
        for label, alignment in measured.items()
        for one in alignment.steps
        for remedy in one.remedies
    ]  # fmt: skip
    return Table(
        key="remedies", title="What brings it into reach", heads=2, rows=rows,
        columns=(
            VERSION, STEP, Column(key="part", heading="resistor"), Column(key="present", heading="now"),
            Column(key="needed", heading="just enough"), Column(key="preferred", heading="E24"),
            Column(key="value", heading="trim then at"), Column(key="figure", heading="read then"),
        ),
    )  # fmt: skip


def _sweep(measured: Mapping[str, Alignment]) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (label, one.step.name, one.step.set, float(value), one.step.read, float(figure))
        for label, alignment in measured.items()
        for one in alignment.steps
        for value, figure in zip(one.swept, one.figures, strict=True)
    ]
    return Table(
        key="sweep", title="Along its way:", heads=2, detail=True, rows=rows, brief=frozenset(),
        columns=(
            VERSION, STEP, Column(key="set", heading="set"),
            Column(key="value", heading="at", show="{:.6g}".format), Column(key="read", heading="reading"),
            Column(key="figure", heading="read", show="{:.6g}".format),
        ),
    )  # fmt: skip


def _readings(measured: Mapping[str, Alignment]) -> tuple[Definition, ...]:
    names = dict.fromkeys(one.step.read for alignment in measured.values() for one in alignment.steps)
    return tuple(Definition(term=name, meaning=READINGS[name].meaning, status=OWN) for name in names)


DEFINITIONS = (
    Definition(term="position", meaning="of a control, 0 to 1 clockwise", status=PRACTICE),
    Definition(
        term="a step",
        meaning=f"{100.0 * TURN_STEP:g} % of the turn; of a part the next preferred value of its series, or "
        f"{100.0 * TURN_STEP:g} % of its value",
        status=OWN,
    ),
    Definition(
        term="accepted from, to", meaning="between which the reading is as good as the step asks for, read and not "
        "derived; it is the end of its way where it is that good up to there", status=OWN,
    ),
    Definition(
        term="just enough",
        meaning="the resistor with which the trim gets there at the very end of its way; the preferred value is the "
        "next beyond, and the trim was set with it once more",
        status=LAW,
    ),
)  # fmt: skip
