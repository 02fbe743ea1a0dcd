"""A bench sheet as tables with a column to fill in, and its cautions."""

from fetsim.measurements.curve.analysis import LOW_THRESHOLD_DB
from fetsim.measurements.idle.procedure import NEAR, Loading
from fetsim.measurements.idle.tables import QUANTITIES, SMALLEST
from fetsim.measurements.needle.meter import Meter, meter_of
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import LEVELS, OWN, PRACTICE, REDUCTION, Definition
from fetsim.measurements.results.formats import FINE_LEVEL, amount, fixed
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.rig.points import OUTPUT
from fetsim.schematic.alignment import READINGS
from fetsim.schematic.alignment_words import StepWords, steps_in_words
from fetsim.schematic.unit import Unit
from fetsim.schematic.values import format_value
from fetsim.studies.sheet.record import BenchSheet, ToneReading
from fetsim.studies.sheet.tones import DEEP, QUIET, THRESHOLD

VOLTS = fixed(3, sign=True)
SHOWN = fixed(3)
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
    made = sheet.provenance
    all_of_it = [sheet.hardest(one) for part in sheet.point.parts for one in part.loadings]
    beyond = [(tone, one) for tone, one in all_of_it if one.share > 1.0]
    settings = [f"{name} {one.position:g}" for name, one in sheet.unit.controls.items()]
    settings += [f"{name} {bank.state}" for name, bank in sheet.unit.banks.items()]
    changes = ", ".join(f"{one.name} {one.before} -> {one.after}" for one in made.changes)
    unfit = ", ".join(f"{one.designator} ({one.rating}, {100.0 * one.share:.0f} %, {tone})" for tone, one in beyond)
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
    rows: list[tuple[Cell, ...]] = [(one.stage, one.node, one.volts_v, one.low_v, one.high_v, one.metered_v, None)
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
            Column(key="metered_v", heading="by 10 Mohm", unit="V", show=VOLTS),
            MEASURED,
        ),
    )  # fmt: skip


def _tones(sheet: BenchSheet) -> Table:
    meter, control = meter_of(sheet.unit), sheet.unit.gain_cell.control_node if sheet.unit.gain_cell else ""
    names = {QUIET: QUIET, THRESHOLD: f"at {LOW_THRESHOLD_DB:g} dB, the threshold", DEEP: DEEP}
    rows: list[tuple[Cell, ...]] = []
    for key, name in names.items() if control else ():
        if key in sheet.tones:
            one = sheet.tones[key]
            rows += [(name, one.level_dbu, *row, None) for row in _shown(one, meter)]
        else:
            missing = Missing(cause="not reached", text=sheet.reasons[key])
            rows.append((name, missing, "", "", missing, None, None, None))
    return Table(
        key="tones", title=f"Tones of {sheet.frequency_hz:g} Hz at the source, steady", rows=rows, heads=2,
        columns=(
            Column(key="tone", heading="gain reduction"),
            Column(key="level_dbu", heading="apply", unit="dBu", show=FINE_LEVEL),
            Column(key="instrument", heading="shown by"),
            Column(key="unit", heading="in"),
            Column(key="expected", heading="expected", show=SHOWN),
            Column(key="low", heading="5 %", show=SHOWN),
            Column(key="high", heading="95 %", show=SHOWN),
            MEASURED,
        ),
        notes=(
            f"Control: node {control}, mean over the cycle. Scope: from the lowest to the highest voltage.",
            f"Needle: {meter.part}." if meter else "The unit has no meter with a scale in dB.",
        ),
    )  # fmt: skip


def _shown(one: ToneReading, meter: Meter | None) -> list[tuple[Cell, ...]]:
    """Instrument, unit, what it shows, and between which values nine of ten good units lie."""
    nothing = (None, None)
    rows: list[tuple[Cell, ...]] = [
        ("level at the output", "dBu", one.output_dbu, *one.band.get("output", nothing)),
        ("control voltage", "V", one.control_v, *one.band.get("control", nothing)),
    ]
    if meter is not None and one.deflection is not None:
        rows += [
            ("needle", "dB", one.needle_db, *one.band.get("needle", nothing)),
            ("needle, of its scale", "%", 100.0 * one.deflection, *nothing),
        ]
    rows += [
        (f"scope at {name}", "V p-p", high_v - low_v, *(one.band.get("swing", nothing) if name == OUTPUT else nothing))
        for name, (low_v, high_v) in one.scope_v.items()
    ]
    return rows


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
    """Of the parts that were changed, and of all others that come near a rating or go beyond it."""
    changed = [one.designator for one in sheet.changed_parts]
    rows: list[tuple[Cell, ...]] = [
        (one.designator, "", "", "", "", "", None, NOT_JUDGED) for one in sheet.changed_parts if not one.loadings
    ]
    for rest in (one for part in sheet.point.parts for one in part.loadings):
        tone, most = sheet.hardest(rest)
        if rest.designator in changed or most.share > NEAR:
            rows.append(_loading(rest, tone, most))
    return Table(
        key="ratings", title="Ratings in the circuit as it is here, at rest and under the tones",
        rows=sorted(rows, key=lambda row: changed.index(row[0]) if row[0] in changed else len(changed)),
        columns=(
            PART,
            Column(key="rating", heading="rating"),
            Column(key="at_rest", heading="at rest"),
            Column(key="at_most", heading="at most"),
            Column(key="tone", heading="that is"),
            Column(key="limit", heading="limit"),
            Column(key="used_percent", heading="used", unit="%", show=fixed(0)),
            Column(key="verdict", heading="verdict"),
        ),
    )  # fmt: skip


def _loading(rest: Loading, tone: str, most: Loading) -> tuple[Cell, ...]:
    show = amount(QUANTITIES[rest.rating], smallest=SMALLEST)
    verdict = "BEYOND" if most.share > 1.0 else "near" if most.share > NEAR else "within"
    return (
        rest.designator, rest.rating, show(rest.actual), show(most.actual), tone, show(rest.limit), 100.0 * most.share,
        verdict,
    )  # fmt: skip


def _definitions(sheet: BenchSheet) -> list[Definition]:
    band = Definition(
        term="5 % and 95 %",
        meaning=f"of {sheet.builds} builds drawn from tolerances and sheets (seed {sheet.seed}), 5 % read less and 5 % "
        "more; a reading outside is more likely a fault than tolerance, yet one node in ten of a good unit is outside",
        status=OWN,
    )
    tones = [
        Definition(
            term="level at the output", meaning="rms into the unit's load, harmonics included", status=PRACTICE
        ),
        LEVELS,
        REDUCTION,
    ]
    near = Definition(
        term="near",
        meaning=f"more than {100.0 * NEAR:.0f} % of a rating, as in the files, at rest and under the "
        "tones: volts at their highest, power and current in the mean; not derated with temperature, and other signals "
        "and switching on may ask for more",
        status=PRACTICE,
    )
    return [
        *([band] if sheet.builds else []),
        Definition(
            term="volts",
            meaning="as a meter reads that loads nothing, and so the band; by 10 Mohm: what one of that input "
            "resistance shows of the expected unit, as it pulls nodes of high resistance, the gate and the control "
            "voltage first",
            status=PRACTICE,
        ),
        *(tones if sheet.tones else []),
        *([near] if sheet.changed_parts else []),
    ]
