"""From a device sheet to the values of an element, at a temperature.

Sheets hold at their reference temperature. Of passive parts only resistors change with temperature, where a coefficient
is given. Figures are those of a sheet under the sheet's own keys, in SI units.

Saturation current of a junction: I_S (T/T0)^(3/n) exp(E_g/(n k) (1/T0 - 1/T)); Sze, Physics of Semiconductor Devices
(from memory). Gives V_BE about -1.8 mV/K in a silicon transistor at 1 mA.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from math import exp
from typing import NamedTuple

from fetsim.devices.law import Values

BOLTZMANN_J_K = 1.380649e-23  # exact, SI 2019
ELEMENTARY_CHARGE_C = 1.602176634e-19  # exact, SI 2019
ZERO_CELSIUS_K = 273.15
SATURATION_EXPONENT = 3.0

Figures = Mapping[str, float]


@dataclass(frozen=True)
class Warmth:
    """A step from the temperature of a sheet to that of a unit."""

    reference_c: float
    temperature_c: float

    @property
    def ratio(self) -> float:
        """Absolute temperature over that of the sheet."""
        return (self.temperature_c + ZERO_CELSIUS_K) / (self.reference_c + ZERO_CELSIUS_K)

    @property
    def rise_k(self) -> float:
        return self.temperature_c - self.reference_c

    def saturation(self, figures: Figures, current: str, ideality: float = 1.0) -> float:
        """The saturation current that stands under the key ``current``."""
        before, after = (1.0 / thermal_voltage(celsius) for celsius in (self.reference_c, self.temperature_c))
        gap = figures["band_gap"] * (before - after)
        return figures[current] * (self.ratio ** (SATURATION_EXPONENT / ideality) * exp(gap / ideality))


class Beside(NamedTuple):
    """A further element of a part, of a kind of its own."""

    name: str
    """Behind the part's designator."""
    kind: str
    terminals: tuple[str, ...]
    """Those of the part that it hangs on, in the order of its own."""
    values: Values


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """What a kind of part makes of its device sheet."""

    values: Callable[[Figures, float], Values]
    """(figures at the unit's temperature, k T / q in volts) -> values of the element."""
    beside: Callable[[Figures, str], tuple[Beside, ...]] = field(default=lambda figures, polarity: ())
    """(figures at the unit's temperature, polarity) -> what there is besides the element of the part's own kind."""
    warmed: Callable[[Figures, Warmth], Figures]
    """Those figures that change with temperature."""
    completed: Callable[[Figures, float], Figures] = field(default=lambda figures, kt_q_v: figures)
    """(figures without mistakes, k T / q where they hold) -> those with all that others of them stand for."""
    follows: Callable[[Figures, float], Figures] = field(default=lambda figures, kt_q_v: {})
    """Lines of a datasheet that are no figures of ours but follow from the law (arguments as of ``completed``),"""
    allowance: Mapping[str, float] = field(default_factory=dict)
    """and the share by which the law may miss them."""

    mistakes: Callable[[Figures, str, float], list[tuple[str, str]]] = field(
        default=lambda figures, polarity, kt_q_v: []
    )
    """What is wrong between the figures of a type of that polarity, as (key, sentence)."""

    def figures_at(self, figures: Figures, warmth: Warmth) -> Figures:
        """All figures at a temperature, under the same keys."""
        return figures if warmth.rise_k == 0.0 else {**figures, **self.warmed(figures, warmth)}


def thermal_voltage(temperature_c: float) -> float:
    """kT/q in volts."""
    return BOLTZMANN_J_K * (temperature_c + ZERO_CELSIUS_K) / ELEMENTARY_CHARGE_C
