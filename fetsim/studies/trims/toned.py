"""A step that is read under a tone, for the thousands: a handful of steady states, each looked for from the last one.

What ``study`` looks at from all sides is found here along straight lines.
"""

from fetsim.rig.rig import Rig
from fetsim.schematic.alignment import READINGS
from fetsim.schematic.unit import AlignmentStep, Unit
from fetsim.studies.trims.null import first_values, is_inside, null
from fetsim.studies.trims.search import find
from fetsim.studies.trims.tones import Tones, ToneStart
from fetsim.studies.trims.travel import TURN_STEP, Travel

CLOSE = 0.002
"""On the way, for a reading that must have a value: a fifth of what a trim is moved by to see what it does."""
NOT_GOOD_ENOUGH, OUT_OF_REACH = "is not as good as is accepted", "is out of reach"


def set_under_tone(
    unit: Unit, step: AlignmentStep, quality: str, near: Rig | None = None, start: ToneStart | None = None
) -> tuple[float, str]:
    """What a step comes to: position or value, and why it is not as it must be, in a clause, empty where it is.

    ``start``: the tone in a unit of the same topology, whose bias point is in ``near``. Raises InputError or
    ConvergenceError.
    """
    tones = Tones(unit, step, quality, near=near, start=start)
    travel = Travel.of(unit, step.set, step.series)
    return _least(tones, travel, step) if READINGS[step.read].least else _met(tones, travel, step)


def _least(tones: Tones, travel: Travel, step: AlignmentStep) -> tuple[float, str]:
    known = {value: tones.second(value) for value in first_values(travel)}
    place = null(tones.second, travel, known)
    value = min(known, key=lambda one: abs(known[one]))
    if step.accepted is not None:
        return value, "" if abs(known[value]) <= step.accepted else NOT_GOOD_ENOUGH
    return value, "" if is_inside(place, travel) else OUT_OF_REACH


def _met(tones: Tones, travel: Travel, step: AlignmentStep) -> tuple[float, str]:
    assert step.must_be is not None
    goal, known = step.must_be, dict[float, float]()

    def missed(way: float) -> float:
        value = travel.value(way)
        if value not in known:
            known[value] = tones.figure(value) - goal
        return known[value]

    found = find(missed, travel.start, travel.ends, TURN_STEP, CLOSE)
    value = min(travel.preferred(travel.value(found.way)), key=lambda one: abs(missed(travel.way(one))))
    near_enough = step.accepted is None or abs(missed(travel.way(value))) <= step.accepted
    return value, "" if found.reached and near_enough else NOT_GOOD_ENOUGH if found.reached else OUT_OF_REACH
