"""The linearising network's null: a part or trim swept, and where the second harmonic is least.

A FET's channel bends the signal mostly by the square of its drain voltage; half of the drain voltage brought to the
gate cancels that (in the square law exactly). How much arrives is set by one resistor, so the null is sharp and
the resistor is selected on test.
"""

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from scipy.optimize import minimize_scalar

from fetsim.errors import InputError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.bench.given import of_unit
from fetsim.measurements.bench.operating import level_for_reduction_dbu
from fetsim.measurements.distortion.procedure import DEFAULT_FREQUENCY_HZ, DistortionPoint, sine_distortion
from fetsim.measurements.results.result import Result
from fetsim.measurements.traces.checks import Samples
from fetsim.rig.gain_cell import Reference, reference_named
from fetsim.rig.provenance import provenance
from fetsim.rig.request import check_tone, check_work, settling_s
from fetsim.rig.runner import Progress, run_all, unwatched
from fetsim.schematic.settings import Setting, settings
from fetsim.schematic.unit import Unit

SPAN = 0.3  # either way, of the value; of the whole turn for a control
STEPS = 13
MOST_STEPS = 2000
VALUE_TOLERANCE = 5e-3  # of the span, to which the least second harmonic is searched
DEFAULT_REDUCTION_DB = 10.0


@dataclass(frozen=True, kw_only=True)
class TrimNull(Result):
    """Distortion against the value of one part; arrays run over the values, rising."""

    ROOM: ClassVar[str] = "trim_null"

    trimmed: str
    """Name of the part, figure or control."""
    quantity: str
    """Of its value, as in ``schematic.values``: ``ohm``, ``farad``, ``plain`` (position of a control) ..."""
    frequency_hz: float
    level_dbu: float
    present: float
    """Value in the unit as it is."""
    value: Samples
    second: Samples
    """Second harmonic over the fundamental."""
    third: Samples
    gain_reduction_db: Samples
    present_second: float
    best: float
    """Value at which the second harmonic is least."""
    best_second: float
    best_gain_reduction_db: float
    inside: bool
    """False where the least lies at an end of the sweep: the null itself is further out."""

@of_unit
def measure_trim_null(
    unit: Unit,
    trimmed: str,
    *,
    span: float = SPAN,
    steps: int = STEPS,
    level_dbu: float | None = None,
    reduction_db: float = DEFAULT_REDUCTION_DB,
    frequency_hz: float = DEFAULT_FREQUENCY_HZ,
    against: Reference = "idle",
    quality: str = "standard",
    progress: Progress = unwatched,
) -> TrimNull:
    """Sweep ``trimmed`` (``R4``, ``J1.pinch_off_voltage``, a control ...) by ``span`` either way and find the null.

    ``span`` is a share of the value, or of the whole turn for a control. The source level stays the same:
    ``level_dbu``, or the one at which the unit as it is has ``reduction_db`` counted from
    ``against``: the unit at rest, or (``"open"``) the FET taken out. Raises InputError, UnitError or ConvergenceError.

    >>> import fetsim
    >>> unit = fetsim.load_unit("teaching")
    >>> found = fetsim.measure_trim_null(unit, "R1", span=0.1, steps=3, level_dbu=-10.0, quality="draft")
    >>> found.inside
    False
    """
    present, reference = _present(unit, trimmed), reference_named(against)
    if not 0.0 < span < 1.0:
        raise InputError(f"span: is {span:g}; give a share between 0 and 1")
    if not 3 <= steps <= MOST_STEPS:
        raise InputError(f"steps: is {steps}; give a number from 3 to {MOST_STEPS}")
    check_tone(frequency_hz)
    middle = Bench(unit, quality, against=reference)
    check_work(unit, steps * settling_s(frequency_hz), middle.rate_hz, "give fewer steps")
    at, is_control = float(present.value), trimmed in unit.controls
    low, high = sorted((at - span, at + span) if is_control else (at * (1.0 - span), at * (1.0 + span)))
    if is_control:
        low, high = max(low, 0.0), min(high, 1.0)
    if level_dbu is None:
        level_dbu = level_for_reduction_dbu(middle, reduction_db, frequency_hz)
    level = level_dbu

    def read(value: float) -> DistortionPoint:
        bench = middle.of_version(unit.changed({trimmed: value}))
        return sine_distortion(bench.run(), level, frequency_hz)

    values = np.linspace(low, high, steps)
    jobs = {float(value): float(value) for value in (*values, at)}
    found = run_all(jobs, lambda value, _: read(value), progress)
    second = np.array([found[float(value)].harmonic[0] for value in values])
    place = int(np.argmin(second))
    inside = 0 < place < steps - 1
    best, point = float(values[place]), found[float(values[place])]
    if inside:
        around = (float(values[place - 1]), float(values[place + 1]))
        search = minimize_scalar(
            lambda value: float(read(value).harmonic[0]), bounds=around, method="bounded",
            options={"xatol": VALUE_TOLERANCE * (high - low)},
        )  # fmt: skip
        best, point = float(search.x), read(float(search.x))
    return TrimNull(
        provenance=provenance(middle.rig),
        trimmed=trimmed,
        quantity=present.quantity or "plain",
        frequency_hz=point.frequency_hz,
        level_dbu=level,
        present=at,
        value=values,
        second=second,
        third=np.array([found[float(value)].harmonic[1] for value in values]),
        gain_reduction_db=np.array([found[float(value)].gain_reduction_db for value in values]),
        present_second=float(found[at].harmonic[0]),
        best=best,
        best_second=float(point.harmonic[0]),
        best_gain_reduction_db=point.gain_reduction_db,
        inside=inside,
    )


def _present(unit: Unit, name: str) -> Setting:
    unit.changed({name: settings(unit)[name].value} if name in settings(unit) else {name: 0.0})  # names what is wrong
    found = settings(unit).get(name)
    if found is None or isinstance(found.value, str):
        raise InputError(f"trim: {name} has no number that could be swept")
    return found
