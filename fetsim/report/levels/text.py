"""Level plans in plain words, and as rows of a table file."""

from collections.abc import Mapping

from fetsim.measurements.bench.clipping import BEYOND_DB
from fetsim.measurements.levels.procedure import LevelPlan, StageLevel
from fetsim.report.look.columns import columns, page, paragraph, section
from fetsim.schematic.unit import Unit

DEFINITIONS = (
    "A stage is measured at its output: the node that it shares with the next stage in the unit's file. Nominal: a "
    "steady 1 kHz tone with the loop at work, the gain reduction settled. Gain: from the point before. Clips: where "
    "the 1 kHz tone, rising with the sidechain without effect (control node held where it rests), meets {thd:g} % of "
    "distortion or {compression:g} dB of compression that the stage itself adds (common practice, no source); > means "
    "still clean at the highest level tried, {beyond:g} dB above the first one that clips anywhere. Headroom: clip "
    "level over nominal level. "
    "Noise: unweighted rms, 20 Hz to 20 kHz, with the control node held where the tone has brought it."
)
RESTING_FET = (
    "Stage {stage} holds the gain cell: what clips there is the resting FET itself, which large peaks open. It matters "
    "only until the gain reduction has set in."
)


def levels_page(measured: Mapping[str, LevelPlan], versions: Mapping[str, Unit]) -> str:
    """Label of the version -> plan, as a page for the terminal."""
    first = next(iter(measured.values()))
    limits = first.limits
    definitions = DEFINITIONS.format(thd=100.0 * limits.thd, compression=limits.compression_db, beyond=BEYOND_DB)
    return page([
        f"Level plan of {first.unit} at {first.level_dbu:+g} dBu from the source, 1 kHz.",
        paragraph("Levels in dBu, gain and headroom in dB."),
        *(
            section(f"Levels {label}".strip(), _facts(plan, versions[label]), _table(plan))
            for label, plan in measured.items()
        ),
        section("Definitions", paragraph(definitions)),
    ])  # fmt: skip


def level_rows(measured: Mapping[str, LevelPlan]) -> list[dict[str, str | float | None]]:
    """One row a stage of each version."""
    return [
        {
            "version": label,
            "stage": one.stage,
            "point": one.point,
            "gain_db": one.gain_db,
            "nominal_dbu": one.nominal_dbu,
            "clip_dbu": one.clip.stage_dbu,
            "clip_level_dbu": one.clip.level_dbu,
            "clips_by": one.clip.by,
            "headroom_db": one.headroom_db,
            "noise_dbu": one.noise_dbu,
        }
        for label, plan in measured.items()
        for one in plan.stages
    ]


def _facts(plan: LevelPlan, unit: Unit) -> str:
    first = plan.clips_first
    if first is None:
        text = "No stage clips up to the highest level tried."
    else:
        there, source = first.clip.stage_dbu, first.clip.level_dbu
        text = f"{first.stage} clips first, at {there:+.1f} dBu there, {source:+.1f} dBu from the source."
    texts = [f"Gain reduction {plan.gain_reduction_db + 0.0:.2f} dB. {text}"]
    cell = None if unit.gain_cell is None else unit.parts[unit.gain_cell.fet].stage
    if any(one.stage == cell and one.clip.clips for one in plan.stages):
        texts.append(RESTING_FET.format(stage=cell))
    return "\n".join(paragraph(one) for one in texts)


def _table(plan: LevelPlan) -> str:
    headings = ("stage", "point", "gain", "nominal", "clips at", "by", "from source", "headroom", "noise")
    rows = [("source", "", "", f"{plan.level_dbu:+.2f}", "", "", "", "", ""), *(_row(one) for one in plan.stages)]
    return columns(headings, rows, right=(2, 3, 4, 6, 7, 8), rigid=range(9))


def _row(one: StageLevel) -> tuple[str, ...]:
    more, by = ("", one.clip.by) if one.clip.clips else (">", "-")
    return (
        one.stage, one.point, f"{one.gain_db:+.2f}", f"{one.nominal_dbu:+.2f}", f"{more}{one.clip.stage_dbu:+.1f}", by,
        f"{more}{one.clip.level_dbu:+.1f}", f"{more}{one.headroom_db:.1f}", f"{one.noise_dbu:.1f}",
    )  # fmt: skip
