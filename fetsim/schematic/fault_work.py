"""A part's elements while its faults are put in: values changed, and further elements at its places (``faulty``)."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from math import exp, inf, log

from fetsim.engine.circuit import Element, element
from fetsim.schematic.model import Part

NO_LEAK_OHM, SHORT_OHM, OPEN_OHM = 1e12, 10e-3, 1e12
LEAD_OHM, GATE_OHM = 50e-3, 1e3
"""A good lead; that of a gate, at 100 Mohm and more, would lose its volts in rounding with so little before it."""
NO_FARAD = 1e-18
DEAD = {"i_sat_a": 1e-13, "slope_v": 1e3}
"""A junction that conducts 1e-16 S at any voltage of a unit."""
DEAD_SHARE = 1e-9
"""What is left of a channel or of an output that is dead."""
STUCK_V = 200.0
LOSS_TANGENT, LOSS_HZ = 0.15, 120.0
REVERSED_V, REVERSED_A, REVERSED_SLOPE_V = 1.5, 1e-3, 0.5 / log(10.0)
REVERSED = {
    "i_sat_a": REVERSED_A * exp(-REVERSED_V / REVERSED_SLOPE_V), "slope_v": REVERSED_SLOPE_V, "capacitance_f": NO_FARAD,
}  # fmt: skip
NOISE_HZ = 1e3
"""At which the amount of a noisy part counts."""
TERMINALS = {"b": "base", "c": "collector", "e": "emitter", "g": "gate", "d": "drain", "s": "source"}


class Work:
    """A part's elements while its faults are put in."""

    def __init__(self, part: Part, build: Callable[[Part], list[Element]]) -> None:
        self.part, self.build = part, build
        self.made = build(part)
        self.places: dict[str, Mapping[str, float]] = {}
        """Place -> values of the element there."""

    @property
    def values(self) -> Mapping[str, float]:
        return self.made[0].values

    def put(self, **values: float) -> None:
        """Other values of the element that the part is."""
        self.made[0] = replace(self.made[0], values={**self.values, **values})

    def scale(self, key: str, factor: float) -> None:
        """So many times a value, in every element that has it."""
        self.made = [
            replace(one, values={**one.values, key: one.values[key] * factor}) if key in one.values else one
            for one in self.made
        ]

    def add_ohm(self, ohm: float) -> None:
        """More resistance in all elements that are one."""
        self.made = [
            replace(one, values={**one.values, "resistance_ohm": one.values["resistance_ohm"] + ohm})
            if "resistance_ohm" in one.values else one
            for one in self.made
        ]  # fmt: skip

    def across(self, a: str, b: str, ohm: float) -> None:
        place = f"across_{a}_{b}"
        before = self.places.get(place, {"resistance_ohm": inf})["resistance_ohm"]
        self.places[place] = {"resistance_ohm": 1.0 / (1.0 / ohm + 1.0 / before)}

    def in_lead(self, terminal: str, ohm: float) -> None:
        place = f"lead_{terminal}"
        before = self.places.get(place, {"resistance_ohm": 0.0})["resistance_ohm"]
        self.places[place] = {"resistance_ohm": ohm + before}

    def diode(self, a: str, b: str, **values: float) -> None:
        self.places[f"diode_{a}_{b}"] = {"capacitance_f": NO_FARAD, **values}

    def silence(self) -> None:
        """The junctions that the part is, and those that are left of it, carry nothing."""
        self.put(**_dead(self.values))
        for place, values in self.places.items():
            if place.startswith(("diode", "turned")):
                self.places[place] = _dead(values)

    def elements(self, ready: Iterable[str]) -> list[Element]:
        """All of them, with those that are ready for faults. A lead with a resistance moves what hangs on that terminal
        of the part, and nothing else that its node may be wired to."""
        for place in ready:
            self.places.setdefault(place, _harmless(place, self))
        moved = {one.partition("_")[2] for one in self.places if one.startswith("lead_")}
        nodes = {one: self._inside(one) if one in moved else node for one, node in self.part.nodes.items()}
        behind = self.build(replace(self.part, nodes=nodes))
        found = [replace(one, nodes=there.nodes) for one, there in zip(self.made, behind, strict=True)]
        return [*found, *(self._extra(place, nodes, found[0]) for place in sorted(self.places))]

    def _extra(self, place: str, nodes: Mapping[str, str], main: Element) -> Element:
        kind, *terminals = place.split("_")
        name, values = f"{self.part.designator}.{place}", self.places[place]
        if kind == "turned":
            return replace(main, name=name, nodes=main.nodes[::-1], values=values)
        if kind == "lead":
            ends = [self.part.nodes[terminals[0]], nodes[terminals[0]]]
        else:
            ends = [nodes.get(one, self._inside(one)) for one in terminals]
        return element({"diode": "diode", "hiss": "noisy_resistor"}.get(kind, "resistor"), name, ends, **values)

    def _inside(self, terminal: str) -> str:
        """The unknown of that name in the part: ``C4.lead_a`` leads to ``C4.a``."""
        return f"{self.part.designator}.{terminal}"


def _dead(values: Mapping[str, float]) -> dict[str, float]:
    """Of a junction that carries nothing."""
    found = dict(values)
    for key in found:
        if key.startswith("i_") and key.endswith("_a"):
            found[key] = DEAD["i_sat_a"]
        elif key in ("slope_v", "thermal_v", "gate_slope_v", "reverse_slope_v"):
            found[key] = DEAD["slope_v"]
    return found


def _harmless(place: str, work: Work) -> Mapping[str, float]:
    kind = place.partition("_")[0]
    if kind == "across":
        return {"resistance_ohm": NO_LEAK_OHM}
    if kind == "hiss":
        return {"resistance_ohm": NO_LEAK_OHM, "excess_per_volt": 0.0}
    if kind == "lead":
        return {"resistance_ohm": GATE_OHM if place == "lead_gate" else LEAD_OHM}
    if kind == "diode":
        return {**DEAD, "capacitance_f": NO_FARAD}
    return {**_dead(work.values), "capacitance_f": NO_FARAD}
