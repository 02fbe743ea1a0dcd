"""How what is observed moves with the values of a unit, by differences of plays and readings.

By the logarithm of a value, of a control by its position, one step up (down at an end of a control's turn). The step
of 1 % leaves an error of the first order in the curvature, 0.5 % of a slope that doubles over the value; plays in
draft are close enough, since their error moves along. Kept in the cache as plays.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.files.user_cache import UserCache
from fetsim.rig.runner import Progress, unwatched
from fetsim.schematic.settings import number_named, sheet_figure
from fetsim.schematic.unit import Unit
from fetsim.studies.observed.observations import Observations
from fetsim.studies.observed.predict import Predicted, Samples, predict

STEP = 0.01
DEFAULT_QUALITY = "draft"


@dataclass(frozen=True, kw_only=True, eq=False)
class Derivatives:
    """Slopes of all observations at one place."""

    names: tuple[str, ...]
    """What was moved, as changes take it."""
    at: Predicted
    """What is there, in the quality of the slopes."""
    readings: Array
    """By the logarithm of each value [shape=(readings, names)]; NaN where a reading could not be had."""
    outputs: tuple[tuple["Slope", ...], ...]
    """For each recording the slopes of what comes out, in the order of the names."""
    failed: Mapping[str, str]
    """Name -> why it could not be moved; its slopes are zero."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Slope:
    """Of one output by one value, worked out stretch by stretch from plays on disk."""

    above: Samples | None
    """None where nothing could be played: no slope."""
    here: Samples
    step: float

    def part(self, first: int, last: int) -> Array:
        """Samples ``first`` to ``last`` [shape=(last - first,)]."""
        if self.above is None:
            return np.zeros(last - first)
        return np.asarray((self.above[first:last].astype(np.float64) - self.here[first:last]) / self.step)


def derivatives(
    observations: Observations,
    names: Sequence[str],
    *,
    at: Mapping[str, float] | None = None,
    quality: str = DEFAULT_QUALITY,
    workers: int | None = None,
    progress: Progress = unwatched,
    cache: UserCache | None = None,
) -> Derivatives:
    """Slopes by each of ``names`` around the observed unit with the changes ``at``.

    A value that a recording's settings set has no slope there. Raises InputError for a name without a number, and where
    the unit itself cannot be had at ``at``.
    """
    here = dict(at or {})
    moved = {name: moved_value(observations.unit, name, here.get(name)) for name in names}
    builds = [here, *({**here, name: value} for name, (value, _) in moved.items())]
    nominal, *each = predict(
        observations, builds, quality=quality, workers=workers, progress=progress, cache=cache
    )
    if any(output is None for output in nominal.outputs):
        raise InputError(f"{observations.unit.name}: cannot be played: {'; '.join(nominal.reasons)}")
    steps = np.array([step for _, step in moved.values()])
    readings = np.array([one.readings - nominal.readings for one in each]).reshape(len(each), -1).T / steps
    outputs = tuple(
        tuple(
            Slope(above=one.outputs[k], here=output, step=step) for one, step in zip(each, steps.tolist(), strict=True)
        )
        for k, output in enumerate(nominal.outputs)
        if output is not None
    )
    failed = {
        name: "; ".join(one.reasons)
        for name, one in zip(names, each, strict=True)
        if any(output is None for output in one.outputs)
    }
    return Derivatives(names=tuple(names), at=nominal, readings=readings, outputs=outputs, failed=failed)


def moved_value(unit: Unit, name: str, present: float | None = None) -> tuple[float, float]:
    """Where a value goes for the difference, and the step in its logarithm (of a control in its position)."""
    found = number_named(unit, name) or sheet_figure(unit, name)
    if found is None or isinstance(found.value, str):
        raise InputError(f"{name[:40]}: is no number that can be moved")
    value = found.value if present is None else present
    if name in unit.controls:
        step = STEP if value + STEP <= 1.0 else -STEP
        return value + step, step
    if value == 0.0 or not np.isfinite(value):
        raise InputError(f"{name[:40]}: is {found.shown()}; what is moved in proportion must have a value")
    return value * float(np.exp(STEP)), STEP
