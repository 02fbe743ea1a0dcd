"""Suspects as tables."""

from collections.abc import Mapping

from fetsim.measurements.results.account import Account
from fetsim.measurements.results.care import HEARING, PROBE, inside
from fetsim.measurements.results.definitions import MEMORY, OWN, PRACTICE, Definition
from fetsim.measurements.results.formats import fixed, general, percent
from fetsim.measurements.results.table import Cell, Column, Table
from fetsim.studies.suspects.evidence import WIDTHS
from fetsim.studies.suspects.how_to import HEADING
from fetsim.studies.suspects.hypotheses import HEALTHY_CHANCE, SECOND_CHANCE
from fetsim.studies.suspects.record import Suspect, Suspicion

NOT_ACCUSED = "None of them is accused: these are what the data cannot rule out."
MOST_EXPECTED = 4
CHANCE = fixed(1)


def account(measured: Mapping[str, Suspicion]) -> Account:
    """Of the one unit."""
    (found,) = measured.values()
    return Account(
        title=f"Suspects in {found.provenance.unit}.",
        lead=tuple(_lead(found)),
        tables=tuple(table for made in MADE if (table := made(found)).rows),
        definitions=DEFINITIONS,
        cautions=(PROBE, *inside(True), HEARING),
    )


def _lead(found: Suspicion) -> list[str]:
    return [
        found.verdict,
        *([f"The model seems to be off by {found.model_error_db:.0f} dB of the recording; that much certainty is taken "
           "out of all figures."] if found.model_error_db is not None else []),
        *found.warnings,
    ]  # fmt: skip


def _suspects(found: Suspicion) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for number, group in enumerate(found.groups, start=1):
        rows += [(str(number), 100.0 * group.probability, *_row(one)) for one in group.suspects]
    healthy = f"Nothing wrong beyond tolerances: {100.0 * found.healthy:.1f} %."
    return Table(
        key="suspects", title="Suspects; those of a group are not told apart by what is known", rows=rows, heads=2,
        notes=(healthy, *((NOT_ACCUSED,) if found.below else ())),
        columns=(
            Column(key="group", heading="group"),
            Column(key="group_percent", heading="has it", unit="%", show=CHANCE),
            Column(key="suspect", heading="suspect"),
            Column(key="percent", heading="alone", unit="%", show=CHANCE),
            Column(key="what", heading="what", folds=True),
            Column(key="off", heading="off by", show=_signed),
            Column(key="off_low", heading="from", show=_signed),
            Column(key="off_high", heading="to", show=_signed),
            Column(key="better_decades", heading="better by", unit="decades", show=fixed(1, sign=True),
                   meaning="powers of ten by which it explains everything better than a good unit does: 2 is a hundred "
                           "times as well"),
        ),
    )  # fmt: skip


def _row(one: Suspect) -> tuple[Cell, ...]:
    words = one.words if one.played else f"{one.words} (estimated, not played)"
    return one.name, 100.0 * one.probability, words, one.off, one.off_low, one.off_high, one.decades


def _signed(share: float) -> str:
    """To three digits, and no finer than a hundredth of a percent."""
    percents = round(100.0 * share, 2) + 0.0
    return f"{percents:+.3g} %" if share < 10.0 else f"{1.0 + share:.3g} times"


def _next(found: Suspicion) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (one.name, one.bits, " from ".join(one.splits), one.apart_sigmas,
         "; ".join(f"{name} {value:.4g} +- {sigma:.2g} {one.unit}".rstrip()
                   for name, value, sigma in one.expected[:MOST_EXPECTED]))
        for one in found.next_readings
    ]  # fmt: skip
    return Table(
        key="next", title="Readings worth taking next, the best first", rows=rows,
        columns=(
            Column(key="reading", heading="read"),
            Column(key="bits", heading="tells", unit="bit", show=fixed(2)),
            Column(key="splits", heading="best", folds=True, meaning="which suspects lie farthest apart in it"),
            Column(key="apart_sigmas", heading="apart", unit="sigma", show=fixed(1),
                   meaning="difference of what these two would make it, over its uncertainty"),
            Column(key="expected", heading="expected if it is", folds=True),
        ),
    )  # fmt: skip


def _how(found: Suspicion) -> Table:
    return Table(
        key="how", title="How they are taken, and the rows of a list of readings to fill them into",
        rows=[(one.name, one.how, one.line) for one in found.next_readings],
        notes=(f"The list begins with {HEADING}; write what was read behind the first comma, its unit with it. All of "
               "it is weighed again when the list is given with what was given now.",),
        columns=(
            Column(key="reading", heading="read"),
            Column(key="how", heading="how", folds=True),
            Column(key="line", heading="row"),
        ),
    )  # fmt: skip


def _read(found: Suspicion) -> Table:
    rows: list[tuple[Cell, ...]] = [
        (name, *(_to_accuracy(each, accuracy) for each in (value, accuracy, drawn, suspect)), unit)
        for name, value, accuracy, drawn, suspect, unit in found.readings
    ]
    return Table(
        key="readings", title="What was read", rows=rows,
        columns=(
            Column(key="reading", heading="reading"),
            Column(key="value", heading="read", show=general(5)),
            Column(key="accuracy", heading="+-", show=general(2)),
            Column(key="drawn", heading="as drawn", show=general(5)),
            Column(key="suspect", heading="with the first suspect", show=general(5)),
            Column(key="unit", heading="unit"),
        ),
    )  # fmt: skip


def _to_accuracy(value: float, accuracy: float) -> float:
    """What is nothing beside the accuracy is zero: a node at ground is not told in femtovolts."""
    return 0.0 if abs(value) < 1e-3 * accuracy else value


def _heard(found: Suspicion) -> Table:
    return Table(
        key="heard", title="What is left of the recordings, re their level",
        rows=[(one.name, one.before_db, one.after_db, one.noise_db) for one in found.heard],
        columns=(
            Column(key="recording", heading="recording"),
            Column(key="before_db", heading="as drawn", unit="dB", show=fixed(1)),
            Column(key="after_db", heading="with the first suspect", unit="dB", show=fixed(1)),
            Column(key="noise_db", heading="its noise", unit="dB", show=fixed(1)),
        ),
    )  # fmt: skip


MADE = (_suspects, _next, _how, _read, _heard)

DEFINITIONS = (
    Definition(
        term="probability",
        meaning="of each hypothesis, out of its evidence (how probable it makes what was read and recorded, with "
        "tolerances, noise and an error of the model integrated out) and of how often such parts fail; that nothing is "
        f"wrong has {percent(HEALTHY_CHANCE)} beforehand, a second fault beside one {percent(SECOND_CHANCE)}; it "
        "counts on the fault being one of those listed",
        status=OWN,
    ),
    Definition(
        term="off by",
        meaning="where the value must be against the drawn one if it is the suspect, and the interval that holds it in "
        "95 of 100 cases; before anything is known its logarithm may be off by "
        f"{', '.join(f'{width:g}' for width in WIDTHS)} (standard deviations, each as likely)",
        status=OWN,
    ),
    Definition(
        term="tells (bit)",
        meaning="expected information of a reading on which suspect, or none, is the right one: 1 bit halves them",
        source="Lindley, Ann. Math. Statist. 27 (1956) 986",
        status=MEMORY,
    ),
    Definition(
        term="how often parts fail",
        meaning="a table of relative rates that --rates replaces; fetsim faults tells it",
        status=PRACTICE,
    ),
)
