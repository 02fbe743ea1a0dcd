"""The alignment of a unit, step by step as its file says: where each trim goes, and how sharply that is defined.

A figure that must have a value is looked for along all of the trim's way; a harmonic that must be least along straight
lines (``null``), then at some places either way. The sharpness is read, not derived: a step down, a step up, and the
edges of what is accepted, those of a harmonic on the straight line between two readings.
"""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from fetsim.rig.provenance import provenance_of_both
from fetsim.rig.rig import Rig
from fetsim.rig.runner import Progress, unwatched
from fetsim.schematic.alignment import READINGS
from fetsim.schematic.load import given_unit
from fetsim.schematic.unit import AlignmentStep, Unit
from fetsim.schematic.values import format_value
from fetsim.studies.trims.aligned import chosen_steps, for_step
from fetsim.studies.trims.meters import Meter, RestMeter, ToneMeter
from fetsim.studies.trims.null import accepted_around, first_values, is_inside, null
from fetsim.studies.trims.readings import is_accepted
from fetsim.studies.trims.record import Alignment, StepTaken
from fetsim.studies.trims.remedies import remedies_for
from fetsim.studies.trims.search import Found, find
from fetsim.studies.trims.tones import Tones
from fetsim.studies.trims.travel import SETTLED, TURN_STEP, Travel, resistances_ohm

POSITIONS = 21  # of a sweep
SPAN, EITHER_WAY = 0.3, 4
"""How far either side of a null is looked at, of the turn or of the value in proportion, and at how many places."""
MOST_LOOKS = 3
TONE_SHARE = 0.4  # of the time, that goes into the level of the tone


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

        at = for_step(unit, step)
        one = _nulled(at, step, quality, told) if READINGS[step.read].least else _met(at, step, quality, told)
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
    at = for_step(unit, one.step)
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
    travel, tones = Travel.of(unit, step.set, step.series), Tones(unit, step, quality)
    progress(TONE_SHARE)
    known = {value: tones.second(value) for value in first_values(travel)}
    for _ in range(MOST_LOOKS):
        place = null(tones.second, travel, known)
        exact, had = travel.value(place), travel.preferred(travel.value(place))
        wanted = {exact, *had, *(beside for one in had for beside in travel.around(one)), *_swept(place, travel)}
        known |= tones.seconds([one for one in wanted if one not in known])
        if abs(travel.way(min(known, key=lambda one: abs(known[one]))) - place) < SPAN / EITHER_WAY:
            break  # else there is a lesser one elsewhere
    value = min(had, key=lambda one: abs(known[one]))
    below, above = travel.around(value)
    inside, figure = is_inside(place, travel), abs(known[value])
    edges = None if step.accepted is None else accepted_around(known, travel, step.accepted)
    swept = sorted(known)
    return StepTaken(
        step=step, quantity=travel.quantity, level_dbu=tones.level_dbu, before=travel.present,
        figure_before=abs(known[travel.present]), value=value, figure=figure,
        resistances_ohm=resistances_ohm(unit.changed({step.set: value}), step.set), exact=exact, in_reach=inside,
        accepted=inside if step.accepted is None else figure <= step.accepted, moved_by=travel.step_words,
        around=(below, above), figure_around=(abs(known[below]), abs(known[above])),
        accepted_from=None if edges is None else edges[0], accepted_to=None if edges is None else edges[1],
        remedies=() if inside else remedies_for(unit, step, travel, place, quality),
        swept=np.array(swept), figures=np.array([abs(known[one]) for one in swept]),
    )  # fmt: skip


def _swept(place: float, travel: Travel) -> list[float]:
    """Values either way of a place, as far as the way goes."""
    ways = place + SPAN / EITHER_WAY * np.arange(-EITHER_WAY, EITHER_WAY + 1)
    return [travel.value(float(way)) for way in np.unique(np.clip(ways, *travel.ends))]
