"""What is expected of a unit on the bench: volts at rest with their band, tones, the work that a change is.

Nothing is measured here that is not a measurement elsewhere: rest is that of ``fetsim idle``, the band that of
``fetsim spread``, the tones are steady states as in ``measure curve``.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial

from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.steady import highest_tone_hz
from fetsim.measurements.idle.procedure import IdlePoint, idle_point
from fetsim.measurements.idle.tables import cautions
from fetsim.measurements.results.care import PROBE
from fetsim.rig.provenance import provenance
from fetsim.rig.quality import quality_named
from fetsim.rig.request import check_tone
from fetsim.rig.rig import Rig
from fetsim.rig.runner import Progress, unwatched
from fetsim.schematic.change_list import Step, change_list
from fetsim.schematic.load import given_unit
from fetsim.schematic.spreads import spreads_of
from fetsim.schematic.unit import Unit
from fetsim.studies.builds.figures import REST
from fetsim.studies.observed.loaded import shown_v
from fetsim.studies.observed.readings import METER_OHM
from fetsim.studies.sheet.record import BenchSheet, ChangedPart, NodeVolts, ToneReading
from fetsim.studies.sheet.tones import tones_of
from fetsim.studies.spread.analysis import PERCENTS
from fetsim.studies.spread.plan import check_count, check_seed
from fetsim.studies.spread.results import SpreadFound
from fetsim.studies.spread.study import DEFAULT_SEED
from fetsim.studies.spread.study import spread as spread_of_unit
from fetsim.studies.trims.aligned import aligned, check_asked

DEFAULT_BUILDS = 100
DEFAULT_FREQUENCY_HZ = 1000.0
LOW, HIGH = PERCENTS.index(min(PERCENTS)), PERCENTS.index(max(PERCENTS))


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
    >>> sheet.tones["at 10 dB"].gain_reduction_db.__round__(1)
    10.0
    """
    check_count(builds)
    check_seed(seed)
    check_asked(trims, tone_steps)
    quality_named(quality)
    asked = given_unit(unit)
    check_tone(frequency_hz, highest_tone_hz(Bench(asked, quality).rate_hz))
    expected, outcomes = aligned(asked, tone_steps=tone_steps, quality=quality) if trims else (asked, [])
    point, bench = idle_point(expected), Bench(expected, quality)
    drawn = partial(
        spread_of_unit, expected, builds=builds, seed=seed, trims=trims, tone_steps=tone_steps, quality=quality,
        curve_hz=frequency_hz, workers=workers, scheduler=scheduler, progress=progress,
    )  # fmt: skip
    tones, reasons = tones_of(expected, frequency_hz, quality)
    band = _band(expected, tones, drawn)
    before = expected.base or expected.origin
    work = change_list(before, expected)
    missed = {one.step: one.why for one in outcomes if not (one.reached or one.left_out)}
    return BenchSheet(
        provenance=provenance(bench.rig),
        unit=expected,
        point=point,
        cautions=(PROBE, *cautions(point)),
        nodes=_nodes(bench.rig, point, band),
        builds=0 if band is None else builds,
        failures=0 if band is None else sum(REST in reasons for reasons in band.found.reasons.values()),
        seed=seed,
        trims=trims,
        tone_steps=tone_steps,
        missed=missed,
        frequency_hz=frequency_hz,
        tones={name: _with_band(one, band) for name, one in tones.items()},
        reasons=reasons,
        work=work,
        work_on=before.name if work else "",
        changed_parts=_changed_parts(work, point),
    )


def _band(
    unit: Unit, tones: Mapping[str, ToneReading], drawn: Callable[..., SpreadFound]
) -> SpreadFound | None:
    """Builds at rest, of which one node is asked for and all of them come with it, and under the tones. None where
    nothing in the unit varies."""
    if not spreads_of(unit).drawn:
        return None
    under = [f"{kind}@{one.level_dbu:g}" for one in tones.values() for kind in one.kinds]
    return drawn(figures=[f"volts@{unit.nodes[0]}", *under])


def _with_band(one: ToneReading, band: SpreadFound | None) -> ToneReading:
    """What is shown, with the 5th and the 95th percentile of the builds."""
    if band is None:
        return one
    each = {kind: band.summaries[f"{kind}@{one.level_dbu:g}"].percentiles for kind in one.kinds}
    return replace(one, band={kind: (values[LOW], values[HIGH]) for kind, values in each.items()})


def _nodes(rig: Rig, point: IdlePoint, band: SpreadFound | None) -> tuple[NodeVolts, ...]:
    """Of those that are at rest, in the order of the unit's stages."""
    stages: dict[str, str] = {}
    for stage, nodes in point.stage_nodes.items():
        for node in nodes:
            if node not in point.alternating_v:
                stages.setdefault(node, stage)
    metered_v = shown_v(rig, {place: (node, METER_OHM) for place, node in enumerate(stages)})
    return tuple(
        NodeVolts(
            stage=stage, node=node, volts_v=point.node_voltages_v[node], metered_v=metered_v[place],
            low_v=None if band is None else band.volts[node].percentiles[LOW],
            high_v=None if band is None else band.volts[node].percentiles[HIGH],
        )
        for place, (node, stage) in enumerate(stages.items())
    )  # fmt: skip


def _changed_parts(work: tuple[Step, ...], point: IdlePoint) -> tuple[ChangedPart, ...]:
    """Parts that the work touches and leaves in, in its order."""
    there = {part.designator: part for part in point.parts}
    touched = dict.fromkeys(step.name.split()[0] for step in work if step.do in ("put in", "exchange", "wire anew"))
    return tuple(ChangedPart(designator=name, loadings=there[name].loadings) for name in touched if name in there)
