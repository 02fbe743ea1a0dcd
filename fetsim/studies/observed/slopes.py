"""How what is observed moves with the values of a unit, by differences of plays and readings.

By the logarithm of a value, of a control by its position, one step up (down at an end of a control's turn). Steps of
sound are small, since a threshold bends it, those of readings larger, since a search for a threshold leaves 0.003 dB.
The error of a slope of sound is -70 to -80 dB of it for the Dunlin, -35 to -50 dB for a loop around an ideal amplifier
(against steps of half and twice the size, in draft), plus half the step times its bend; slopes under -50 dB of the
sound have -95 dB of it from single precision.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.errors import InputError
from fetsim.files.user_cache import UserCache
from fetsim.rig.runner import Progress, unwatched
from fetsim.schematic.settings import number_named, sheet_figure
from fetsim.schematic.unit import Unit
from fetsim.studies.observed.observations import Observations
from fetsim.studies.observed.predict import Predicted, Samples, predict
from fetsim.studies.spread.evaluate import Changes

SOUND_STEP, READING_STEP = 0.002, 0.02
DEFAULT_QUALITY = "draft"
TOLERANCE_V = 1e-4
"""Every step is solved so finely that what is left of it does not jump between neighbours: for the Dunlin no slower,
and slopes are 20 dB cleaner."""


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

    def moved(step: float) -> tuple[list[Changes], list[float]]:
        each = [(name, *moved_value(observations.unit, name, step, here.get(name))) for name in names]
        return [{**here, name: value} for name, value, _ in each], [one for *_, one in each]

    return slopes_along(
        observations, names, here, moved(SOUND_STEP), moved(READING_STEP), quality=quality, workers=workers,
        progress=progress, cache=cache,
    )  # fmt: skip


def slopes_along(
    observations: Observations, names: Sequence[str], here: Changes, heard: tuple[Sequence[Changes], Sequence[float]],
    read: tuple[Sequence[Changes], Sequence[float]], *, quality: str = DEFAULT_QUALITY, workers: int | None = None,
    progress: Progress = unwatched, cache: UserCache | None = None,
) -> Derivatives:  # fmt: skip
    """The same in any directions: builds moved along each, and by what step, for sound and for readings."""
    nominal, *sound = predict(
        observations.only("recordings"), [here, *heard[0]], quality=quality, workers=workers, cache=cache,
        progress=progress, tolerance_v=TOLERANCE_V,
    )  # fmt: skip
    shown, *figures = predict(
        observations.only("readings"), [here, *read[0]], quality=quality, workers=workers, cache=cache
    )
    if any(output is None for output in nominal.outputs):
        raise InputError(f"{observations.unit.name}: cannot be played: {'; '.join(nominal.reasons)}")
    return Derivatives(
        names=tuple(names),
        at=replace(shown, outputs=nominal.outputs, reasons=(*shown.reasons, *nominal.reasons)),
        readings=np.array(
            [(one.readings - shown.readings) / step for one, step in zip(figures, read[1], strict=True)]
        ).T,
        outputs=tuple(
            tuple(
                Slope(above=one.outputs[k], here=output, step=step)
                for one, step in zip(sound, heard[1], strict=True)
            )
            for k, output in enumerate(nominal.outputs)
            if output is not None
        ),
        failed={
            name: "; ".join(one.reasons)
            for name, one in zip(names, sound, strict=True)
            if any(output is None for output in one.outputs)
        },
    )


def moved_value(unit: Unit, name: str, step: float, present: float | None = None) -> tuple[float, float]:
    """Where a value goes for the difference, and the step in its logarithm (of a control in its position)."""
    found = number_named(unit, name) or sheet_figure(unit, name)
    if found is None or isinstance(found.value, str):
        raise InputError(f"{name[:40]}: is no number that can be moved")
    value = found.value if present is None else present
    if name in unit.controls:
        step = step if value + step <= 1.0 else -step
        return value + step, step
    if value == 0.0 or not np.isfinite(value):
        raise InputError(f"{name[:40]}: is {found.shown()}; what is moved in proportion must have a value")
    return value * float(np.exp(step)), step
