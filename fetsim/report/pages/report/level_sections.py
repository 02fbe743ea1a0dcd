"""What depends on the level, for the page: distortion, level plan, noise."""


import numpy as np

from fetsim.errors import InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.hold import hold
from fetsim.measurements.distortion.procedure import DistortionMeasurement, measure_distortion
from fetsim.measurements.levels.procedure import LevelPlan, measure_levels
from fetsim.measurements.noise.procedure import NoiseMeasurement, measure_noise
from fetsim.report.distortion.picture import draw_distortion
from fetsim.report.distortion.text import percent
from fetsim.report.levels.picture import draw_levels
from fetsim.report.levels.text import RESTING_FET
from fetsim.report.noise.picture import draw_noise
from fetsim.report.noise.text import named_states
from fetsim.report.pages.report.content import Picture, Section, Table, level, number
from fetsim.report.pages.report.svg import inline_svg
from fetsim.rig.runner import Progress
from fetsim.schematic.unit import Unit

HELD_DB = (0.0, 10.0, 20.0)  # gain reductions at which small signals are looked at, where they can be had
SHOWN_HARMONICS = (2, 3, 4, 5)
LARGEST = 8  # contributors to the noise


def reductions_within_reach(unit: Unit, quality: str) -> tuple[float, ...]:
    """Those of ``HELD_DB`` at which the control node can be held; 0, at rest, always."""
    bench, found = Bench(unit, quality), [HELD_DB[0]]
    for wanted in HELD_DB[1:]:
        try:
            hold(bench, wanted)
        except InputError:
            break
        found.append(wanted)
    return tuple(found)


def distortion_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """Harmonics, intermodulation and THD+N against the level."""
    notes = []
    try:
        one = measure_distortion(unit, quality=quality, progress=progress)
    except InputError as error:
        notes.append(f"Without THD+N: {error}.")
        one = measure_distortion(unit, with_noise=False, quality=quality, progress=progress)
    worst = max(one.tones, key=lambda point: point.thd_f)
    first = one.tones[0]
    return Section(
        "", "",
        lead=[
            f"THD at {first.frequency_hz:.6g} Hz: {percent(first.thd_f)} at {level(first.level_dbu)} dBu, at most "
            f"{percent(worst.thd_f)}, at {level(worst.level_dbu)} dBu (of the levels in the table)."
        ],
        pictures=[Picture(inline_svg(draw_distortion({"": one}, ""), "distortion"))],
        tables=_distortion_tables(one),
        notes=notes,
        figures=one.to_dict(),
    )  # fmt: skip


def _distortion_tables(one: DistortionMeasurement) -> list[Table]:
    sines = [
        (
            level(p.level_dbu), level(p.output_dbu), number(p.gain_reduction_db, 2), percent(p.thd_f), percent(p.thd_r),
            *(
                f"{20.0 * np.log10(max(float(p.harmonic[k - 2]), 1e-9)):.0f}" if k - 2 < p.harmonic.size else "-"
                for k in SHOWN_HARMONICS
            ),
        )
        for p in one.tones
    ]  # fmt: skip
    two_tones = [
        (
            level(p.level_dbu), number(p.gain_reduction_db, 2), percent(p.smpte.summed),
            percent(p.difference_tone.summed),
        )
        for p in one.two_tones
    ]  # fmt: skip
    with_noise = [
        (
            level(p.level_dbu), number(p.gain_reduction_db, 2), percent(p.ratio), number(p.level_db),
            level(p.noise_dbu),
        )
        for p in one.with_noise
    ]  # fmt: skip
    both = ("input dBu", "reduction dB")
    orders = [f"H{k} dB" for k in SHOWN_HARMONICS]
    return [
        Table(("input dBu", "output dBu", "reduction dB", "THD to H1", "to the whole", *orders), sines, 0, "One tone"),
        Table((*both, "SMPTE", "difference tone"), two_tones, 0, "Two tones, of the peak of the sine of that level"),
        Table((*both, "THD+N", "dB", "noise dBu"), with_noise, 0, "With noise"),
    ]


def levels_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """Stage by stage at the alignment level."""
    plan = measure_levels(unit, quality=quality)
    first = plan.clips_first
    clips = "no stage clips up to the highest level tried"
    if first is not None:
        clips = f"{first.stage} clips first, at {level(first.clip.level_dbu)} dBu from the source"
    reduction = number(plan.gain_reduction_db, 1, "dB")
    lead = f"At {plan.level_dbu:+g} dBu from the source, with {reduction} of gain reduction: {clips}."
    notes = [] if all(one.clip.clips for one in plan.stages) else ["> means: still clean at the highest level tried."]
    cell = None if unit.gain_cell is None else unit.parts[unit.gain_cell.fet].stage
    if any(one.stage == cell and one.clip.clips for one in plan.stages):
        notes.append(RESTING_FET.format(stage=cell))
    return Section(
        "", "",
        lead=[lead],
        pictures=[Picture(inline_svg(draw_levels({"": plan}, ""), "levels"))],
        tables=[_level_table(plan)],
        notes=notes,
        figures=plan.to_dict(),
    )  # fmt: skip


def _level_table(plan: LevelPlan) -> Table:
    rows = []
    for one in plan.stages:
        more = "" if one.clip.clips else "> "
        rows.append((
            one.stage, one.point, number(one.gain_db, 2, sign=True), level(one.nominal_dbu, 2),
            f"{more}{level(one.clip.stage_dbu)}", f"{more}{level(one.clip.level_dbu)}",
            f"{more}{number(one.headroom_db)}", level(one.noise_dbu),
        ))  # fmt: skip
    heads = (
        "stage", "at", "gain dB", "nominal dBu", "clips at dBu", "from source dBu", "headroom dB", "noise dBu",
    )  # fmt: skip
    return Table(heads, rows, words=2)


def noise_section(unit: Unit, quality: str, progress: Progress) -> Section:
    """At rest and held at gain reductions."""
    one = measure_noise(unit, reductions_db=reductions_within_reach(unit, quality), quality=quality)
    rest = one.states[0]
    lead = f"At rest {level(rest.unweighted_dbu)} dBu unweighted, {level(rest.a_weighted_dbu)} dBu behind the A curve"
    if rest.dynamic_range_db is not None:
        lead += f"; dynamic range {rest.dynamic_range_db:.0f} dB"
    where = f"{one.temperature_c:g} C, source of {one.source_resistance_ohm:g} ohm, its noise included."
    return Section(
        "", "",
        lead=[f"{lead}."],
        pictures=[Picture(inline_svg(draw_noise(named_states({"": one}), ""), "noise"), where)],
        tables=[_noise_table(one), _contributors(one)],
        figures=one.to_dict(),
    )  # fmt: skip


def _noise_table(one: NoiseMeasurement) -> Table:
    rows = [
        (
            state.state, level(state.unweighted_dbu), level(state.a_weighted_dbu), level(state.itu_468_weighted_dbu),
            number(state.gain_1khz_db, 2), level(state.input_referred_dbu), number(state.dynamic_range_db),
        )
        for state in one.states
    ]  # fmt: skip
    heads = ("state", "unweighted dBu", "A dBu", "468, rms dBu", "gain dB", "at the source dBu", "dynamic range dB")
    return Table(heads, rows)


def _contributors(one: NoiseMeasurement) -> Table:
    shares = [{(part.designator, part.cause): part.share for part in state.contributions} for state in one.states]
    most = {key: max(table.get(key, 0.0) for table in shares) for table in shares for key in table}
    shown = sorted(most, key=lambda key: -most[key])[:LARGEST]
    rows = [(*key, *(f"{100.0 * table.get(key, 0.0):.1f}" for table in shares)) for key in shown]
    heads = ("part", "cause", *(state.state for state in one.states))
    return Table(heads, rows, words=2, caption="Largest contributors, per cent of the noise power")
