"""The figures of one build, each in the definition of the measurement that it is short for.

* volts at rest: ``fetsim idle``;
* thresholds: ``measure curve``, found as roots (``knee``) and not by a sweep;
* attack and release: ``measure timing`` off the FET, for a step at the tone's upward zero crossing: time until 63 % of
  the change of gain in dB. The steps are the same for all builds. A record ends where 80 % of the change has happened:
  nothing after that moves the passage of 63 %.

Every steady state is looked for from the nominal unit's at the same level (``nominal``). It does not depend on that
start beyond what ``steady`` leaves, 3e-5 dB, so the figures do not either: see ``tests/studies/builds``.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.engine.state import State
from fetsim.errors import FetsimError, InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.bursts import LONGEST_S, Level, steady_level
from fetsim.measurements.bench.steady import block_of, whole_period
from fetsim.measurements.curve.procedure import THRESHOLDS_DB
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.timing.analysis import FULL_TIME_CONSTANT, LEAST_SAMPLES_TO_RESOLVE, SMALLEST_CHANGE_DB
from fetsim.measurements.timing.procedure import RIPPLE_SHARE, averaged_over
from fetsim.measurements.traces.crossings import UNREST_MARGIN, Approach, time_to
from fetsim.schematic.unit import Unit
from fetsim.studies.builds.knee import ENOUGH_V, LevelMeter, threshold_of
from fetsim.studies.builds.nominal import Nominal

ENOUGH = 0.8
THRESHOLDS = ("threshold_half_db_dbu", "threshold_2db_dbu")
ATTACK, RELEASE = "attack_s", "release_s"
FIGURES = (*THRESHOLDS, ATTACK, RELEASE)
"""All but the volts at rest."""
REST = "rest"


@dataclass(frozen=True, kw_only=True, eq=False)
class Figures:
    """What one build shows."""

    node_v: Array
    """At rest, against ground [shape=(nodes,), order of ``Unit.nodes``]; NaN for a build without a bias point."""
    found: dict[str, float] = field(default_factory=dict)
    """Figure -> value."""
    reasons: dict[str, str] = field(default_factory=dict)
    """Figure (``rest`` for all of them) -> why it cannot be had, in the words of the failure itself."""


def figures_of(unit: Unit, nominal: Nominal) -> Figures:
    """Measure one build; what cannot be had is told in its ``reasons``. Raises no FetsimError."""
    bench = Bench(unit, nominal.quality, near=nominal.bench.rig)
    try:
        if bench.system.topology != nominal.bench.system.topology:
            raise InputError("the circuit is not the nominal unit's with other values, but another one")
        node_v = bench.bias[[bench.system.index[node] for node in nominal.unit.nodes]]
        rest = bench.run().state
    except FetsimError as error:
        return Figures(node_v=np.full(len(nominal.unit.nodes), np.nan), reasons={REST: str(error)})
    found: dict[str, float] = {}
    reasons: dict[str, str] = {}

    def fill(name: str, figure: float | Missing) -> None:
        if isinstance(figure, Missing):
            reasons[name] = figure.text
        else:
            found[name] = figure

    try:
        for name, figure in _thresholds(bench, nominal, rest):
            fill(name, figure)
    except FetsimError as error:
        reasons |= {name: str(error) for name in THRESHOLDS if name not in found}
    try:
        quiet = _level(bench, nominal, nominal.before_dbu, nominal.carried(nominal.quiet, rest))
        loud = _level(bench, nominal, nominal.level_dbu, nominal.carried(nominal.loud, rest))
        for name, before, after in ((ATTACK, quiet, loud), (RELEASE, loud, quiet)):
            fill(name, _step_s(before, after, nominal.step_hz))
    except FetsimError as error:
        reasons |= {name: str(error) for name in (ATTACK, RELEASE) if name not in found}
    return Figures(node_v=node_v, found=found, reasons=reasons)


def _thresholds(bench: Bench, nominal: Nominal, rest: State) -> Iterator[tuple[str, float | Missing]]:
    """The higher one first: what the build has there against the nominal unit it has nearly so at the lower one."""
    meter, knee, shift_db = LevelMeter(bench, nominal.curve_hz), nominal.knee, 0.0
    ahead = rest.vector() - nominal.rest.vector()
    for name, wanted_db in sorted(zip(THRESHOLDS, THRESHOLDS_DB, strict=True), key=lambda one: -one[1]):
        start = rest.with_vector(knee.state_at(wanted_db).vector() + ahead)
        found = threshold_of(knee, wanted_db, meter, start, shift_db)
        if isinstance(found, Missing):
            yield name, found
        else:
            yield name, found.level_dbu
            ahead = found.state.vector() - knee.state_at(wanted_db).vector()
            shift_db = found.level_dbu - knee.level_at(wanted_db)


def _level(bench: Bench, nominal: Nominal, level_dbu: float, start: State) -> Level:
    run = bench.run()
    run.state = start
    return steady_level(bench, level_dbu, nominal.step_hz, run, ENOUGH_V)


def _step_s(before: Level, after: Level, frequency_hz: float) -> float | Missing:
    """Time until 63 % of the change, read as ``measure timing`` reads it."""
    change_db = after.reduction_db - before.reduction_db
    ripple_db = max(before.ripple_db, after.ripple_db)
    if abs(change_db) < max(SMALLEST_CHANGE_DB, UNREST_MARGIN * ripple_db):
        text = f"no gain reduction to time: the gain changes by {-change_db:.3f} dB"
        return Missing(cause="nothing to measure", text=text)
    rate_hz, resolution_s = before.run.bench.rate_hz, LEAST_SAMPLES_TO_RESOLVE / before.run.bench.rate_hz
    trace = _burst(before, after, frequency_hz)
    if ripple_db > RIPPLE_SHARE * abs(change_db):
        trace, ripple_db = averaged_over(trace, round(rate_hz / frequency_hz)), 0.0
        resolution_s = 1.0 / frequency_hz
    approach = Approach(
        time_s=np.arange(1, len(trace) + 1) / rate_hz, progress=(trace - before.reduction_db) / change_db,
        size_db=abs(change_db), unrest_db=ripple_db, resolution_s=resolution_s,
    )  # fmt: skip
    return time_to(approach, FULL_TIME_CONSTANT)


def _burst(before: Level, after: Level, frequency_hz: float) -> Array:
    """Gain reduction from the step on [dB; shape=(steps,)], in blocks as long as those of ``steady``: circuits in
    neighbouring lanes stay in step."""
    run = before.run.branch()
    period = whole_period(frequency_hz, run.bench.rate_hz)
    block_v = block_of(period.tone(after.level_dbu), period.rate_hz)
    blocks: list[Array] = []
    while len(blocks) * len(block_v) < LONGEST_S * period.rate_hz:
        blocks.append(run.play(block_v).reduction_db)
        left_db = abs(float(np.mean(blocks[-1][-period.steps :])) - after.reduction_db)
        if left_db <= (1.0 - ENOUGH) * abs(after.reduction_db - before.reduction_db):
            break
    return np.concatenate(blocks)
