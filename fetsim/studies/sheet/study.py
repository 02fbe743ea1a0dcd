"""What is expected of a unit on the bench: volts at rest with their band, tones, the work that a change is.

Nothing is measured here that is not a measurement elsewhere: rest is that of ``fetsim idle``, the band that of
``fetsim spread``, the tones are steady states as in ``measure curve``.
"""

from collections.abc import Callable
from functools import partial

import numpy as np

from fetsim.audio.levels import rms_v_to_dbu
from fetsim.errors import FetsimError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.operating import level_for_reduction_dbu
from fetsim.measurements.bench.steady import highest_tone_hz, period_of, settled_at
from fetsim.measurements.curve.analysis import LOW_THRESHOLD_DB
from fetsim.measurements.idle.procedure import IdlePoint, idle_point
from fetsim.measurements.idle.tables import cautions
from fetsim.measurements.needle.meter import meter_of
from fetsim.rig.provenance import provenance
from fetsim.rig.quality import quality_named
from fetsim.rig.request import check_tone
from fetsim.rig.runner import Progress, unwatched
from fetsim.schematic.change_list import Step, change_list
from fetsim.schematic.load import given_unit
from fetsim.schematic.spreads import spreads_of
from fetsim.schematic.unit import Unit
from fetsim.studies.sheet.record import BenchSheet, ChangedPart, NodeVolts, ToneReading
from fetsim.studies.spread.analysis import PERCENTS
from fetsim.studies.spread.plan import check_count, check_seed
from fetsim.studies.spread.results import SpreadFound
from fetsim.studies.spread.study import DEFAULT_SEED
from fetsim.studies.spread.study import spread as spread_of_unit
from fetsim.studies.trims.aligned import aligned, check_asked

DEFAULT_BUILDS = 100
DEFAULT_FREQUENCY_HZ = 1000.0
QUIET, THRESHOLD, DEEP = "below the threshold", "at the threshold", "at work"
BELOW_DB, DEEP_DB = 10.0, 10.0
WITHOUT_THRESHOLD_DBU = -20.0
"""Level of the first tone for a unit that has no threshold to be below."""


def bench_sheet(
    unit: Unit | str,
    *,
    builds: int = DEFAULT_BUILDS,
    seed: int = DEFAULT_SEED,
    trims: bool = False,
    tone_steps: bool = False,
    frequency_hz: float = DEFAULT_FREQUENCY_HZ,
    quality: str = "standard",
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Progress = unwatched,
) -> BenchSheet:
    """The sheet to lie beside a unit on the bench.

    The band of the volts is that of ``builds`` drawn from the unit's tolerances. ``trims``: the trims of the unit and
    of all builds are set first, by those steps of its alignment that need no tone, with ``tone_steps`` by the others
    too. Other options as in ``spread``.

    Raises InputError for what cannot be asked, and ConvergenceError for a unit that does not come to rest; a tone that
    the unit has not is told in ``reasons``. A unit without gain cell has no tones.

    >>> import fetsim
    >>> sheet = fetsim.bench_sheet("teaching", builds=4, quality="draft", workers=1)
    >>> [table.key for table in sheet.tables()]
    ['volts', 'alignment', 'tones']
    >>> sheet.tones["at work"].gain_reduction_db.__round__(1)
    10.0
    """
    check_count(builds)
    check_seed(seed)
    check_asked(trims, tone_steps)
    quality_named(quality)
    asked = given_unit(unit)
    check_tone(frequency_hz, highest_tone_hz(Bench(asked, quality).rate_hz))
    expected, outcomes = aligned(asked, tone_steps=tone_steps, quality=quality) if trims else (asked, [])
    point = idle_point(expected)
    drawn = partial(
        spread_of_unit, expected, builds=builds, seed=seed, trims=trims, tone_steps=tone_steps, quality=quality,
        workers=workers, scheduler=scheduler, progress=progress,
    )  # fmt: skip
    band = _band(expected, drawn)
    tones, reasons = _tones(expected, frequency_hz, quality)
    before = expected.base or expected.origin
    work = change_list(before, expected)
    missed = {one.step: one.why for one in outcomes if not (one.reached or one.left_out)}
    return BenchSheet(
        provenance=provenance(Bench(expected, quality).rig),
        unit=expected,
        point=point,
        cautions=cautions(point),
        nodes=tuple(one for one in _nodes(point, band) if one.node not in point.alternating_v),
        builds=0 if band is None else builds,
        failures=0 if band is None else band.failures,
        seed=seed,
        trims=trims,
        tone_steps=tone_steps,
        missed=missed,
        frequency_hz=frequency_hz,
        tones=tones,
        reasons=reasons,
        work=work,
        work_on=before.name if work else "",
        changed_parts=_changed_parts(work, point),
    )


def _band(unit: Unit, drawn: Callable[..., SpreadFound]) -> SpreadFound | None:
    """Builds at rest; one node is asked for, all of them come with it. None where nothing in the unit varies."""
    return drawn(figures=[f"volts@{unit.nodes[0]}"]) if spreads_of(unit).drawn else None


def _nodes(point: IdlePoint, band: SpreadFound | None) -> tuple[NodeVolts, ...]:
    stages: dict[str, str] = {}
    for stage, nodes in point.stage_nodes.items():
        for node in nodes:
            stages.setdefault(node, stage)
    low, high = PERCENTS.index(min(PERCENTS)), PERCENTS.index(max(PERCENTS))
    return tuple(
        NodeVolts(
            stage=stage, node=node, volts_v=point.node_voltages_v[node],
            low_v=None if band is None else band.volts[node].percentiles[low],
            high_v=None if band is None else band.volts[node].percentiles[high],
        )
        for node, stage in stages.items()
    )  # fmt: skip


def _tones(unit: Unit, frequency_hz: float, quality: str) -> tuple[dict[str, ToneReading], dict[str, str]]:
    """Below the threshold, at it, and at 10 dB of gain reduction; none for a unit without gain cell."""
    if unit.gain_cell is None:
        return {}, {}
    bench = Bench(unit, quality)
    reasons: dict[str, str] = {}
    levels = {QUIET: WITHOUT_THRESHOLD_DBU}
    for name, reduction_db in ((THRESHOLD, LOW_THRESHOLD_DB), (DEEP, DEEP_DB)):
        try:
            levels[name] = level_for_reduction_dbu(bench, reduction_db, frequency_hz)
        except FetsimError as error:
            reasons[name] = str(error)
    if THRESHOLD in levels:
        levels[QUIET] = levels[THRESHOLD] - BELOW_DB
    found: dict[str, ToneReading] = {}
    for name, level_dbu in levels.items():
        try:
            found[name] = _shown(bench, unit.gain_cell.control_node, level_dbu, frequency_hz)
        except FetsimError as error:
            reasons[name] = str(error)
    return found, reasons


def _shown(bench: Bench, control: str, level_dbu: float, frequency_hz: float) -> ToneReading:
    meter = meter_of(bench.unit)
    run = bench.run([control, *(() if meter is None else meter.recorded)])
    period_v = period_of(frequency_hz, bench).tone(level_dbu)
    block = settled_at(run, period_v, f"at {level_dbu:g} dBu, {frequency_hz:g} Hz").block
    deflection = None if meter is None else float(np.mean(meter.drive(block.nodes)))
    return ToneReading(
        level_dbu=level_dbu,
        gain_reduction_db=float(np.mean(block.reduction_db)),
        output_dbu=float(rms_v_to_dbu(float(np.std(block.output_v)))),
        control_v=float(np.mean(block.nodes[control])),
        needle_db=None if meter is None or deflection is None else float(meter.reading_db(np.array(deflection))),
        deflection=deflection,
    )


def _changed_parts(work: tuple[Step, ...], point: IdlePoint) -> tuple[ChangedPart, ...]:
    """Parts that the work touches and leaves in, in its order."""
    there = {part.designator: part for part in point.parts}
    touched = dict.fromkeys(step.name.split()[0] for step in work if step.do in ("put in", "exchange", "wire anew"))
    return tuple(ChangedPart(designator=name, loadings=there[name].loadings) for name in touched if name in there)
