"""Drift: bias, gain and threshold at several temperatures, just after switching on and when the parts have warmed up.

Each temperature is that of the unit, and so of all parts but those with one of their own; what parts add by their own
heat through their thermal resistance is worked out there (``rig.heat``). The gain is that of small signals at rest, the
threshold that of a steady tone (``steady``), counted from the unit as it rests in that state. The signal's own heat is
left out.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import product
from math import inf
from typing import ClassVar

from fetsim.audio.arrays import numbers_of
from fetsim.engine.circuit import GROUND
from fetsim.errors import ConvergenceError, FetsimError, InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.given import of_unit
from fetsim.measurements.bench.operating import threshold_dbu
from fetsim.measurements.results.missing import Missing
from fetsim.measurements.results.result import Result
from fetsim.rig.gain_cell import REFERENCE_HZ
from fetsim.rig.heat import check_time_constants
from fetsim.rig.provenance import provenance
from fetsim.rig.request import check_work, settling_s
from fetsim.rig.runner import Progress, run_each, unwatched
from fetsim.schematic.temperature import temperature_of
from fetsim.schematic.unit import Unit
from fetsim.schematic.wiring import part_heat_w

DEFAULT_TEMPERATURES_C = (5.0, 25.0, 55.0)
MOST_STATES = 200
LEVELS_EACH = 20  # that a threshold takes to find
FIGURES = (
    "control_v", "above_pinch_off_v", "rest_loss_db", "idle_gain_db", "threshold_dbu", "heat_w", "warmest_c",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class DriftState:
    """A unit at one temperature, so long after switching on."""

    temperature_c: float
    """Of the unit."""
    on_s: float
    """Since switching on; infinite when it has settled."""
    control_v: float | None = None
    """Of the control node at rest."""
    above_pinch_off_v: float | None = None
    """Of the FET at rest, positive towards conduction."""
    rest_loss_db: float | None = None
    """What its channel takes at rest."""
    idle_gain_db: float | None = None
    """At 1 kHz, at rest."""
    threshold_dbu: float | None = None
    """0.5 dB of gain reduction, at the source."""
    heat_w: float | None = None
    """Of all parts at rest."""
    warmest: str | None = None
    """The warmest part; None where none is warmer than the unit."""
    warmest_c: float | None = None
    """The highest temperature."""
    rises_k: Mapping[str, float] = field(default_factory=dict)
    """By how much parts are warmer than what is around them."""
    reasons: Mapping[str, Missing] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class DriftMeasurement(Result):
    """A unit at several temperatures."""

    ROOM: ClassVar[str] = "drift"

    warms_up: bool
    """Whether any part warms itself; where none does, there is one state at each temperature."""
    states: tuple[DriftState, ...]
    """Temperatures rising, times since switching on rising in each."""


@of_unit
def measure_drift(
    unit: Unit,
    *,
    temperatures_c: Sequence[float] = DEFAULT_TEMPERATURES_C,
    after_s: Sequence[float] = (),
    quality: str = "standard",
    progress: Progress = unwatched,
) -> DriftMeasurement:
    """Bias, gain and threshold at ``temperatures_c``, just switched on, ``after_s`` seconds and settled.

    Raises InputError, and where no state can be had the ConvergenceError of the first.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> found = fetsim.measure_drift(unit, temperatures_c=[5.0, 55.0], quality="draft")
    >>> [f"{state.control_v:.1f} V" for state in found.states]
    ['-5.0 V', '-5.0 V']
    """
    temperatures = sorted(set(numbers_of(temperatures_c, "temperatures").ravel().tolist()))
    waits = sorted(set(numbers_of(after_s, "after").ravel().tolist())) if len(after_s) else []
    if not temperatures:
        raise InputError("temperatures: give at least one, in degrees Celsius")
    if not all(0.0 < wait < inf for wait in waits):
        raise InputError("after: seconds since switching on lie above 0; just switched on and settled are told anyway")
    warms_up = any("thermal_resistance" in part.values for part in unit.parts.values())
    if waits and not warms_up:
        raise InputError(f"after: no part of {unit.name} warms up; give one a thermal_resistance")
    if waits:
        check_time_constants(unit, waits[0])
    units = {celsius: unit.changed(temperature_c=celsius) for celsius in temperatures}
    states = {state: state for state in product(temperatures, (0.0, *waits, inf) if warms_up else (inf,))}
    if len(states) > MOST_STATES:
        raise InputError(f"temperatures, after: these are {len(states)} states; {MOST_STATES} at the most")
    bench = Bench(unit, quality)
    work_s = len(states) * LEVELS_EACH * settling_s(REFERENCE_HZ)
    check_work(unit, work_s, bench.rate_hz, "give fewer temperatures")
    found, errors = run_each(states, partial(_state, units, quality), progress)
    if not found:
        raise next(iter(errors.values()))
    return DriftMeasurement(
        provenance=provenance(bench.rig),
        warms_up=warms_up,
        states=tuple(found[state] if state in found else _failed(*state, errors[state]) for state in states),
    )


def _state(units: Mapping[float, Unit], quality: str, state: tuple[float, float], told: Progress) -> DriftState:
    temperature_c, on_s = state
    bench = Bench(units[temperature_c], quality, on_s=on_s)
    rig, warm = bench.rig, bench.rig.warm_unit
    levels = {GROUND: 0.0, **{name: float(rig.bias[i]) for name, i in rig.system.index.items()}}
    cell, rest = warm.gain_cell, rig.rest
    own_c = {name: temperature_of(warm, part) for name, part in warm.parts.items()}
    warmest = max(own_c, key=lambda name: own_c[name])
    reasons = {} if rest is not None else dict.fromkeys(
        ("control_v", "above_pinch_off_v", "rest_loss_db"),
        Missing(cause="not defined", text="the unit has no [gain_cell]"),
    )  # fmt: skip
    try:
        threshold = threshold_dbu(bench, REFERENCE_HZ)
    except InputError as error:
        threshold, reasons["threshold_dbu"] = None, Missing(cause="not reached", text=str(error))
    except ConvergenceError as error:
        threshold, reasons["threshold_dbu"] = None, Missing(cause="not computed", text=str(error))
    return DriftState(
        temperature_c=temperature_c,
        on_s=on_s,
        control_v=None if cell is None else levels[cell.control_node],
        above_pinch_off_v=None if rest is None else rest.above_pinch_off_v,
        rest_loss_db=None if rest is None else rest.loss_db,
        idle_gain_db=rig.idle_gain_db(),
        threshold_dbu=threshold,
        heat_w=sum(part_heat_w(warm, part, levels) for part in warm.parts.values()),
        warmest=warmest if own_c[warmest] > temperature_c else None,
        warmest_c=own_c[warmest],
        rises_k=rig.heat.rises_k,
        reasons=reasons,
    )


def _failed(temperature_c: float, on_s: float, error: FetsimError) -> DriftState:
    why = Missing(cause="not computed", text=str(error))
    return DriftState(temperature_c=temperature_c, on_s=on_s, reasons=dict.fromkeys(FIGURES, why))
