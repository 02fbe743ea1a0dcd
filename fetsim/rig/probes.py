"""What can be listened to inside a unit: any node's voltage, and the current through most parts.

``ctl`` is a node (or a name from the unit's probes), ``R2.current`` a current: of a resistor, track or supply from
its first to its second terminal, of a capacitor likewise (by the difference of neighbouring internal steps: first
order in time, 0.3 % low at 10 kHz on 240 kHz), of a winding (primary), and of a device: collector, drain or anode.
"""

from collections.abc import Callable
from dataclasses import dataclass
from difflib import get_close_matches

import numpy as np

from fetsim.devices.kinds import KINDS
from fetsim.engine.assembly import Array
from fetsim.engine.circuit import Circuit, Element
from fetsim.errors import InputError
from fetsim.schematic.unit import Unit

Levels = dict[str, Array]


@dataclass(frozen=True)
class Probe:
    """A quantity to record: ``compute(levels, rate_hz)`` turns unknowns [shape=(steps + 1,), the first one from
    before] into values [shape=(steps,)]."""

    label: str
    unit: str
    """V or A."""
    unknowns: tuple[str, ...]
    compute: Callable[[Levels, float], Array]


def find_probe(unit: Unit, circuit: Circuit, text: str) -> Probe:
    """The probe that the user named. Raises InputError with the choices."""
    node = unit.probes.get(text, text)
    if node in unit.nodes:
        return Probe(text, "V", (node,), lambda levels, rate_hz: levels[node][1:])
    name, dot, what = text.rpartition(".")
    if dot and what == "current":
        for candidate in (name, f"{name}.upper", f"{name}.hot", f"{name}.1"):
            if any(e.name == candidate for e in circuit.elements):
                return _current(text, circuit.element(candidate))
    choices = [*unit.probes, *unit.nodes, *(f"{p}.current" for p in unit.parts)]
    near = get_close_matches(text, choices, n=3)
    hint = f"did you mean {', '.join(near)}?" if near else f"nodes are {', '.join(unit.nodes)}"
    raise InputError(f"probe: nothing is called {text[:60]!r} in {unit.name}; {hint} (a part's current: R1.current)")


def _current(label: str, e: Element) -> Probe:
    names = tuple(dict.fromkeys(e.unknowns.values()))
    place = e.unknowns

    def across(levels: Levels, a: str, b: str) -> Array:
        return levels[place[a]][1:] - levels[place[b]][1:]

    def compute(levels: Levels, rate_hz: float) -> Array:
        v = e.values
        if "current" in place:
            return levels[place["current"]][1:]
        if e.kind == "capacitor":
            return v["capacitance_f"] * rate_hz * (np.diff(levels[place["a"]]) - np.diff(levels[place["b"]]))
        if e.kind == "amplifier":
            gained = v["gain"] * across(levels, "plus", "minus")
            return (gained - across(levels, "out", "reference")) / v["resistance_ohm"]
        if e.kind in ("resistor", "source"):
            return (across(levels, "a", "b") - v.get("emf_v", 0.0)) / v["resistance_ohm"]
        return _device_current(e, levels)

    return Probe(label, "A", tuple(n for n in names if n != "0"), compute)


def _device_current(e: Element, levels: Levels) -> Array:
    law = KINDS[e.kind].law
    assert law is not None
    ports = [levels[e.unknowns[a]][1:] - levels[e.unknowns[b or "0"]][1:] for a, b in law.ports]
    exps = []
    for j in law.junctions:
        offset = j.offset_v(e.values) if j.offset_v is not None else 0.0
        exps.append(np.exp(np.minimum((ports[j.port] - offset) / j.slope_v(e.values), 80.0)))
    return np.asarray(law.function(*ports, *exps, *law.parameters(e.values))[0])
