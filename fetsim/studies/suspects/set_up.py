"""Builds of units that have been set up: what a trim makes up for, it makes up for exactly.

A trim may stand anywhere, but the reading it was set by is what it must be. So tolerances go in first, then the trims
are set as the alignment does it, with all its bends, and what is wrong comes on top: it has not been trimmed away. A
trim's own number is how far it stands from where it was set, so what a value does within its tolerance includes what
its trims follow with, and a FET whose V_P is 10 % off moves the sound by little instead of far beyond where a slope
holds. ``follows`` takes that out again where the value is what is wrong; it bends too, so slopes that are taken
elsewhere take it along from there (``at``).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from fetsim.engine.assembly import Array
from fetsim.errors import FetsimError
from fetsim.rig.rig import Rig
from fetsim.schematic.alignment import READINGS
from fetsim.schematic.unit import AlignmentStep, Unit
from fetsim.studies.suspects.values import Value, carried
from fetsim.studies.trims.aligned import aligned, for_step
from fetsim.studies.trims.readings import missed_at_rest
from fetsim.studies.trims.resting import Resting

SET_WITHIN = 0.015
"""How well a trim was set, standard deviation: volts of the gate or of a node, share of a needle; dB of a gain
tenfold."""
STAYS = 2e-5
"""Of a turn, or of what a trim has: it is not set finer (``trims.travel.SETTLED``)."""
LEAST_FOLLOWED = 1e-4
"""Turns a neper: what moves a trim by less does so anywhere."""
LEAST = 1e-9
"""Slopes of a reading that are none;"""
LOOSE = 1.0
"""and a trim that its reading tells no better than to so many turns or nepers (one standard deviation) was not set by
it."""

Build = Mapping[str, float | str]


@dataclass(frozen=True, kw_only=True, eq=False)
class SetUp:
    """A unit whose values scatter, and whose trims are set again for each build."""

    unit: Unit
    values: tuple[Value, ...]
    """Those of trims count from where they were set."""
    scatter: Array
    """S [shape=(values, values)]."""
    follows: Array
    """By how much each trim goes along with a value when it is set again, here [shape=(values, values)]."""
    trims: Mapping[str, int]
    """Step of the alignment -> number of its trim among the values."""

    @cached_property
    def _near(self) -> Rig:
        return Rig(self.unit)

    @cached_property
    def _found(self) -> dict[tuple[tuple[str, float], ...], dict[str, float]]:
        """Where trims have been set so far."""
        return {}

    @cached_property
    def _drawn(self) -> dict[str, float]:
        """Where the alignment sets the trims of the unit as drawn."""
        return self._set({})

    def build(
        self, place: Array, off: Mapping[int, float] | None = None, fault: Build | None = None,
        like: Array | None = None,
    ) -> Build:  # fmt: skip
        """Changes that move all values by ``place`` [shape=(values,)], set the trims, and then put in what is wrong:
        values by number that are ``off`` so far, or a ``fault``. ``like``: a place a step away, from whose trims these
        ones go on in proportion."""
        off, fault = off or {}, fault or {}
        trims = set(self.trims.values())

        def within(by: Array) -> dict[str, float]:
            return {
                one.name: one.moved(float(by[k])) for k, one in enumerate(self.values)
                if by[k] != 0.0 and k not in off and k not in trims and one.owner not in fault
            }  # fmt: skip

        tolerances = within(place)
        if like is not None:
            step = place - like
            own = np.zeros(len(place))
            own[list(trims)] = step[list(trims)]
            along, place = own + (step - own) @ self.follows, like
        else:
            along = np.zeros(len(place))
        wrong = {self.values[k].name: self.values[k].moved(way) for k, way in off.items() if k not in trims}
        goes_along = np.any(np.abs(place) @ np.abs(self.follows) > STAYS)
        set_to = self._set(carried(self.values, within(place))) if goes_along else self._drawn
        turned = {}
        for k in trims:
            one = self.values[k]
            if one.owner in fault or one.name not in set_to:
                continue
            # from where it was drawn: the alignment need not have set that one
            moved = set_to[one.name] - self._drawn[one.name]
            there = one if abs(moved) < STAYS else replace(one, present=one.present + moved)
            value = there.moved(float(place[k] + along[k]) + off.get(k, 0.0))
            if value != one.present:
                turned[one.name] = value
        return {**turned, **carried(self.values, {**tolerances, **wrong}), **fault}

    def moved(self, *, coarse: bool = False) -> list[Build]:
        """Each value by its step, or ``coarse`` one, alone; trims go along in proportion."""
        rows, drawn = np.diag([one.coarse if coarse else one.step for one in self.values]), np.zeros(len(self.values))
        return [self.build(row, like=drawn) for row in rows]

    def at(self, place: Array) -> "SetUp":
        """The same where all values stand so, as far as they had moved when the trims were set [shape=(values,)]."""
        build = self.build(place)
        unit = self.unit.changed(build)
        there = {k: replace(one, present=float(build.get(one.name, one.present))) for k, one in enumerate(self.values)}
        matter = np.flatnonzero(np.any(np.abs(self.follows) > LEAST_FOLLOWED, axis=1)).tolist()
        follows = np.zeros_like(self.follows)
        before: list[int] = []
        for name, trim in self.trims.items():
            few = {k: there[k] for k in (*matter, trim)}
            _, slopes = _slopes(unit, self.unit.alignment[name], few, len(self.values))
            if _told(self.unit.alignment[name], float(slopes[trim])) < LOOSE:
                _follow(follows, slopes, trim, before)
            before.append(trim)
        return replace(self, follows=follows)

    def _set(self, changes: Mapping[str, float]) -> dict[str, float]:
        """Trim -> where the alignment sets it."""
        if not self.trims:
            return {}
        key = tuple(changes.items())
        if key not in self._found:
            try:
                _, outcomes = aligned(self.unit.changed(changes), near=self._near, steps=list(self.trims))
                self._found[key] = {one.set: one.value for one in outcomes}
            except FetsimError:
                self._found[key] = dict(self._drawn) if changes else {}
        return self._found[key]

    def plain(self, k: int) -> Array:
        """A value that is wrong, its trims left where they were [shape=(values,)]: in columns that include them."""
        found = -self.follows[k]
        found[k] += 1.0
        return np.asarray(found)


def as_drawn(unit: Unit, values: tuple[Value, ...], scatter: Array) -> SetUp:
    """Of a unit whose trims nobody set."""
    return SetUp(unit=unit, values=values, scatter=scatter, follows=np.zeros_like(scatter), trims={})


def set_up(unit: Unit, values: tuple[Value, ...], scatter: Array) -> SetUp:
    """Of a unit whose trims were set by its alignment. Steps that need a tone leave theirs as they are."""
    every, found, follows = list(values), scatter.copy(), np.zeros_like(scatter)
    trims: dict[str, int] = {}
    for step in unit.alignment.values():
        place = next((k for k, one in enumerate(every) if one.name == step.set), None)
        if place is None or READINGS[step.read].tone or step.must_be is None:
            continue
        missed, slopes = _slopes(unit, step, dict(enumerate(every)), len(every))
        own = float(slopes[place])
        sigma = _told(step, own, missed)
        if sigma > LOOSE:
            continue
        every[place] = replace(every[place], sigma=sigma)
        found[place, :], found[:, place] = 0.0, 0.0
        found[place, place] = sigma**2
        _follow(follows, slopes, place, list(trims.values()))
        trims[step.name] = place
    return SetUp(unit=unit, values=tuple(every), scatter=found, follows=follows, trims=trims)


def _told(step: AlignmentStep, slope: float, missed: float = 0.0) -> float:
    """How well a trim is set by its reading that goes with it so (standard deviation)."""
    within = SET_WITHIN * (10.0 if step.read == "gain" else 1.0)
    return float(np.hypot(within, missed) / max(abs(slope), LEAST))


def _follow(follows: Array, slopes: Array, trim: int, before: Sequence[int]) -> None:
    """Fill in how a trim goes along with all values, by what those do to its reading; those set ``before`` it have gone
    along already."""
    direct = -slopes / slopes[trim]
    direct[trim] = 0.0
    follows[:, trim] = direct + follows[:, list(before)] @ direct[list(before)]


def _slopes(unit: Unit, step: AlignmentStep, values: Mapping[int, Value], count: int) -> tuple[float, Array]:
    """By how much a unit misses what a step reads, and how that goes with values that stand at their present ones, by
    number [shape=(count,)]; zero where it cannot be had."""
    unit = for_step(unit, step)
    near = Rig(unit)

    def missed(changed: Unit) -> float:
        rig = Rig(changed, near=near)
        return missed_at_rest(step, Resting(changed, rig.circuit, rig.system, rig.bias))

    before = missed(unit)
    found = np.zeros(count)
    for k, one in values.items():
        try:
            found[k] = (missed(unit.changed({one.name: one.moved(one.coarse)})) - before) / one.coarse
        except FetsimError:
            continue
    return before, found
