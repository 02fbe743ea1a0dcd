"""What may change: parts over their values, controls over their turn, each with the values that can be had.

A part is moved by the logarithm of its value over the present one, a decade either way unless ends are given
(``R4=470k..2M2``), and comes in preferred values of IEC 60063; a control is moved by its position. So are the numbers
of devices and supplies, which have no series.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from math import copysign, isfinite

from fetsim.errors import InputError
from fetsim.schematic.eseries import EQUAL, SERIES, neighbours
from fetsim.schematic.fields import suggestion
from fetsim.schematic.movable import movable
from fetsim.schematic.schema import MAIN_KEYS
from fetsim.schematic.settings import Setting, number_named, sheet_figure
from fetsim.schematic.unit import Unit
from fetsim.schematic.values import parse_value
from fetsim.studies.spread.limits import DOTS
from fetsim.studies.trims.travel import Travel

USUAL: Mapping[str, str] = {"resistor": "E24", "capacitor": "E12", "inductor": "E12"}
"""Series of kinds of parts where nothing is said (common practice)."""
ANY = "any"
"""In the place of a series: every value."""
DIGITS = 4
"""Of all values, in figures: a preferred one has three at the most."""
MOST_PARTS = 12
STEP = 0.02
"""By which values (as a share) and positions are moved to see what they do."""


@dataclass(frozen=True, kw_only=True)
class Way:
    """One thing that may change."""

    travel: Travel
    low: float
    """Ends of its way,"""
    high: float
    series: str | None
    """None for what can have any value."""

    @property
    def name(self) -> str:
        """As a change takes it."""
        return self.travel.name

    def value(self, way: float) -> float:
        """Value or position there, as it is written; where nothing is changed the present one itself."""
        return self.travel.present if way == self.travel.start else float(f"{self.travel.value(way):.{DIGITS}g}")

    @cached_property
    def choices(self) -> tuple[float, ...]:
        """Ways to all preferred values within the ends, and to the present value, which is there already."""
        assert self.series is not None
        first, last = sorted(abs(self.travel.value(end)) for end in (self.low, self.high))
        found, one = [], first * (1.0 - 2.0 * EQUAL)
        while (one := neighbours(one, self.series)[1]) <= last * (1.0 + EQUAL):
            found.append(self.travel.way(copysign(one, self.travel.present)))
        return tuple(sorted({*(way for way in found if abs(way) > EQUAL), 0.0}))

    def nearest(self, way: float, count: int) -> list[float]:
        """So many of them at the most."""
        return sorted(self.choices, key=lambda one: abs(one - way))[:count]


def ways_of(may: Iterable[str], series: Iterable[str], unit: Unit) -> tuple[Way, ...]:
    """What may change, as ``R4``, ``C2=100n..1u``, ``release`` (a control); ``series`` as ``E12`` for all parts that
    come in one, ``C2=E6``, ``R4=any``. Raises InputError."""
    if isinstance(may, str) or isinstance(series, str):
        raise InputError("may, series: give lists of texts, not one text")
    ends = {}
    for text in may:
        name, sign, limits = (piece.strip() for piece in str(text).partition("="))
        name = _thing(name, unit)
        if name in ends:
            raise InputError(f"may: {name} is named twice")
        ends[name] = limits if sign else None
    if not 1 <= len(ends) <= MOST_PARTS:
        raise InputError(f"may: {len(ends)} parts may change; name 1 to {MOST_PARTS}, as 'C16, R31'")
    of = _series(series, ends, unit)
    return tuple(_way(name, limits, of.get(name), unit) for name, limits in ends.items())


def _thing(name: str, unit: Unit) -> str:
    """The name of what is moved: of a part that a control turns the control. Raises InputError."""
    part = unit.parts.get(_own(unit, name))
    if part is not None and part.control:
        return part.control if name in unit.parts else part.control.removeprefix(f"{unit.channel}_")
    owner, _, key = name.partition(".")
    own = _own(unit, owner)
    if own not in unit.parts and own not in unit.controls:
        raise InputError(
            f"may: there is no part or control {name[:40]!r}{suggestion(owner, [*unit.parts, *unit.controls])}"
        )
    found = _number(unit, name)
    if found is None:
        one = next((each for each in movable(unit) if each.startswith(f"{owner}.")), None)
        of = f"; name one of its figures, as {one}" if one is not None else ""
        raise InputError(f"may: {name[:40]} may not change: it has no value that is a number{of}")
    assert not isinstance(found.value, str)
    if own in unit.parts and not (isfinite(found.value) and found.value != 0.0):
        raise InputError(f"may: {name[:40]} is {found.shown()}; what is changed in proportion must have a value")
    return owner if own in unit.parts and key == MAIN_KEYS.get(unit.parts[own].kind) else name


def _own(unit: Unit, name: str) -> str:
    """Of a pair the one in the channel listened to, where the name is without a channel: a change is for both."""
    owner, dot, key = name.partition(".")
    return name if owner in unit.parts or owner in unit.controls else f"{unit.own_name(owner)}{dot}{key}"


def _number(unit: Unit, name: str) -> Setting | None:
    """Of a control, a part or a part's device; None where there is none."""
    own = _own(unit, name)
    return number_named(unit, own) or sheet_figure(unit, own)


def _series(texts: Iterable[str], names: Mapping[str, str | None], unit: Unit) -> dict[str, str | None]:
    kinds = {name: unit.parts[own].kind for name in names if (own := _own(unit, name)) in unit.parts}
    found: dict[str, str | None] = {name: USUAL.get(kind) for name, kind in kinds.items()}
    single: dict[str, str] = {}
    for text in texts:
        name, sign, wanted = (piece.strip() for piece in str(text).rpartition("="))
        if wanted not in SERIES and wanted != ANY:
            raise InputError(f"series: there is no {wanted[:20]!r}; choose from {', '.join(SERIES)} and {ANY}")
        if not sign:
            found = {one: wanted if one_had is not None else None for one, one_had in found.items()}
        elif name not in kinds:
            raise InputError(f"series: {name[:40]} is no part that may change; name it with --may")
        else:
            single[name] = wanted
    return {name: None if one == ANY else one for name, one in {**found, **single}.items()}


def _way(name: str, limits: str | None, series: str | None, unit: Unit) -> Way:
    present = _number(unit, name)
    assert present is not None and not isinstance(present.value, str)
    travel = Travel(
        name=name, present=present.value, quantity=present.quantity or "plain",
        turn=_own(unit, name) in unit.controls,
    )
    low, high = travel.ends
    if limits is not None:
        first, dots, last = (piece.strip() for piece in limits.partition(DOTS))
        if not (dots and first and last):
            raise InputError(f"may: {name}={limits[:40]} is not NAME=LOW..HIGH, such as R4=470k..2M2")
        try:
            values = [parse_value(one, travel.quantity) for one in (first, last)]
        except InputError as error:
            raise InputError(f"may: {name}: {error}") from None
        if travel.turn and not all(0.0 <= one <= 1.0 for one in values):
            raise InputError(f"may: {name}={limits[:40]}: a control turns from 0 to 1")
        if not travel.turn and not all(one / travel.present > 0.0 for one in values):
            raise InputError(f"may: {name}={limits[:40]}: both ends must have the sign of the present value")
        if values[0] > values[1]:
            raise InputError(f"may: {name}={limits[:40]} runs backwards; write the lower end first")
        low, high = sorted(travel.way(one) for one in values)
    if not low < high or not low <= travel.start <= high:
        raise InputError(f"may: {name}={limits}: the present value must lie within the ends, and these apart")
    return Way(travel=travel, low=low, high=high, series=series)
