"""A FET in its place, with the unit's trims set for it: by the bench's own steps, a resistor changed where one must be.

Steps are taken as ``trims.aligned`` does; a part that is selected on test comes in E24 where its step names no series.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from fetsim.errors import FetsimError
from fetsim.schematic.alignment import READINGS
from fetsim.schematic.unit import AlignmentStep, Unit
from fetsim.studies.trims.aligned import aligned, for_step
from fetsim.studies.trims.remedies import remedies_for
from fetsim.studies.trims.toned import set_under_tone
from fetsim.studies.trims.travel import Travel

SERIES = "E24"


@dataclass(frozen=True, kw_only=True)
class Fitted:
    """How one FET is put into a unit, as plain data; where it cannot be, only why."""

    put_in: Mapping[str, str | float] | None
    """Changes that put the FET in; None where the unit does not take it."""
    set: Mapping[str, float]
    """What was set -> position or value."""
    changed: Mapping[str, float]
    """Resistor -> ohms that it had to become, so that a trim is in reach."""
    told: tuple[str, ...]
    """What could not be done, in clauses."""

    @property
    def changes(self) -> dict[str, str | float]:
        """All of them, in the order in which they were made."""
        return {**(self.put_in or {}), **self.changed, **self.set}

    def unit(self, before: Unit) -> Unit | None:
        """The unit with the FET in it; None where it does not take it."""
        return None if self.put_in is None else before.changed(self.changes) if self.changes else before

    @classmethod
    def of_plain(cls, kept: Mapping[str, Any]) -> "Fitted":
        """Out of its fields as JSON has them."""
        return cls(**{**kept, "told": tuple(kept["told"])})


def fitted(changes: Mapping[str, str | float], unit: Unit, level_dbu: float, quality: str) -> Fitted:
    """A FET put into the ``unit`` by ``changes``, and its trims set; harmonics are read at ``level_dbu``, the same
    for all FETs. What fails is told, not raised."""
    try:
        unit = unit.changed(changes) if changes else unit
    except FetsimError as error:
        return Fitted(put_in=None, set={}, changed={}, told=(str(error),))
    found: dict[str, float] = {}
    changed: dict[str, float] = {}
    told: list[str] = []
    for step in unit.alignment.values():
        try:
            unit, why = _taken(unit, step, level_dbu, quality, changed)
        except FetsimError as error:
            why = str(error)
        told += [f"{step.name} {why}"] if why else []
        found[step.set] = Travel.of(unit, step.set).present
    return Fitted(put_in=dict(changes), set=found, changed=changed, told=tuple(told))


def _taken(
    unit: Unit, step: AlignmentStep, level_dbu: float, quality: str, changed: dict[str, float]
) -> tuple[Unit, str]:
    """One step; a resistor that had to be changed for it is put down in ``changed``."""
    at = for_step(unit, step)
    if not READINGS[step.read].tone:
        other, (outcome,) = aligned(unit, steps=[step.name])
        if outcome.reached:
            return other, ""
        travel = Travel.of(unit, step.set, step.series)
        remedies = remedies_for(at, step, travel, travel.way(outcome.value), quality)
        if not remedies:
            return other, outcome.why
        changed[remedies[0].part] = remedies[0].ohm
        return aligned(unit.changed({remedies[0].part: remedies[0].ohm}), steps=[step.name])[0], ""
    if step.level_dbu is None and READINGS[step.read].least:
        step = replace(step, level_dbu=level_dbu, accepted=None)  # what is accepted holds at the step's own level
    if step.set not in unit.controls:
        step = replace(step, series=step.series or SERIES)
    value, why = set_under_tone(at, step, quality)
    return unit.changed({step.set: value}), why
