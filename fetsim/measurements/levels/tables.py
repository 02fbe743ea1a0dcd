"""What a level plan says, as a table and definitions."""

from collections.abc import Mapping

from fetsim.measurements.bench.clipping import BEYOND_DB, ClipLimits
from fetsim.measurements.levels.procedure import ALIGNMENT_DBU, LevelPlan, StageLevel
from fetsim.measurements.noise.tables import BAND
from fetsim.measurements.results.account import Account
from fetsim.measurements.results.definitions import LEVELS, OWN, PRACTICE, SECOND_HAND, Definition
from fetsim.measurements.results.formats import FINE_LEVEL, LEVEL, fixed
from fetsim.measurements.results.table import AtLeast, Cell, Column, Table
from fetsim.rig.gain_cell import REFERENCE_HZ

COLUMNS = (
    Column(key="version", heading="version"),
    Column(key="stage", heading="stage"),
    Column(key="point", heading="at"),
    Column(key="gain_db", heading="gain", unit="dB", show=FINE_LEVEL, meaning="from the point before"),
    Column(key="nominal_dbu", heading="nominal", unit="dBu", show=FINE_LEVEL),
    Column(key="clip_dbu", heading="clips at", unit="dBu", show=LEVEL),
    Column(key="clips_by", heading="by", meaning="the limit that is passed first"),
    Column(key="clip_level_dbu", heading="from source", unit="dBu", show=LEVEL,
           meaning="level at the source at which it clips"),
    Column(key="headroom_db", heading="headroom", unit="dB", show=fixed(1)),
    Column(key="noise_dbu", heading="noise floor", unit="dBu", show=LEVEL, meaning=f"unweighted, {BAND}"),
    Column(key="dynamic_range_db", heading="dynamic range", unit="dB", show=fixed(1),
           meaning="from the noise floor to where it clips"),
)  # fmt: skip


def account(measured: Mapping[str, LevelPlan]) -> Account:
    """Label of the version -> plan."""
    first = next(iter(measured.values()))
    rows: list[tuple[Cell, ...]] = [(label, *_row(one)) for label, plan in measured.items() for one in plan.stages]
    notes = [text for label, plan in measured.items() for text in _notes(_start(label), plan)]
    return Account(
        title=f"Level plan of {first.provenance.unit} at {first.level_dbu:+g} dBu from the source, "
        f"{REFERENCE_HZ / 1000:g} kHz.",
        lead=tuple(f"{_start(label)}{_lead(plan)}" for label, plan in measured.items()),
        tables=(Table(key="levels", title="Levels", columns=COLUMNS, rows=rows, heads=2, notes=tuple(notes)),),
        definitions=(LEVELS, *DEFINITIONS, _clips(first.limits), *HEADROOM_AND_NOISE),
    )


def _row(one: StageLevel) -> tuple[Cell, ...]:
    clip = one.clip
    if clip.clips:
        at: tuple[Cell, ...] = (clip.stage_dbu, clip.by, clip.level_dbu, one.headroom_db)
        reach: Cell = one.dynamic_range_db
    else:
        at = (AtLeast(clip.stage_dbu), "not yet", AtLeast(clip.level_dbu), AtLeast(one.headroom_db))
        reach = AtLeast(one.dynamic_range_db)
    return (one.stage, one.point, one.gain_db, one.nominal_dbu, *at, one.noise_dbu, reach)


def _lead(plan: LevelPlan) -> str:
    reduction = f"Gain reduction {fixed(2)(plan.gain_reduction_db)} dB."
    if plan.clips_first is None:
        return f"{reduction} No stage clips up to the highest level tried."
    clip = plan.stage(plan.clips_first).clip
    where = f"at {LEVEL(clip.stage_dbu)} dBu there, {LEVEL(clip.level_dbu)} dBu from the source"
    return f"{reduction} Stage {plan.clips_first} clips first, {where}."


def _notes(start: str, plan: LevelPlan) -> list[str]:
    """About the stage with the gain cell, where that one clips."""
    if not any(one.stage == plan.cell_stage and one.clip.clips for one in plan.stages):
        return []
    return [
        f"{start}Stage {plan.cell_stage} holds the gain cell: what clips there is the resting FET itself, which large "
        "peaks open. It matters only until the gain reduction has set in."
    ]


def _start(label: str) -> str:
    return f"{label}: " if label else ""


def _clips(limits: ClipLimits) -> Definition:
    return Definition(
        term="clips",
        meaning=f"where the {REFERENCE_HZ / 1000:g} kHz tone, rising with the sidechain without effect (control node "
        f"held where it rests), meets {100.0 * limits.thd:g} % of distortion or {limits.compression_db:g} dB of "
        "compression that the stage itself adds; > (not yet) means still clean at the highest level tried, "
        f"{BEYOND_DB:g} dB above the first one that clips anywhere",
        status=PRACTICE,
    )


DEFINITIONS = (
    Definition(
        term="stage",
        meaning="measured at its output: the node that it shares with the next stage in the unit's file",
        status=OWN,
    ),
    Definition(
        term="nominal",
        meaning=f"a steady {REFERENCE_HZ / 1000:g} kHz tone with the loop at work, the gain reduction settled",
        status=PRACTICE,
    ),
    Definition(
        term="alignment level",
        meaning=f"{REFERENCE_HZ / 1000:g} kHz at {ALIGNMENT_DBU:g} dBu from the source",
        source="ITU-R BS.645-2",
        status=SECOND_HAND,
    ),
)
HEADROOM_AND_NOISE = (
    Definition(term="headroom", meaning="clip level over nominal level", status=PRACTICE),
    Definition(
        term="noise floor",
        meaning=f"unweighted rms, {BAND}, of all parts up to the point, with the control node held where the tone has "
        "brought it",
        status=PRACTICE,
    ),
    Definition(
        term="dynamic range",
        meaning="clip level, an rms level of the tone, over the noise floor: headroom and what lies under the nominal "
        "level together; the floor is that under the tone, the clip level that at rest",
        status=PRACTICE,
    ),
)
