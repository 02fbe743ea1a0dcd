"""Every noise source of a circuit at a state: which rows of its equations it drives, and how strongly.

What is noisy in a part, by which law and what is left out stands with its kind in ``devices``. Resistors, tracks,
contacts, windings and inner resistances of sources all count, the load too, and so does the source resistance of the
input.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from scipy.constants import zero_Celsius

from fetsim.devices.kinds import KINDS
from fetsim.engine.assembly import NO_UNKNOWN, Array
from fetsim.engine.circuit import GROUND, Circuit, Element


@dataclass(frozen=True)
class NoiseSource:
    """A source: it leaves row ``start`` and enters row ``end`` (-1 is ground)."""

    element: str
    cause: str
    """``thermal``, ``channel`` or ``shot``."""
    start: int
    end: int
    density: float
    """Mean square per Hz: A^2/Hz in rows of nodes, V^2/Hz in the row of a winding's current."""
    pink: bool = False
    """Whether it falls as 1/f, ``density`` being that at 1 Hz, instead of being white."""

    @property
    def designator(self) -> str:
        """The part that the element belongs to."""
        return self.element.partition(".")[0]


def noise_sources(circuit: Circuit, state: Array, index: Mapping[str, int], temperature_k: float) -> list[NoiseSource]:
    """All sources at a state [shape=(n,), unknowns numbered by ``index``]; those of no strength are left out."""
    found = sources_of(circuit.elements, state, index, temperature_k)
    return [source for source in found if source.density > 0.0]


def sources_of(
    elements: Iterable[Element], state: Array, index: Mapping[str, int], temperature_k: float
) -> list[NoiseSource]:
    """Those of some elements of a circuit, those of no strength too."""
    levels = {GROUND: 0.0, **{name: float(state[row]) for name, row in index.items()}}
    found = []
    for element in elements:
        rows = {terminal: index.get(name, NO_UNKNOWN) for terminal, name in element.unknowns.items()}
        own_k = own_kelvin(element, temperature_k)
        for source in KINDS[element.kind].noise_at(element.values, element.at(levels), own_k):
            end = NO_UNKNOWN if source.end is None else rows[source.end]
            density = float(source.density)
            found.append(NoiseSource(element.name, source.cause, rows[source.start], end, density, source.pink))
    return found


def own_kelvin(element: Element, temperature_k: float) -> float:
    """Absolute temperature of a part in a unit of this one."""
    return temperature_k if element.temperature_c is None else kelvin(element.temperature_c)


def kelvin(temperature_c: float) -> float:
    """Absolute temperature."""
    return float(temperature_c + zero_Celsius)
