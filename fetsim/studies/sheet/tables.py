"""A bench sheet as tables with a column to fill in, and its cautions."""

from fetsim.measurements.curve.analysis import LOW_THRESHOLD_DB
from fetsim.measurements.idle.procedure import NEAR, Loading
from fetsim.measurements.idle.tables import QUANTITIES, SMALLEST
from fetsim.measurements.needle.meter import meter_of
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import LEVELS, OWN, PRACTICE, REDUCTION, Definition
from fetsim.measurements.results.formats import FINE_LEVEL, LEVEL, amount, fixed, percent
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.schematic.alignment import READINGS
from fetsim.schematic.alignment_words import StepWords, steps_in_words
from fetsim.schematic.unit import Unit
from fetsim.schematic.values import format_value
from fetsim.studies.sheet.record import BenchSheet, ChangedPart
from fetsim.studies.sheet.study import DEEP, DEEP_DB, QUIET, THRESHOLD

VOLTS = fixed(3, sign=True)
MEASURED = Column(key="measured", heading="measured", by_hand=True)
DONE = Column(key="done", heading="done", by_hand=True)
PART = Column(key="part", heading="part")
NOT_JUDGED = "no rating in the file: not judged"


def account(sheet: BenchSheet) -> Account:
    """The whole sheet, in the order of the work."""
    made = sheet.provenance
    return Account(
        title=f"Bench sheet of {made.unit}, {made.temperature_c:g} C.",
        lead=tuple(_lead(sheet)),
        tables=tuple(
            table
            for table in (_work(sheet), _ratings(sheet), _volts(sheet), _alignment(sheet), _tones(sheet))
            if table.rows
        ),
        definitions=tuple(_definitions(sheet)),
        cautions=sheet.cautions,
    )


def _lead(sheet: BenchSheet) -> list[str]:
    made, beyond = sheet.provenance, sheet.point.beyond_rating
    settings = [f"{name} {one.position:g}" for name, one in sheet.unit.controls.items()]
    settings += [f"{name} {bank.state}" for name, bank in sheet.unit.banks.items()]
    changes = ", ".join(f"{one.name} {one.before} -> {one.after}" for one in made.changes)
    unfit = ", ".join(f"{one.designator} ({one.rating}, {100.0 * one.share:.0f} %)" for one in beyond)
    return [
        *([f"Set to: {', '.join(settings)}."] if settings else []),
        *([f"Changed: {changes}."] if changes else []),
        *([f"BEYOND A RATING: {unfit}. Do not switch it on as it is."] if unfit else []),
        _trims(sheet),
        *(f"Not set: {step}: {why}." for step, why in sheet.missed.items()),
        *made.told,
    ]


def _trims(sheet: BenchSheet) -> str:
    if sheet.trims:
        but = "" if sheet.tone_steps else ", but for steps that need a tone (--tone-steps takes those)"
        return f"Trims, those of the builds too, are set as the alignment says{but}."
    return "Trims stand as given" + ("; --trims sets them first." if sheet.unit.alignment else ".")


def _volts(sheet: BenchSheet) -> Table:
    rows: list[tuple[Cell, ...]] = [(one.stage, one.node, one.volts_v, one.low_v, one.high_v, None)
                                    for one in sheet.nodes]  # fmt: skip
    failed = f"{sheet.failures} of {sheet.builds} builds do not come to rest and are not in the band."
    moving = ", ".join(f"{node} ({volt:.0f} V rms)" for node, volt in sheet.point.alternating_v.items())
    alternating = f"Alternating with the mains, and not to be read here: {moving}." if moving else ""
    nothing = "Nothing in the unit has a tolerance, so there is no band."
    return Table(
        key="volts", title="Volts at rest, no signal, against ground (node 0)", heads=2, rows=rows,
        notes=tuple(filter(None, (alternating, failed if sheet.failures else "", "" if sheet.builds else nothing))),
        columns=(
            Column(key="stage", heading="stage"),
            Column(key="node", heading="node"),
            Column(key="expected_v", heading="expected", unit="V", show=VOLTS),
            Column(key="low_v", heading="5 %", show=VOLTS),
            Column(key="high_v", heading="95 %", show=VOLTS),
            MEASURED,
        ),
    )  # fmt: skip


def _tones(sheet: BenchSheet) -> Table:
    meter, control = meter_of(sheet.unit), sheet.unit.gain_cell.control_node if sheet.unit.gain_cell else ""
    columns = (
        Column(key="tone", heading="gain reduction"),
        Column(key="level_dbu", heading="apply", unit="dBu", show=LEVEL),
        Column(key="gain_reduction_db", heading="reduces by", unit="dB", show=fixed(2)),
        Column(key="output_dbu", heading="output", unit="dBu", show=FINE_LEVEL),
        Column(key="output_measured", heading="measured", by_hand=True),
        Column(key="control_v", heading="control", unit="V", show=VOLTS),
        Column(key="control_measured", heading="measured", by_hand=True),
        *([Column(key="needle_db", heading="needle", unit="dB", show=fixed(1)),
           Column(key="deflection", heading="of its scale", show=percent),
           Column(key="needle_measured", heading="measured", by_hand=True)] if meter else []),
    )  # fmt: skip
    names = {QUIET: QUIET, THRESHOLD: f"at {LOW_THRESHOLD_DB:g} dB, the threshold", DEEP: f"at {DEEP_DB:g} dB"}
    notes = (
        f"Control: node {control}, mean over the cycle.",
        f"Needle: {meter.part}." if meter else "The unit has no meter with a scale in dB.",
    )
    return Table(
        key="tones", title=f"Tones of {sheet.frequency_hz:g} Hz at the source, steady", columns=columns,
        rows=[(name, *_shown(sheet, key, columns[1:])) for key, name in names.items() if control], notes=notes,
    )  # fmt: skip


def _shown(sheet: BenchSheet, tone: str, columns: tuple[Column, ...]) -> list[Cell]:
    one = sheet.tones.get(tone)
    missing = None if one is not None else Missing(cause="not reached", text=sheet.reasons[tone])
    return [None if column.by_hand else missing or getattr(one, column.key) for column in columns]


def _alignment(sheet: BenchSheet) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (str(number), one.name, one.set, _stands(sheet.unit, one), one.applied, _read(sheet.unit, one), one.must_be,
         None)
        for number, one in enumerate(steps_in_words(sheet.unit, {}), start=1)
    ]  # fmt: skip
    return Table(
        key="alignment", title="Alignment, in this order", heads=2, rows=rows,
        columns=(
            Column(key="number", heading=""),
            Column(key="step", heading="step"),
            Column(key="set", heading="set"),
            Column(key="stands", heading="expected at"),
            Column(key="applied", heading="apply", folds=True),
            Column(key="read", heading="read", folds=True),
            Column(key="must_be", heading="must be", folds=True),
            MEASURED,
        ),
        notes=tuple(f"{one.name}: {one.about}." for one in sheet.unit.alignment.values() if one.about),
    )  # fmt: skip


def _stands(unit: Unit, step: StepWords) -> str:
    """Where the trim stands on this sheet."""
    name, _, key = step.set.partition(".")
    if name in unit.controls:
        return f"{unit.controls[name].position:.3g}"
    part = unit.parts[name]
    quantity = {"resistor": "ohm", "capacitor": "farad", "inductor": "henry"}.get(part.kind)
    return format_value(part.values["value"], quantity) if quantity and not key and "value" in part.values else ""


def _read(unit: Unit, step: StepWords) -> str:
    one = unit.alignment[step.name]
    return " at ".join(filter(None, (READINGS[one.read].meaning, ", ".join(one.at))))


def _work(sheet: BenchSheet) -> Table:
    return Table(
        key="work", title=f"Work on {sheet.work_on}", heads=2,
        rows=[(step.do, step.name, step.before, step.after, step.where, None) for step in sheet.work],
        columns=(
            Column(key="do", heading="work"),
            PART,
            Column(key="before", heading="before", folds=True),
            Column(key="after", heading="after", folds=True),
            Column(key="where", heading="where", folds=True),
            DONE,
        ),
    )  # fmt: skip


def _ratings(sheet: BenchSheet) -> Table:
    """Of the parts that were changed, and of all others that are near a rating or beyond it."""
    point = sheet.point
    parts = list(sheet.changed_parts)
    known = {one.designator for one in parts}
    for one in (*point.beyond_rating, *point.near_rating):
        if one.designator not in known:
            parts.append(ChangedPart(designator=one.designator, loadings=(one,)))
    return Table(
        key="ratings", title="Ratings in the circuit as it is here, at rest",
        rows=[row for part in parts for row in _judged(part)],
        columns=(
            PART,
            Column(key="rating", heading="rating"),
            Column(key="at_rest", heading="at rest"),
            Column(key="limit", heading="limit"),
            Column(key="used_percent", heading="used", unit="%", show=fixed(0)),
            Column(key="verdict", heading="verdict"),
        ),
    )  # fmt: skip


def _judged(part: ChangedPart) -> list[tuple[Cell, ...]]:
    if not part.loadings:
        return [(part.designator, "", "", "", None, NOT_JUDGED)]
    return [_loading(one) for one in part.loadings]


def _loading(one: Loading) -> tuple[Cell, ...]:
    show = amount(QUANTITIES[one.rating], smallest=SMALLEST)
    verdict = "BEYOND" if one.share > 1.0 else "near" if one.share > NEAR else "within"
    return one.designator, one.rating, show(one.actual), show(one.limit), 100.0 * one.share, verdict


def _definitions(sheet: BenchSheet) -> list[Definition]:
    band = Definition(
        term="5 % and 95 %",
        meaning=f"of {sheet.builds} builds drawn from tolerances and sheets (seed {sheet.seed}), 5 % read less and 5 % "
        "more; a reading outside is more likely a fault than tolerance, yet one node in ten of a good unit is outside",
        status=OWN,
    )
    tones = [
        Definition(
            term="output", meaning="rms at the output into the unit's load, harmonics included", status=PRACTICE
        ),
        LEVELS,
        REDUCTION,
    ]
    near = Definition(
        term="near",
        meaning=f"more than {100.0 * NEAR:.0f} % of a rating, as in the files, at rest, not derated with "
        "temperature; a tone and switching on may ask for more",
        status=PRACTICE,
    )
    return [
        *([band] if sheet.builds else []),
        Definition(
            term="volts",
            meaning="as a meter reads that loads nothing; one of 10 Mohm pulls nodes of high resistance, the gate and "
            "the control voltage first",
            status=PRACTICE,
        ),
        *(tones if sheet.tones else []),
        *([near] if sheet.changed_parts else []),
    ]
