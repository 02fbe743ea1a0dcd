"""Level plan: what each stage of the signal path carries at a chosen drive, where it clips, how far down its noise is.

The measuring point of a stage is its output: ``output_node`` of the stage in the unit file, or the node that it shares
with the stage after it, as the file lists them, from the one with the input to the one with the output (whose point is
the output itself). A node that the stage after next touches too belongs to the later stage. Where a file gives no such
chain, name the points.

Nominal levels are those of a steady 1 kHz tone with the loop at work, its gain reduction settled. Clip levels are
found with the sidechain without effect and count only what the stage itself adds (see ``clipping``); noise is that of
the whole path up to the point, unweighted, with the control node held where the tone has brought it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from fetsim.engine.circuit import GROUND
from fetsim.errors import InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.clipping import DEFAULT_LIMITS, ClipLimits, LargestLevel, clip_levels
from fetsim.measurements.bench.given import of_unit
from fetsim.measurements.bench.hold import hold_at
from fetsim.measurements.bench.steady import period_of, settle, tone_level_dbu
from fetsim.measurements.noise.procedure import unweighted_noise_dbu
from fetsim.measurements.results.result import Result
from fetsim.rig.gain_cell import REFERENCE_HZ
from fetsim.rig.points import Point, find_point, output_point
from fetsim.rig.provenance import provenance
from fetsim.schematic.unit import Unit

LARGEST_DBU = 60.0  # either way, of the source
ALIGNMENT_DBU = 0.0  # ITU-R BS.645: the alignment signal, 1 kHz at 0 dBu


@dataclass(frozen=True, kw_only=True)
class StageLevel:
    """One stage, at its output."""

    stage: str
    point: str
    gain_db: float
    """From the point before (the source for the first), at the nominal level."""
    nominal_dbu: float
    clip: LargestLevel
    headroom_db: float
    """Clip level over nominal level; at least that where ``clip.clips`` is false."""
    noise_dbu: float
    """Unweighted, 20 Hz to 20 kHz, of the whole path up to the point."""
    dynamic_range_db: float
    """Clip level over the noise, so headroom and what lies under the nominal level together; at least that where
    ``clip.clips`` is false."""


@dataclass(frozen=True, kw_only=True)
class LevelPlan(Result):
    """All stages of the signal path, in order."""

    ROOM: ClassVar[str] = "levels"

    level_dbu: float
    gain_reduction_db: float
    """Settled, at the output."""
    limits: ClipLimits
    stages: tuple[StageLevel, ...]
    clips_first: str | None
    """Name of the stage that clips at the lowest source level; None where none does."""
    cell_stage: str | None
    """Name of the stage with the gain cell; None for a unit without one."""

    def stage(self, name: str) -> StageLevel:
        """One stage; KeyError if there is none of that name."""
        return {one.stage: one for one in self.stages}[name]


@of_unit
def measure_levels(
    unit: Unit,
    *,
    level_dbu: float = ALIGNMENT_DBU,
    points: Sequence[str] = (),
    limits: ClipLimits = DEFAULT_LIMITS,
    quality: str = "standard",
) -> LevelPlan:
    """The level plan at ``level_dbu``; ``points`` (nodes or probes, in signal order) replace the stage outputs.

    Raises InputError for an unknown point, for a level that is no number, and where stages cannot be told.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> plan = fetsim.measure_levels(unit, quality="draft")
    >>> plan.clips_first
    'divider'
    """
    if not abs(level_dbu) <= LARGEST_DBU:
        raise InputError(f"level: is {level_dbu:g} dBu; it must lie within -{LARGEST_DBU:g} to +{LARGEST_DBU:g} dBu")
    bench = Bench(unit, quality)
    places = [(name, find_point(unit, name)) for name in points] if points else stage_outputs(unit)
    control = [] if unit.gain_cell is None else [unit.gain_cell.control_node]
    run = bench.run([*(node for _, point in places for node in point.nodes), *control])
    period = period_of(REFERENCE_HZ, bench)
    steady = settle(run, period.tone(level_dbu)).block
    nominal_dbu = [tone_level_dbu(point.volts(steady.nodes), period) for _, point in places]
    held = hold_at(bench, float(np.mean(steady.nodes[control[0]]))) if control else bench
    noise_dbu = [unweighted_noise_dbu(held, point) for _, point in places]
    clips = clip_levels(bench, [point for _, point in places], limits=limits, own=True)
    before = [level_dbu, *nominal_dbu]
    stages = tuple(
        StageLevel(
            stage=stage,
            point=point.name,
            gain_db=level - arrives,
            nominal_dbu=level,
            clip=clip,
            headroom_db=clip.stage_dbu - level,
            noise_dbu=noise,
            dynamic_range_db=clip.stage_dbu - noise,
        )
        for (stage, point), arrives, level, clip, noise in zip(
            places, before, nominal_dbu, clips, noise_dbu, strict=False
        )
    )
    first = min((one for one in stages if one.clip.clips), key=lambda one: one.clip.level_dbu, default=None)
    return LevelPlan(
        provenance=provenance(bench.rig),
        level_dbu=level_dbu,
        gain_reduction_db=bench.rig.idle_gain_db() - (tone_level_dbu(steady.output_v, period) - level_dbu),
        limits=limits,
        stages=stages,
        clips_first=None if first is None else first.stage,
        cell_stage=None if unit.gain_cell is None else unit.parts[unit.gain_cell.fet].stage,
    )


def stage_outputs(unit: Unit) -> list[tuple[str, Point]]:
    """The stages from input to output with their measuring points.

    Raises InputError where the file does not list the stages of the path one after the other.
    """
    names = [stage.name for stage in unit.stages]
    first, last = names.index(unit.input.stage), names.index(unit.output.stage)
    if last < first:
        raise InputError(
            f"{unit.name}: lists stage {names[last]} with the output before stage {names[first]} with the input; list "
            "stages from input to output, or name the points in signal order"
        )
    path = unit.stages[first : last + 1]
    nodes = [{node for part in stage.parts for node in part.nodes.values()} for stage in path]
    rails = set(unit.rail_makers)
    found = []
    for number, stage in enumerate(path[:-1]):
        if stage.output_node is not None:
            found.append((stage.name, find_point(unit, stage.output_node)))
            continue
        later = nodes[number + 2] if number + 2 < len(path) else set()
        shared = sorted((nodes[number] & nodes[number + 1]) - later - rails - {GROUND})
        if len(shared) != 1:
            raise InputError(
                f"{unit.name}: the output of stage {stage.name} cannot be told ({len(shared)} nodes lead on to "
                f"{path[number + 1].name}); give output_node in [stages.{stage.name}], or name the points "
                "in signal order"
            )
        found.append((stage.name, Point(shared[0], shared[0])))
    return [*found, (path[-1].name, output_point(unit))]
