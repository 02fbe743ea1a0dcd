"""A part's elements while its faults are put in: values changed, and further elements at its places (``faulty``)."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from math import exp, inf, log

from fetsim.devices.kinds import KINDS
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

    def __init__(self, part: Part, made: Iterable[Element]) -> None:
        self.part = part
        self.made = list(made)
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
        """The junctions of the element that the part is carry nothing."""
        dead = dict(self.values)
        for key in dead:
            if key.startswith("i_") and key.endswith("_a"):
                dead[key] = DEAD["i_sat_a"]
            elif key in ("slope_v", "thermal_v", "gate_slope_v", "reverse_slope_v"):
                dead[key] = DEAD["slope_v"]
        self.put(**dead)

    def elements(self, ready: Iterable[str]) -> list[Element]:
        """All of them, with those that are ready for faults."""
        for place in ready:
            self.places.setdefault(place, _harmless(place, self))
        found = self.made
        for place in sorted(self.places):
            values = self.places[place]
            kind, *terminals = place.split("_")
            if kind == "lead":
                found = _renoded(found, self.part, terminals[0])
            name = f"{self.part.designator}.{place}"
            found = [*found, _extra(kind, name, [_node(self.part, one) for one in terminals], values, found[0])]
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
    twin = Work(work.part, work.made)
    twin.silence()
    return {**twin.values, "capacitance_f": NO_FARAD}


def _extra(kind: str, name: str, nodes: list[str], values: Mapping[str, float], main: Element) -> Element:
    if kind == "turned":
        return replace(main, name=name, nodes=main.nodes[::-1], values=values)
    if kind == "lead":
        (node,) = nodes
        nodes = [node, _inside(name)]
    return element({"diode": "diode", "hiss": "noisy_resistor"}.get(kind, "resistor"), name, nodes, **values)


def _inside(name: str) -> str:
    """``C4.lead_a`` leads to ``C4.a``."""
    return name.replace("lead_", "")


def _node(part: Part, terminal: str) -> str:
    return part.nodes.get(terminal, f"{part.designator}.{terminal}")


def _renoded(made: list[Element], part: Part, terminal: str) -> list[Element]:
    """The elements with one lead of the part on the node behind its resistance."""
    outer, inner = part.nodes[terminal], f"{part.designator}.{terminal}"
    found = []
    for one in made:
        terminals = KINDS[one.kind].terminals
        if terminal in terminals:
            places = {terminals.index(terminal)}
        else:
            behind = not one.name.startswith(f"{part.designator}.lead_")
            places = {k for k, node in enumerate(one.nodes) if behind and node == outer}
        nodes = tuple(inner if k in places else node for k, node in enumerate(one.nodes))
        found.append(replace(one, nodes=nodes))
    return found
