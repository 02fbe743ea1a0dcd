"""A FET in its place, with the unit's trims set for it: by the bench's own steps, a resistor changed where one must be.

Steps that are read at rest are taken as ``trims.aligned`` does; a part that is selected on test for a least harmonic is
tried from the value next to the present one outwards, all of its series, until the least lies between two others.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial

from fetsim.errors import FetsimError
from fetsim.measurements.bench.bench import Bench
from fetsim.measurements.distortion.procedure import DistortionPoint, sine_distortion
from fetsim.rig.runner import run_all
from fetsim.schematic.alignment import READINGS
from fetsim.schematic.eseries import neighbours
from fetsim.schematic.unit import AlignmentStep, Unit
from fetsim.studies.trims.aligned import aligned, at_channel, at_its_channel
from fetsim.studies.trims.remedies import remedies_for
from fetsim.studies.trims.study import set_trims
from fetsim.studies.trims.travel import Travel

SERIES = "E24"
TRIED = 2  # preferred values either way at first, and then at a time
MOST_TRIED = 48


@dataclass(frozen=True, kw_only=True)
class Fitted:
    """A unit with one FET in it; where it could not be made, only why."""

    unit: Unit | None
    put_in: tuple[str, ...]
    """Names of the changes that put the FET in."""
    set: Mapping[str, float]
    """What was set -> position or value."""
    changed: Mapping[str, float]
    """Resistor -> ohms that it had to become, so that a trim is in reach."""
    told: tuple[str, ...]
    """What could not be done, in clauses."""


def fitted(changes: Mapping[str, str | float], unit: Unit, level_dbu: float, quality: str) -> Fitted:
    """The ``unit`` with a FET put in by ``changes`` and its trims set; harmonics are read at ``level_dbu``, the same
    for all FETs. What fails is told, not raised."""
    nothing: Mapping[str, float] = {}
    try:
        unit = unit.changed(changes) if changes else unit
    except FetsimError as error:
        return Fitted(unit=None, put_in=(), set=nothing, changed=nothing, told=(str(error),))
    own = unit.channel
    found: dict[str, float] = {}
    changed: dict[str, float] = {}
    told: list[str] = []
    for step in unit.alignment.values():
        try:
            unit, why = _taken(unit, step, level_dbu, quality, changed)
        except FetsimError as error:
            why = str(error)
        told += [f"{step.name} {why}"] if why else []
        travel = Travel.of(unit, step.set)
        found[step.set] = travel.present
    unit = at_channel(unit, own)
    return Fitted(unit=unit, put_in=tuple(changes), set=found, changed=changed, told=tuple(told))


def _taken(
    unit: Unit, step: AlignmentStep, level_dbu: float, quality: str, changed: dict[str, float]
) -> tuple[Unit, str]:
    """One step; a resistor that had to be changed for it is put down in ``changed``."""
    unit = at_its_channel(unit, step)
    if not READINGS[step.read].tone:
        other, (outcome,) = aligned(unit, steps=[step.name])
        if outcome.reached:
            return other, ""
        travel = Travel.of(unit, step.set, step.series)
        remedies = remedies_for(unit, step, travel, travel.way(outcome.value), quality)
        if not remedies:
            return other, outcome.why
        changed[remedies[0].part] = remedies[0].ohm
        return aligned(unit.changed({remedies[0].part: remedies[0].ohm}), steps=[step.name])[0], ""
    if READINGS[step.read].least and step.set not in unit.controls:
        level = level_dbu if step.level_dbu is None else step.level_dbu
        return unit.changed({step.set: _selected(unit, replace(step, level_dbu=level), quality)}), ""
    return set_trims(unit, steps=[step.name], quality=quality)[0], ""


def _selected(unit: Unit, step: AlignmentStep, quality: str) -> float:
    """The preferred value with the least second harmonic."""
    bench, series = Bench(unit, quality), step.series or SERIES
    present = Travel.of(unit, step.set).present
    read: dict[float, float] = {}
    below, above = neighbours(present, series)
    values = [present, below, above]
    while values and len(read) < MOST_TRIED:
        wanted = {value: partial(_tone, bench, unit.changed({step.set: value}), step) for value in values}
        read |= {value: float(one.harmonic[0]) for value, one in run_all(wanted, lambda job, _: job()).items()}
        least, tried = min(read, key=read.__getitem__), sorted(read)
        values = [] if least not in (tried[0], tried[-1]) else _outwards(least, least == tried[0], series)
    return least


def _outwards(value: float, down: bool, series: str) -> list[float]:
    found = []
    for _ in range(TRIED):
        value = neighbours(value, series)[0 if down else 1]
        found.append(value)
    return found


def _tone(bench: Bench, unit: Unit, step: AlignmentStep) -> DistortionPoint:
    assert step.level_dbu is not None
    return sine_distortion(bench.of_version(unit).run(), step.level_dbu, step.frequency_hz)


