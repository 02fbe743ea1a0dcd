"""What to do where a trim is out of reach: the resistors beside its track, one at a time, and which value brings it in.

The trim is put to the end where least is missing, and the resistor is looked for with which nothing is missing there;
the next preferred value beyond leaves some way to either side. The trim is then set again, as a proof.
"""

from collections.abc import Iterator

from fetsim.engine.circuit import GROUND
from fetsim.errors import FetsimError
from fetsim.schematic.alignment import READINGS
from fetsim.schematic.unit import AlignmentStep, Part, Unit
from fetsim.studies.trims.meters import RestMeter, ToneMeter
from fetsim.studies.trims.null import first_values, is_inside, null
from fetsim.studies.trims.record import Remedy
from fetsim.studies.trims.search import find
from fetsim.studies.trims.tones import Tones
from fetsim.studies.trims.travel import SETTLED, TURN_STEP, Travel, preferred_beyond

SERIES = "E24"


def remedies_for(
    unit: Unit, step: AlignmentStep, travel: Travel, end: float, quality: str
) -> tuple[Remedy, ...]:
    """Those that there are for a trim that stands at this ``end`` of its way, the least change first."""
    found = []
    for part in beside(unit, step.set):
        try:
            remedy = _remedy(unit, step, travel, end, part, quality)
        except FetsimError:  # a value far off may leave the unit without rest: then it is no remedy
            continue
        if remedy is not None:
            found.append(remedy)
    return tuple(sorted(found, key=lambda one: max(one.ohm / one.present_ohm, one.present_ohm / one.ohm)))


def beside(unit: Unit, name: str) -> Iterator[Part]:
    """The resistors that share an end with a track of this control."""
    tracks = [part for part in unit.parts.values() if name in unit.controls and part.control == name]
    ends = {node for track in tracks for terminal, node in track.nodes.items() if terminal != "wiper"} - {GROUND}
    for part in unit.parts.values():
        if part.kind == "resistor" and ends.intersection(part.nodes.values()):
            yield part


def _remedy(
    unit: Unit, step: AlignmentStep, travel: Travel, end: float, part: Part, quality: str
) -> Remedy | None:
    find_place = _least if READINGS[step.read].least else _met
    at_end = unit.changed({step.set: travel.value(end)})
    fixed = Travel.of(unit, part.designator, SERIES)
    needed = find_place(at_end, step, fixed, fixed.start, quality)
    if needed is None:
        return None
    ohm = fixed.value(needed[0])
    preferred = preferred_beyond(ohm, fixed.present, SERIES)
    again = find_place(unit.changed({part.designator: preferred}), step, travel, end, quality)
    if again is None:
        return None
    return Remedy(
        part=part.designator, present_ohm=fixed.present, needed_ohm=ohm, ohm=preferred, value=travel.value(again[0]),
        figure=again[1],
    )  # fmt: skip


def _met(
    unit: Unit, step: AlignmentStep, travel: Travel, start: float, quality: str
) -> tuple[float, float] | None:
    """Place on a way where the step's reading is what it must be, and the reading; None where that is out of reach."""
    read = ToneMeter(unit, step, quality, travel.name) if READINGS[step.read].tone else (
        RestMeter(unit, step, travel.name)
    )
    found = find(lambda way: read.missed(travel.value(way)), start, travel.ends, TURN_STEP, SETTLED)
    return (found.way, read.figures([travel.value(found.way)])[0]) if found.reached else None


def _least(
    unit: Unit, step: AlignmentStep, travel: Travel, start: float, quality: str
) -> tuple[float, float] | None:
    """The same of a harmonic that must be least."""
    tones = Tones(unit, step, quality, sets=travel.name)
    known = {value: tones.second(value) for value in first_values(travel)}
    place = null(tones.second, travel, known)
    figure = abs(tones.second(travel.value(place)))
    fits = is_inside(place, travel) and (step.accepted is None or figure <= step.accepted)
    return (place, figure) if fits else None
