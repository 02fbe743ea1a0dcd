"""How far something can be set: a control over its turn, a part over a decade of values either way."""

from dataclasses import dataclass
from math import exp, log

from fetsim.schematic.eseries import neighbours
from fetsim.schematic.settings import number_named
from fetsim.schematic.unit import Unit
from fetsim.schematic.wiring import part_elements

TURN_STEP = 0.01  # of the whole turn, and of a value in proportion: by this much a trim is moved to see what it does
DECADE = log(10.0)
SETTLED = 1e-5  # on the way: a thousandth of what a hand can set


@dataclass(frozen=True, kw_only=True)
class Travel:
    """The way that something can go: of a control its turn, of a part the logarithm of its value over the present
    one."""

    name: str
    present: float
    quantity: str
    turn: bool
    series: str | None = None

    @classmethod
    def of(cls, unit: Unit, name: str, series: str | None = None) -> "Travel":
        """Of a control, or of a part or a figure of it (the unit's checks have found that it is there)."""
        found = number_named(unit, name)
        assert found is not None and not isinstance(found.value, str)
        return cls(
            name=name, present=found.value, quantity=found.quantity or "plain", turn=name in unit.controls,
            series=series,
        )  # fmt: skip

    @property
    def start(self) -> float:
        """Where it stands on its way,"""
        return self.present if self.turn else 0.0

    @property
    def ends(self) -> tuple[float, float]:
        """and how far that goes."""
        return (0.0, 1.0) if self.turn else (-DECADE, DECADE)

    def value(self, way: float) -> float:
        """Position of the control, or value of the part."""
        return way if self.turn else self.present * exp(way)

    def way(self, value: float) -> float:
        return value if self.turn else log(value / self.present)

    def preferred(self, value: float) -> tuple[float, ...]:
        """What can be had nearest to the value: it, or the preferred values below and above it."""
        if self.series is None:
            return (value,)
        return tuple(one for one in self.around(value) if 0.5 < abs(one / value) < 2.0) or (value,)

    def around(self, value: float) -> tuple[float, float]:
        """A step down and up: of the turn, of the series or of the value."""
        if self.turn:
            return max(value - TURN_STEP, 0.0), min(value + TURN_STEP, 1.0)
        if self.series is None:
            return value * (1.0 - TURN_STEP), value * (1.0 + TURN_STEP)
        return neighbours(value, self.series)

    @property
    def step_words(self) -> str:
        """What one step is."""
        return "1 % of the turn" if self.turn else f"a step of {self.series}" if self.series else "1 % of its value"


def resistances_ohm(unit: Unit, name: str) -> dict[str, float]:
    """Leg -> ohms of all tracks that a control turns; of a part nothing, since its value says it."""
    return {
        element.name.replace(".", " "): element.values["resistance_ohm"]
        for part in unit.parts.values()
        if name in unit.controls and part.control == name
        for element in part_elements(unit, part)
        if "resistance_ohm" in element.values
    }


def preferred_beyond(ohm: float, present_ohm: float, series: str = "E24") -> float:
    """The next preferred value that goes further from the present one than ``ohm`` does."""
    below, above = neighbours(ohm, series)
    return above if ohm > present_ohm else below
