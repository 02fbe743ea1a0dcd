"""What can be listened to inside a unit: any node's voltage, and the current through most parts.

``ctl`` is a node (or a name from the unit's probes), ``R2.current`` a current: the whole one into the part's first
terminal, with the sign that it has in the unit at rest (``fetsim idle``). That is the collector, drain or anode of a
device, whatever its polarity; the first end of a resistor, capacitor, supply or primary; the output of an amplifier;
the upper leg of a track; the first pole of a switch, the first contact of a selector (``SW1.1high.current`` is that of
pole 1 at the position ``high``). What capacitances add to it comes from the difference of neighbouring internal steps:
first order in time, 0.3 % low at 10 kHz on 240 kHz.
"""

from collections.abc import Callable
from dataclasses import dataclass
from difflib import get_close_matches

import numpy as np

from fetsim.devices.currents import current_into_a
from fetsim.devices.kinds import KINDS
from fetsim.engine.assembly import Array
from fetsim.engine.circuit import GROUND, PROGRAM, Circuit, Element
from fetsim.errors import InputError
from fetsim.schematic.schema import SHEETS
from fetsim.schematic.unit import Unit
from fetsim.schematic.wiring import part_elements

Levels = dict[str, Array]
Entry = tuple[Element, str]
"""An element, and the terminal by which a current enters it."""


@dataclass(frozen=True)
class Probe:
    """A quantity to record: ``compute(levels, rate_hz, input_v)`` turns unknowns, ground included [shape=(steps + 1,),
    the first one from before], and the source's voltage [shape=(steps,)] into values [shape=(steps,)]."""

    label: str
    unit: str
    """V or A."""
    unknowns: tuple[str, ...]
    compute: Callable[[Levels, float, Array], Array]
    input: str = PROGRAM
    """Whose voltage ``compute`` takes."""


def find_probe(unit: Unit, circuit: Circuit, text: str) -> Probe:
    """The probe that the user named. Raises InputError with the choices."""
    node = unit.own_name(text)
    node = unit.probes.get(node, node)
    if node in unit.nodes:
        return Probe(text, "V", (node,), lambda levels, rate_hz, input_v: levels[node][1:])
    name, dot, what = text.rpartition(".")
    name = unit.own_name(name)
    if dot and what == "current":
        first = part_elements(unit, unit.parts[name])[0].name if name in unit.parts else name
        if any(e.name == first for e in circuit.elements):
            return _current(text, _at_first_end(unit, circuit, name, circuit.element(first)))
    choices = [*unit.probes, *unit.nodes, *(f"{p}.current" for p in unit.parts)]
    near = get_close_matches(text, choices, n=3)
    hint = f"did you mean {', '.join(near)}?" if near else f"nodes are {', '.join(unit.nodes)}"
    raise InputError(f"probe: nothing is called {text[:60]!r} in {unit.name}; {hint} (a part's current: R1.current)")


def _at_first_end(unit: Unit, circuit: Circuit, designator: str, first: Element) -> list[Entry]:
    """Where current enters the first terminal of a part: of a capacitor and of a device all its elements that meet
    there, of any other part the first one."""
    part = unit.parts.get(designator)
    if part is None or part.kind not in ("capacitor", *SHEETS):
        return [(first, KINDS[first.kind].terminals[0])]
    end = next(iter(part.nodes.values()))
    found = []
    for e in circuit.elements:
        terminals = KINDS[e.kind].terminals
        meets = zip(terminals[:1], e.nodes[:1], strict=True) if e is first else zip(terminals, e.nodes, strict=True)
        found += [(e, terminal) for terminal, node in meets if e.designator == designator and node == end]
    return found


def _current(label: str, entries: list[Entry]) -> Probe:
    def into(e: Element, terminal: str, levels: Levels, rate_hz: float, input_v: Array) -> Array:
        volts = {name: level[1:] for name, level in e.at(levels).items()}
        rates = {name: rate_hz * np.diff(level) for name, level in e.at(levels).items()}
        return np.asarray(current_into_a(KINDS[e.kind], terminal, e.values, volts, rates, input_v))

    def compute(levels: Levels, rate_hz: float, input_v: Array) -> Array:
        first, *others = (into(e, terminal, levels, rate_hz, input_v) for e, terminal in entries)
        return np.asarray(sum(others, first))

    nodes = dict.fromkeys(node for e, _ in entries for node in e.unknowns.values() if node != GROUND)
    return Probe(label, "A", tuple(nodes), compute, entries[0][0].input)
