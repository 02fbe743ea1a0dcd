"""The figures of one build, each in the definition of the measurement that it is short for.

* at rest: ``fetsim idle``; small signals: ``measure response``; noise: ``measure noise``;
* thresholds: ``measure curve``, found as roots (``knee``) and not by a sweep;
* gain reduction, local ratio and THD of steady tones: ``measure curve`` and ``measure distortion``;
* attack and release: ``measure timing`` off the FET, for a step at the tone's upward zero crossing: time until 63 % of
  the change of gain in dB. The steps are the same for all builds. A record ends where 70 % of the change has happened:
  nothing after that moves the passage of 63 %.

Every steady state is looked for from the nominal unit's at the same level and by its monodromy (``nominal``). It does
not depend on that start beyond what ``knee.ENOUGH_V`` leaves, 0.001 dB, so the figures do not either: see
``tests/studies/builds``.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from fetsim.devices.kinds import KINDS
from fetsim.engine.assembly import Array
from fetsim.engine.circuit import GROUND
from fetsim.engine.state import State
from fetsim.errors import FetsimError, InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.bursts import Level, steady_level
from fetsim.measurements.bench.steady import block_of, period_of
from fetsim.measurements.bench.transfer import corners_hz
from fetsim.measurements.curve.procedure import THRESHOLDS_DB
from fetsim.measurements.distortion.harmonics import harmonics
from fetsim.measurements.hum.procedure import hum_at_rest_dbu
from fetsim.measurements.noise.procedure import unweighted_noise_dbu
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.timing.analysis import FULL_TIME_CONSTANT, LEAST_SAMPLES_TO_RESOLVE, SMALLEST_CHANGE_DB
from fetsim.measurements.timing.procedure import RIPPLE_SHARE, averaged_over
from fetsim.measurements.traces.crossings import UNREST_MARGIN, Approach, time_to
from fetsim.rig.gain_cell import REFERENCE_HZ
from fetsim.rig.points import output_point
from fetsim.schematic.unit import Unit
from fetsim.studies.builds.asked import STEP_DB
from fetsim.studies.builds.knee import ENOUGH_V, LevelMeter, threshold_of
from fetsim.studies.builds.nominal import MARCHED, Nominal, Start
from fetsim.studies.builds.patience import LOUD_ENOUGH_DB, without_reduction, without_sound
from fetsim.studies.builds.shown import Shown

ENOUGH = 0.7
"""Of the change: ripple of ``RIPPLE_SHARE`` rms reaches back by 0.03 of it at most."""
FURTHER = 4
"""Blocks that are played at once after the first one."""
THRESHOLDS = ("threshold", "threshold_2db")
REST = "rest"
OVER = "over"
"""Begins the reason of a time that has not come as long as it was waited for."""
CORNERS = ("low_corner", "high_corner")
Found = Iterator[tuple[str, float | Missing]]


@dataclass(frozen=True, kw_only=True, eq=False)
class Figures:
    """What one build shows."""

    node_v: Array
    """At rest, against ground [shape=(nodes,), order of ``Unit.nodes``]; NaN for a build without a bias point."""
    found: dict[str, float] = field(default_factory=dict)
    """Figure -> value."""
    reasons: dict[str, str] = field(default_factory=dict)
    """Figure (``rest`` for all of them) -> why it cannot be had, in the words of the failure itself."""
    trims: dict[str, float] = field(default_factory=dict)
    """Where its trims were set before it was measured: control or part -> position or value,"""
    missed: dict[str, str] = field(default_factory=dict)
    """and the steps of its alignment that did not come out, with the reason."""

    @classmethod
    def of_plain(cls, kept: Mapping[str, Any]) -> "Figures":
        """Out of its fields as JSON has them, None for what is no number."""
        node_v = np.array([np.nan if volt is None else volt for volt in kept["node_v"]], dtype=np.float64)
        return cls(**{**kept, "node_v": node_v})


def figures_of(unit: Unit, nominal: Nominal) -> Figures:
    """Measure one build; what cannot be had is told in its ``reasons``. Raises no FetsimError."""
    bench = Bench(unit, nominal.quality, near=nominal.bench.rig)
    try:
        if bench.system.topology != nominal.bench.system.topology:
            raise InputError("the circuit is not the nominal unit's with other values, but another one")
        node_v = bench.bias[[bench.system.index[node] for node in nominal.unit.nodes]]
        rest = bench.run().state if nominal.marches else None
    except FetsimError as error:
        return failed(nominal, str(error))
    found: dict[str, float] = {}
    reasons: dict[str, str] = {}
    why: str | None = None
    for group, measure in MEASURES.items():
        wanted = [one.key for one in nominal.of(group)]
        if not wanted:
            continue
        if group in MARCHED and (why := why or _not_played(group, nominal, found)):
            reasons |= dict.fromkeys(wanted, why)
            continue
        try:
            for key, figure in measure(bench, nominal, rest):
                if key in wanted and isinstance(figure, Missing):
                    reasons[key] = figure.text
                elif key in wanted and not isinstance(figure, Missing):
                    found[key] = figure
        except FetsimError as error:
            reasons |= {key: str(error) for key in wanted if key not in found and key not in reasons}
            if group in MARCHED and nominal.patience is not None:
                why = str(error)  # what does not settle once is not asked again
    return Figures(node_v=node_v, found=found, reasons=reasons)


def _not_played(group: str, nominal: Nominal, found: Mapping[str, float]) -> str | None:
    """Why a group of figures is left out, of a build that may be broken."""
    if nominal.patience is None:
        return None
    if why := without_sound(nominal.patience, found):
        return why
    if group == "knee" and nominal.knee is not None:
        return without_reduction(nominal.figures, found, nominal.knee.level_at(min(THRESHOLDS_DB)) + LOUD_ENOUGH_DB)
    if group == "step" and nominal.level_dbu is not None:
        return without_reduction(nominal.figures, found, nominal.level_dbu)
    return None


def failed(nominal: Nominal, reason: str) -> Figures:
    """A build of which nothing can be had."""
    return Figures(node_v=np.full(len(nominal.unit.nodes), np.nan), reasons={REST: reason})


def _at_rest(bench: Bench, nominal: Nominal, rest: State | None) -> Found:
    if bench.rig.rest is not None:
        yield "loss", bench.rig.rest.loss_db
        yield "gate", bench.rig.rest.above_pinch_off_v
    if bench.unit.mains:
        yield "hum", hum_at_rest_dbu(bench.rig)
    else:
        yield "hum", Missing(cause="nothing to measure", text="the unit has no mains")
    for one in nominal.of("rest"):
        if one.node is not None:
            yield one.key, float(bench.bias[bench.system.index[one.node]])
        if one.supply is not None:
            made, names = bench.rig.circuit.element(one.supply), (*bench.system.unknowns, GROUND)
            levels = dict(zip(names, (*bench.bias, 0.0), strict=True))
            (way,) = KINDS[made.kind].ways_at(made.values, made.at(levels))
            yield one.key, -float(way.current_a)


def _small_signals(bench: Bench, nominal: Nominal, rest: State | None) -> Found:
    yield "gain", bench.rig.idle_gain_db()
    if {one.key for one in nominal.of("small")} & set(CORNERS):
        weights = output_point(bench.unit).weights(bench.system.index)
        for name, corner in zip(CORNERS, corners_hz(bench.rig.linear, weights, middle_hz=REFERENCE_HZ), strict=True):
            beyond = Missing(cause="not reached", text="the gain has not fallen by 3 dB within 0.01 Hz to 10 MHz")
            yield name, beyond if corner is None else corner


def _noise(bench: Bench, nominal: Nominal, rest: State | None) -> Found:
    yield "noise", unweighted_noise_dbu(bench, output_point(bench.unit))


def _thresholds(bench: Bench, nominal: Nominal, rest: State | None) -> Found:
    """The higher one first: where the build's knee lies against the nominal one it lies nearly so at the lower one."""
    assert rest is not None and nominal.knee is not None
    meter, knee, shift_db = LevelMeter(bench, nominal.curve_hz, longest_s=nominal.settling_s), nominal.knee, 0.0
    start = nominal.carried(knee.state_at(max(knee.monodromies)), rest)
    asked = [one.key for one in nominal.of("knee")]
    for name, wanted_db in sorted(zip(THRESHOLDS, THRESHOLDS_DB, strict=True), key=lambda one: -one[1]):
        if name not in asked:
            continue
        found = threshold_of(knee, wanted_db, meter, start, shift_db)
        if isinstance(found, Missing):
            yield name, found
        else:
            yield name, found.level_dbu
            start, shift_db = found.state, found.level_dbu - knee.level_at(wanted_db)


def _tones(bench: Bench, nominal: Nominal, rest: State | None) -> Found:
    """Level by level upwards, each from what the build had against the nominal unit at the one before."""
    assert rest is not None and nominal.rest is not None
    asked = nominal.of("tone")
    shown = Shown.of(bench.unit, {one.kind for one in asked}, [one.node for one in asked if one.node is not None])
    meter = LevelMeter(bench, nominal.curve_hz, shown.nodes, nominal.settling_s)
    ahead = rest.vector() - nominal.rest.vector()
    at = {(one.kind, one.level_dbu): one.key for one in asked if one.node is None}
    at_nodes = {(one.kind, one.node, one.level_dbu): one.key for one in asked if one.node is not None}
    reductions_db: dict[float, float] = {}
    for level, start in nominal.tones.items():
        point, steady = meter.steady(
            level, rest.with_vector(start.state.vector() + ahead), ENOUGH_V, start.monodromy
        )
        ahead = point.state.vector() - start.state.vector()
        reductions_db[level] = point.reduction_db
        if ("reduction", level) in at:
            yield at["reduction", level], point.reduction_db
        for kind, value in shown.readings(steady.block).items():
            if (kind, level) in at:
                yield at[kind, level], value
        for (kind, node), value in shown.at_nodes(steady.block).items():
            if (kind, node, level) in at_nodes:
                yield at_nodes[kind, node, level], value
        if ("thd", level) in at:
            tone = harmonics(
                steady.block.output_v, rate_hz=bench.rate_hz, fundamental_hz=meter.period.frequency_hz
            )
            yield at["thd", level], tone.thd_f
        centre = level - 0.5 * STEP_DB
        if ("ratio", centre) in at:
            rise = STEP_DB - (point.reduction_db - reductions_db[centre - 0.5 * STEP_DB])
            flat = Missing(cause="not defined", text="the output does not rise with the level there")
            yield at["ratio", centre], STEP_DB / rise if rise > 0.0 else flat


def _times(bench: Bench, nominal: Nominal, rest: State | None) -> Found:
    assert rest is not None and nominal.quiet is not None and nominal.loud is not None
    assert nominal.before_dbu is not None and nominal.level_dbu is not None
    quiet = _level(bench, nominal, nominal.before_dbu, nominal.quiet, rest)
    loud = _level(bench, nominal, nominal.level_dbu, nominal.loud, rest)
    for name, before, after in (("attack", quiet, loud), ("release", loud, quiet)):
        if name in [one.key for one in nominal.of("step")]:
            yield name, _step_s(before, after, nominal.step_hz, nominal.step_s)


MEASURES: Mapping[str, Callable[[Bench, Nominal, State | None], Found]] = {
    "rest": _at_rest, "small": _small_signals, "noise": _noise, "tone": _tones, "knee": _thresholds, "step": _times,
}  # fmt: skip
"""Group of figures -> what gives them, one after the other."""


def _level(bench: Bench, nominal: Nominal, level_dbu: float, start: Start, rest: State) -> Level:
    run = bench.run()
    run.state = nominal.carried(start.state, rest)
    return steady_level(bench, level_dbu, nominal.step_hz, run, ENOUGH_V, start.monodromy, nominal.settling_s)


def _step_s(before: Level, after: Level, frequency_hz: float, longest_s: float) -> float | Missing:
    """Time until 63 % of the change, read as ``measure timing`` reads it."""
    change_db = after.reduction_db - before.reduction_db
    ripple_db = max(before.ripple_db, after.ripple_db)
    if abs(change_db) < max(SMALLEST_CHANGE_DB, UNREST_MARGIN * ripple_db):
        text = f"no gain reduction to time: the gain changes by {-change_db:.3f} dB"
        return Missing(cause="nothing to measure", text=text)
    rate_hz, resolution_s = before.run.bench.rate_hz, LEAST_SAMPLES_TO_RESOLVE / before.run.bench.rate_hz
    trace = _burst(before, after, frequency_hz, longest_s)
    if ripple_db > RIPPLE_SHARE * abs(change_db):
        trace, ripple_db = averaged_over(trace, round(rate_hz / frequency_hz)), 0.0
        resolution_s = 1.0 / frequency_hz
    approach = Approach(
        time_s=np.arange(1, len(trace) + 1) / rate_hz, progress=(trace - before.reduction_db) / change_db,
        size_db=abs(change_db), unrest_db=ripple_db, resolution_s=resolution_s,
    )  # fmt: skip
    found = time_to(approach, FULL_TIME_CONSTANT)
    late = isinstance(found, Missing) and found.cause == "too short"
    return Missing(cause="too short", text=f"{OVER} {longest_s:g} s") if late else found


def _burst(before: Level, after: Level, frequency_hz: float, longest_s: float) -> Array:
    """Gain reduction from the step on [dB; shape=(steps,)], in blocks as long as those of ``steady``: circuits in
    neighbouring lanes stay in step."""
    run = before.run.branch()
    period = period_of(frequency_hz, run.bench)
    block_v = block_of(period.tone(after.level_dbu), period.rate_hz)
    traces = [run.play(block_v).reduction_db]
    while sum(map(len, traces)) < longest_s * period.rate_hz:
        left_db = abs(float(np.mean(traces[-1][-period.steps :])) - after.reduction_db)
        if left_db <= (1.0 - ENOUGH) * abs(after.reduction_db - before.reduction_db):
            break
        traces.append(run.play(np.tile(block_v, FURTHER)).reduction_db)
    return np.concatenate(traces)
