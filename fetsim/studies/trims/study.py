"""The alignment of a unit, step by step as its file says: where each trim goes, and how sharply that is defined.

A figure that must have a value is looked for along all of the trim's way; one that must be least by
``measurements/trim_null``. The sharpness is read, not derived: a step down, a step up, and the edges of what is
accepted.
"""

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.distortion.procedure import sine_distortion
from fetsim.measurements.trim_null.procedure import DEFAULT_REDUCTION_DB, TrimNull, measure_trim_null
from fetsim.rig.provenance import provenance_of_both
from fetsim.rig.rig import Rig
from fetsim.rig.runner import Progress, run_all, unwatched
from fetsim.schematic.alignment import READINGS
from fetsim.schematic.load import given_unit
from fetsim.schematic.unit import AlignmentStep, Unit
from fetsim.schematic.values import format_value
from fetsim.studies.trims.aligned import at_its_channel, chosen_steps
from fetsim.studies.trims.meters import Meter, RestMeter, ToneMeter
from fetsim.studies.trims.readings import is_accepted
from fetsim.studies.trims.record import Alignment, StepTaken
from fetsim.studies.trims.remedies import remedies_for
from fetsim.studies.trims.search import Found, find
from fetsim.studies.trims.travel import SETTLED, TURN_STEP, Travel, resistances_ohm

POSITIONS = 21  # of a sweep
MOST_SPANS = 4
"""A null that lies at the end of what is swept is looked for from there on, so many times: over a factor of three
upwards, a quarter downwards."""


def set_trims(
    unit: Unit | str | Path,
    *,
    steps: Sequence[str] | None = None,
    quality: str = "standard",
    progress: Progress = unwatched,
) -> tuple[Unit, Alignment]:
    """The unit with the ``steps`` of its alignment (default: all) taken in their order, and what came of each.

    Raises InputError for a unit without alignment and a name that is no step, ConvergenceError.

    >>> import fetsim
    >>> unit = fetsim.load_unit("dunlin").changed({"J1.pinch_off_voltage": -4.3})
    >>> other, alignment = fetsim.set_trims(unit, steps=["idle_bias"])
    >>> f"{other.controls['idle_trim'].position:.3f}", f"{alignment.steps[0].figure:.4f} dB"
    ('0.464', '0.0300 dB')
    """
    began = unit = given_unit(unit)
    chosen = chosen_steps(unit, steps)
    taken: list[StepTaken] = []
    for number, step in enumerate(chosen):

        def told(share: float, number: int = number) -> None:
            progress((number + share) / len(chosen))

        unit = at_its_channel(unit, step)
        one = _nulled(unit, step, quality, told) if READINGS[step.read].least else _met(unit, step, quality, told)
        unit = unit.changed({step.set: one.value})
        taken.append(one)
        told(1.0)
    settings = {one.step.set: format_value(one.value, one.quantity).replace(" ", "") for one in taken}
    named = began.changed(settings)  # what is written is what stands
    stand = (*(_read_again(named, one) for one in taken[:-1]), *taken[-1:])
    return named, Alignment(provenance=provenance_of_both(Rig(named, quality)), steps=stand, settings=settings)


def _read_again(unit: Unit, one: StepTaken) -> StepTaken:
    """The step as it is read in the unit with all steps taken, where a later one has moved it."""
    if not one.accepted or one.step.accepted is None or READINGS[one.step.read].tone:
        return one
    at = at_its_channel(unit, one.step)
    figure = RestMeter(at, one.step).figures([Travel.of(at, one.step.set).present])[0]
    return one if is_accepted(one.step, figure) else replace(one, figure_after=figure, accepted=False)


def _met(unit: Unit, step: AlignmentStep, quality: str, progress: Progress) -> StepTaken:
    """A step whose reading must have a value."""
    travel = Travel.of(unit, step.set, step.series)
    meter: Meter = ToneMeter(unit, step, quality) if READINGS[step.read].tone else RestMeter(unit, step)
    low, high = travel.ends
    positions = sorted(travel.value(float(way)) for way in np.linspace(low, high, POSITIONS))
    figures = meter.figures(positions, progress)
    found = _found(meter, step, travel)
    exact = travel.value(found.way)
    had = travel.preferred(exact)
    read = dict(zip(had, meter.figures(had), strict=True))
    value = min(had, key=lambda one: abs(meter.missed(one))) if len(had) > 1 else had[0]
    around = travel.around(value)
    before, *beside = meter.figures((travel.present, *around))
    edges = _edges(meter, step, travel, rises=beside[1] >= beside[0]) if found.reached else None
    close = is_accepted(step, read[value])
    return StepTaken(
        step=step, quantity=travel.quantity, level_dbu=meter.level_dbu, before=travel.present, figure_before=before,
        value=value, figure=read[value], resistances_ohm=resistances_ohm(unit.changed({step.set: value}), step.set),
        exact=exact, in_reach=found.reached, accepted=close and (found.reached or step.accepted is not None),
        moved_by=travel.step_words, around=around, figure_around=(beside[0], beside[1]),
        accepted_from=None if edges is None else edges[0], accepted_to=None if edges is None else edges[1],
        remedies=() if found.reached else remedies_for(unit, step, travel, found.way, quality),
        swept=np.array(positions), figures=np.array(figures),
    )  # fmt: skip


def _found(meter: Meter, step: AlignmentStep, travel: Travel) -> Found:
    return find(lambda way: meter.missed(travel.value(way)), travel.start, travel.ends, TURN_STEP, SETTLED)


def _edges(meter: Meter, step: AlignmentStep, travel: Travel, *, rises: bool) -> tuple[float, float] | None:
    """Between which the reading is accepted; an end of the way where it is accepted up to there."""
    if step.accepted is None:
        return None
    edges = []
    for share, end in zip((-1.0, 1.0), travel.ends if rises else travel.ends[::-1], strict=True):
        goal = meter.goal + share * step.accepted
        there = Found(end, False) if step.read == "loss_at_rest" and goal <= 0.0 else (
            _found(meter.aiming_at(goal), step, travel)
        )
        edges.append(travel.value(there.way if there.reached else end))
    return min(edges), max(edges)


def _nulled(unit: Unit, step: AlignmentStep, quality: str, progress: Progress) -> StepTaken:
    """A step whose reading must be least."""
    travel, found = Travel.of(unit, step.set, step.series), _null(unit, step, quality, progress)
    bench = Bench(unit, quality)

    def read(value: float) -> float:
        run = bench.of_version(unit.changed({step.set: value})).run()
        return float(sine_distortion(run, found.level_dbu, step.frequency_hz).harmonic[0])

    had = travel.preferred(found.best)
    wanted = {one: partial(read, one) for each in had for one in (each, *travel.around(each))}
    figures = run_all(wanted, lambda job, _: job())
    value = min(had, key=lambda one: figures[one])
    around = travel.around(value)
    good = step.accepted is not None and found.best_second <= step.accepted
    edges = _crossings(found, step.accepted) if step.accepted is not None and good else None
    return StepTaken(
        step=step, quantity=travel.quantity, level_dbu=found.level_dbu, before=travel.present,
        figure_before=found.present_second, value=value, figure=figures[value],
        resistances_ohm=resistances_ohm(unit.changed({step.set: value}), step.set), exact=found.best,
        in_reach=found.inside, accepted=figures[value] <= step.accepted if step.accepted is not None else found.inside,
        moved_by=travel.step_words, around=around, figure_around=(figures[around[0]], figures[around[1]]),
        accepted_from=None if edges is None else edges[0], accepted_to=None if edges is None else edges[1],
        remedies=(), swept=found.value, figures=found.second,
    )  # fmt: skip


def _null(unit: Unit, step: AlignmentStep, quality: str, progress: Progress) -> TrimNull:
    """The null of what the step sets, looked for further out where it lies at the end of what was swept."""
    first = found = measure_trim_null(
        unit, step.set, level_dbu=step.level_dbu, reduction_db=step.reduction_db or DEFAULT_REDUCTION_DB,
        frequency_hz=step.frequency_hz, quality=quality, progress=progress,
    )  # fmt: skip
    for _ in range(MOST_SPANS - 1):
        if found.inside or found.best in (found.present, *((0.0, 1.0) if step.set in unit.controls else ())):
            break
        further = unit.changed({step.set: found.best})
        found = measure_trim_null(
            further, step.set, level_dbu=first.level_dbu, frequency_hz=step.frequency_hz, quality=quality
        )
    return replace(found, present=first.present, present_second=first.present_second)


def _crossings(found: TrimNull, accepted: float) -> tuple[float, float]:
    """Between which values the harmonic is below ``accepted``, by straight lines; ends of the sweep where it is there
    too."""
    order = np.argsort([*found.value, found.best])
    values = np.array([*found.value, found.best])[order]
    over = np.array([*found.second, found.best_second])[order] - accepted
    place = int(np.argmin(over))
    low, high = values[0], values[-1]
    for k in range(place, 0, -1):
        if over[k - 1] > 0.0:
            low = np.interp(0.0, over[k - 1 : k + 1][::-1], values[k - 1 : k + 1][::-1])
            break
    for k in range(place, len(values) - 1):
        if over[k + 1] > 0.0:
            high = np.interp(0.0, over[k : k + 2], values[k : k + 2])
            break
    return float(low), float(high)
