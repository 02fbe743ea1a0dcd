"""What to do where a trim is out of reach: the resistors beside its track, one at a time, and which value brings it in.

The trim is put to the end where least is missing, and the resistor is looked for with which nothing is missing there;
the next preferred value beyond leaves some way to either side. The trim is then set again, as a proof.
"""

from collections.abc import Iterator

from fetsim.engine.circuit import GROUND
from fetsim.errors import FetsimError
from fetsim.schematic.alignment import READINGS
from fetsim.schematic.unit import AlignmentStep, Part, Unit
from fetsim.studies.trims.meters import Meter, RestMeter, ToneMeter
from fetsim.studies.trims.record import Remedy
from fetsim.studies.trims.search import find
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
    at_end = unit.changed({step.set: travel.value(end)})
    fixed = Travel.of(unit, part.designator, SERIES)
    meter = _meter(at_end, step, quality, sets=part.designator)
    needed = find(lambda way: meter.missed(fixed.value(way)), 0.0, fixed.ends, TURN_STEP, SETTLED)
    if not needed.reached:
        return None
    ohm = fixed.value(needed.way)
    preferred = preferred_beyond(ohm, fixed.present, SERIES)
    changed = _meter(unit.changed({part.designator: preferred}), step, quality)
    again = find(lambda way: changed.missed(travel.value(way)), end, travel.ends, TURN_STEP, SETTLED)
    if not again.reached:
        return None
    value = travel.value(again.way)
    return Remedy(
        part=part.designator, present_ohm=fixed.present, needed_ohm=ohm, ohm=preferred, value=value,
        figure=changed.figures([value])[0],
    )  # fmt: skip


def _meter(unit: Unit, step: AlignmentStep, quality: str, sets: str | None = None) -> Meter:
    """The step's reading in a unit, with what it sets or another part moved."""
    return ToneMeter(unit, step, quality, sets) if READINGS[step.read].tone else RestMeter(unit, step, sets)
