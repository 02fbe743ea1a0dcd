"""Direct currents through one element, worked out from the node voltages alone.

Ohm's law and the device laws part by part, not the engine's matrix: so that the currents can be summed at
every node and say whether the solution is one. At rest a capacitor carries nothing and a winding is its
resistance.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from fetsim.devices.kinds import KINDS
from fetsim.engine.circuit import Element
from fetsim.engine.plain import safe_exp

Levels = Mapping[str, float]
"""Node -> volts against ground, ground included."""


@dataclass(frozen=True)
class Branch:
    """One way of direct current through a part; voltage and current count from ``start`` to ``end``.

    A part that takes up power has both of one sign; a supply that delivers has not.
    """

    label: str
    """Which leg, winding, pole or terminal; empty where there is only one way."""
    start: str
    end: str
    voltage_v: float
    current_a: float
    dissipation_w: float
    delivered_w: float = 0.0
    """What a source inside the branch gives, its own losses included."""


def branches(element: Element, levels: Levels) -> list[Branch]:
    """All ways of direct current through an element."""
    node = dict(zip(KINDS[element.kind].terminals, element.nodes, strict=True))
    v = element.values
    _, _, label = element.name.partition(".")

    def across(a: str, b: str) -> float:
        return levels[node[a]] - levels[node[b]]

    def ohmic(name: str, a: str, b: str, resistance_ohm: float, emf_v: float = 0.0) -> Branch:
        volt = across(a, b)
        current = (volt - emf_v) / resistance_ohm
        return Branch(name, node[a], node[b], volt, current, (volt - emf_v) * current, -emf_v * current)

    match element.kind:
        case "resistor" | "inductor":
            return [ohmic(label, "a", "b", v["resistance_ohm"])]
        case "source":
            return [ohmic(label, "a", "b", v["resistance_ohm"], v["emf_v"])]
        case "amplifier":
            emf = v["gain"] * across("plus", "minus")
            return [ohmic(label, "out", "reference", v["resistance_ohm"], emf)]
        case "capacitor":
            return [Branch(label, node["a"], node["b"], across("a", "b"), 0.0, 0.0)]
        case "transformer":
            return [
                ohmic("primary", "p1", "p2", v["primary_resistance_ohm"]),
                ohmic("secondary", "s1", "s2", v["secondary_resistance_ohm"]),
            ]
    # a device: its terminals one by one against the last one (emitter, source, cathode)
    into = terminal_currents_a(element, levels)
    *terminals, last = KINDS[element.kind].terminals
    return [
        Branch(
            terminal if len(terminals) > 1 else "",
            node[terminal], node[last], across(terminal, last), into[terminal],
            across(terminal, last) * into[terminal],
        )
        for terminal in terminals
    ]  # fmt: skip


def terminal_currents_a(element: Element, levels: Levels) -> dict[str, float]:
    """Terminal -> current into a device [A]."""
    kind = KINDS[element.kind]
    assert kind.law is not None
    into = dict.fromkeys(kind.terminals, 0.0)
    results = iter(device_law(element, levels))
    for (start, end), depends in zip(kind.law.flows, kind.law.depends, strict=True):
        current = next(results)
        into[start] += current
        into[end] -= current
        for _ in depends:
            next(results)  # derivatives
    return into


def device_law(element: Element, levels: Levels) -> tuple[float, ...]:
    """Currents and derivatives of a device, as its function in ``devices`` returns them."""
    law = KINDS[element.kind].law
    assert law is not None
    ports = port_voltages_v(element, levels)
    exponentials = []
    for junction in law.junctions:
        offset = 0.0 if junction.offset_v is None else junction.offset_v(element.values)
        exponentials.append(safe_exp((ports[junction.port] - offset) / junction.slope_v(element.values)))
    return law.function(*ports, *exponentials, *law.parameters(element.values))


def port_voltages_v(element: Element, levels: Levels) -> list[float]:
    """Voltages across a device's ports, turned round for a pnp or p-channel type."""
    law = KINDS[element.kind].law
    assert law is not None
    names = element.unknowns
    return [levels[names[plus]] - (0.0 if minus is None else levels[names[minus]]) for plus, minus in law.ports]
