"""A unit under the tones of a bench sheet: what the instruments show, and what the parts use of their ratings."""

from collections.abc import Mapping

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.engine.circuit import GROUND
from fetsim.errors import FetsimError
from fetsim.measurements.bench.bench import Bench, Played
from fetsim.measurements.bench.operating import level_for_reduction_dbu
from fetsim.measurements.bench.steady import AT_PEAK, Period, period_of, settled_at
from fetsim.measurements.curve.analysis import LOW_THRESHOLD_DB
from fetsim.measurements.idle.procedure import LOOKS, Loading, loadings_of
from fetsim.rig.points import OUTPUT, find_point
from fetsim.schematic.unit import Unit
from fetsim.studies.builds.shown import Shown
from fetsim.studies.sheet.record import ToneReading

BELOW_DB, DEEP_DB = 10.0, 10.0
QUIET, THRESHOLD, DEEP = "below the threshold", "at the threshold", f"at {DEEP_DB:g} dB"
WITHOUT_THRESHOLD_DBU = -20.0
"""Level of the first tone for a unit that has no threshold to be below."""
MOST_LOOKS = 5 * LOOKS
DIGITS = 2
"""Decimals of a level, as a generator can be set to."""


def tones_of(unit: Unit, frequency_hz: float, quality: str) -> tuple[dict[str, ToneReading], dict[str, str]]:
    """Below the threshold, at it, and at 10 dB of gain reduction, and why there is none of one; none of them for a unit
    without gain cell."""
    if unit.gain_cell is None:
        return {}, {}
    bench = Bench(unit, quality)
    reasons: dict[str, str] = {}
    levels = {QUIET: WITHOUT_THRESHOLD_DBU}
    for name, reduction_db in ((THRESHOLD, LOW_THRESHOLD_DB), (DEEP, DEEP_DB)):
        try:
            levels[name] = round(level_for_reduction_dbu(bench, reduction_db, frequency_hz), DIGITS)
        except FetsimError as error:
            reasons[name] = str(error)
    if THRESHOLD in levels:
        levels[QUIET] = round(levels[THRESHOLD] - BELOW_DB, DIGITS)
    found: dict[str, ToneReading] = {}
    for name, level_dbu in levels.items():
        try:
            found[name] = _read(bench, level_dbu, frequency_hz)
        except FetsimError as error:
            reasons[name] = str(error)
    return found, reasons


def _read(bench: Bench, level_dbu: float, frequency_hz: float) -> ToneReading:
    period, unknowns = period_of(frequency_hz, bench), bench.system.unknowns
    tone_v = period.tone(level_dbu, AT_PEAK)
    block = settled_at(bench.run(unknowns), tone_v, f"at {level_dbu:g} dBu, {frequency_hz:g} Hz").block
    shown, unit = Shown.of(bench.unit), bench.unit
    readings = shown.readings(block)
    return ToneReading(
        level_dbu=level_dbu,
        gain_reduction_db=float(np.mean(block.reduction_db)),
        output_dbu=readings["output"],
        control_v=readings["control"],
        needle_db=readings.get("needle"),
        deflection=None if shown.meter is None else shown.deflection(block),
        scope_v={name: _ends_v(find_point(unit, name).volts(block.nodes)) for name in (OUTPUT, *unit.probes)},
        loadings=_loadings(bench, block, period),
    )  # fmt: skip


def _ends_v(volts: Array) -> tuple[float, float]:
    return float(np.min(volts)), float(np.max(volts))


def _loadings(bench: Bench, block: Played, period: Period) -> tuple[Loading, ...]:
    """Of all parts over the last stretch that repeats itself, looked at as often in a cycle as a mains period is at
    rest, where that is not too often."""
    steps, cycles = period.cycle, max(1, period.cycles * period.cycle // period.steps)
    every: Mapping[str, Array] = {GROUND: np.zeros(steps), **{
        name: volts[-steps:] for name, volts in block.nodes.items() if name != GROUND
    }}  # fmt: skip
    instants = np.unique(np.linspace(0, steps, min(LOOKS * cycles, MOST_LOOKS), endpoint=False).astype(int))
    looks = [{name: float(level[k]) for name, level in every.items()} for k in instants]
    unit = bench.rig.warm_unit
    return tuple(one for part in unit.parts.values() for one in loadings_of(unit, part, looks))
