"""From the schematic to the circuit that the engine solves: the one place where parts become the engine's elements.

Every part always gives the same elements on the same nodes, whatever its value, its control or its switch
says, so a change of values keeps the circuit's topology; only a core that gets hysteresis, a capacitor that is
told what keeps it from being ideal and some faults (``faulty``) are other elements. Nodes of two channels that are
joined straight are joined by a wire of a closed contact's resistance. Two small departures from the ideal make that
possible: a closed contact is 50 milliohm and an open one 1 teraohm, and each leg of a potentiometer's track
keeps at least 0.5 ohm (the contact resistance of a wiper; of a 10 kohm track it moves the end of travel to
-86 dB).
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial
from math import prod, sqrt

from fetsim.devices.kind import AtRest, Roles, Stress
from fetsim.devices.kinds import KINDS, kind_name
from fetsim.devices.resistor import excess_per_volt, resistance_at
from fetsim.devices.sheet import thermal_voltage
from fetsim.engine.circuit import GROUND, Circuit, Element, element
from fetsim.engine.signals import Signal, Sine
from fetsim.errors import InputError
from fetsim.schematic.capacitors import capacitor_elements
from fetsim.schematic.cores import core
from fetsim.schematic.faulty import places_of, with_faults
from fetsim.schematic.model import Part, UnitData
from fetsim.schematic.schema import SHEETS
from fetsim.schematic.stepped import share, step_number
from fetsim.schematic.taper import TAPERS
from fetsim.schematic.temperature import figures_at, temperature_of

CLOSED_OHM = 50e-3
OPEN_OHM = 1e12
SHORTEST_LEG_OHM = 0.5
MOST_PARTS = 500
"""Of a unit that is simulated. Matrices are dense, and time goes with the third power: with 993 unknowns (a chain of
resistors) ``fetsim idle`` took 16 s, ``measure noise`` a minute and ``measure response`` over 100 s, with 507 ``idle``
took 2.5 s; the largest shipped unit has 61."""


def build_circuit(unit: UnitData) -> Circuit:
    """All elements of a unit at its present values, controls, switches and temperature.

    Raises InputError for more than ``MOST_PARTS``, before anything slow is begun.
    """
    if len(unit.parts) > MOST_PARTS:
        raise InputError(
            f"{unit.name}: has {len(unit.parts)} parts, over {MOST_PARTS}; rest and solver would take too long to work "
            "out, so simulate a part of the circuit"
        )
    made = [one for part in unit.parts.values() for one in part_elements(unit, part)]
    wires = [_resistance(f"JOIN.{number}", *ends, CLOSED_OHM) for number, ends in enumerate(unit.joined, 1)]
    bridges = [_resistance(f"BRIDGE.{name}", a, b, ohm) for name, (a, b, ohm) in unit.bridges.items()]
    return Circuit((*made, *wires, *bridges), _mains_signals(unit), normalled=dict.fromkeys(unit.second_channels, 1.0))


def _mains_signals(unit: UnitData) -> dict[str, Signal]:
    """What the engine makes of each mains part. Raises InputError where they are not of one frequency."""
    signals: dict[str, Signal] = {}
    for part in unit.mains:
        first, hertz = unit.mains[0], part.values["frequency"]
        if hertz != first.values["frequency"]:
            raise InputError(
                f"{unit.path.name}: {part.designator}.frequency: {hertz:g} Hz beside "
                f"{first.values['frequency']:g} Hz of {first.designator}; all mains of a unit have one frequency"
            )
        left = prod({"weak": 1.0 - one.amount, "dead": 0.0}.get(one.word, 1.0) for one in part.defects)
        peak_v = sqrt(2.0) * part.values["voltage"] * left
        signals[_mains_input(part)] = Sine(frequency_hz=hertz, peak_v=peak_v, phase_deg=part.values["phase"])
    return signals


def part_elements(unit: UnitData, part: Part) -> list[Element]:
    """The elements that one part gives."""
    made, celsius = with_faults(part, _builder(unit, part), unit.ready), temperature_of(unit, part)
    return made if celsius == unit.temperature_c else [replace(one, temperature_c=celsius) for one in made]


def fault_places(unit: UnitData) -> tuple[str, ...]:
    """The elements that its faults add to a unit, by name; a unit that is ``ready`` for them is of its topology, but
    for bridges."""
    ailing = [part for part in unit.parts.values() if part.defects]
    return tuple(place for part in ailing for place in places_of(part, _builder(unit, part)))


def _builder(unit: UnitData, part: Part) -> Callable[[Part], list[Element]]:
    """What makes a part, or the same on other nodes."""
    return partial(PART_KINDS[part.kind].build, unit)


def part_stress(unit: UnitData, part: Part, levels: Mapping[str, float]) -> Stress:
    """What a part has to stand at a state [volts of every unknown, ground included], to be set against its ratings."""
    return PART_KINDS[part.kind].stress(unit, part, levels)


def part_heat_w(unit: UnitData, part: Part, levels: Mapping[str, float]) -> float:
    """What a part turns to heat at a state [W]."""
    return _element_stress(unit, part, levels).watt


def part_at_rest(unit: UnitData, part: Part, levels: Mapping[str, float]) -> AtRest:
    """How a part stands at a state: as its first element does, with the energy of all."""
    elements = part_elements(unit, part)
    each = [KINDS[made.kind].at_rest(made.values, made.at(levels)) for made in elements]
    told = each[0].state.format_map({**elements[0].unknowns, **part.nodes})
    return replace(each[0], state=told, stored_energy_j=sum(one.stored_energy_j for one in each))


def part_roles(part: Part) -> Roles:
    """What a part's terminals do."""
    own = PART_KINDS[part.kind].roles
    polarity = "" if part.device is None else part.device.polarity
    return own if own is not None else KINDS[kind_name(part.kind, polarity)].roles


def direct_current(unit: UnitData, part: Part) -> Iterator[tuple[str, str]]:
    """Ways of direct current through a part, as (from, to) nodes.

    A gate or a base can lead current to the rest of its transistor, but does not get its own level from
    there: behind a capacitor alone it would float on its leakage.
    """
    for made in part_elements(unit, part):
        kind, node = KINDS[made.kind], made.unknowns
        for a, b in kind.conducts:
            yield node[a], node[b]
            if a not in kind.roles.listens:
                yield node[b], node[a]


def part_wires(part: Part) -> list[set[str]]:
    """Nodes that a passive part joins; the poles of a switch stay apart."""
    ends = list(part.nodes.values())
    return [set(ends[i : i + 2]) for i in range(0, len(ends), 2)] if part.bank is not None else [set(ends)]


def closed_wires(unit: UnitData, part: Part) -> list[set[str]]:
    """Those of ``part_wires`` that are joined as switches and selectors stand."""
    if part.kind == "selector":
        return [{a, b} for _, _, a, b, closed in _contacts(unit, part) if closed]
    return [] if unit.state_of(part) == "open" else part_wires(part)


def joined(start: str, wires: Iterable[set[str]], barred: Iterable[str]) -> set[str]:
    """Nodes that hang together with ``start`` by ``wires``, none of the barred ones among them."""
    wires, reached, front = list(wires), {start}, [start]
    while front:
        node = front.pop()
        new = {end for ends in wires if node in ends for end in ends} - reached - set(barred)
        reached |= new
        front.extend(new)
    return reached


def track_fraction(unit: UnitData, part: Part) -> float:
    """Electrical position of a potentiometer's wiper above the bottom, or the used fraction of a rheostat.

    0 to 1.
    """
    if "fraction" in part.values:
        return part.values["fraction"]
    assert (
        part.control is not None and part.taper is not None
    )  # the reader asks for both where no fraction is given
    turned = unit.controls[part.control].position
    position = 1.0 - turned if part.direction == "falling" else turned
    law = share(part.steps[step_number(part.steps, position)]) if part.steps else TAPERS[part.taper](position)
    return min(law * 10.0 ** (part.values.get("gang_error", 0.0) / 20.0), 1.0)


def _resistor(unit: UnitData, part: Part) -> list[Element]:
    return [_resistor_element(unit, part, part.designator, part.nodes["a"], part.nodes["b"], part.values["value"])]


def _resistor_element(unit: UnitData, part: Part, name: str, a: str, b: str, ohm: float) -> Element:
    """A resistor, or so many ohms of a track, at its temperature and with its noise."""
    at_ohm = resistance_at(ohm, part.values.get("temperature_coefficient", 0.0), temperature_of(unit, part))
    if "noise_index" not in part.values:
        return _resistance(name, a, b, at_ohm)
    # a piece of a track: of pieces in series the squares add up to that of the whole
    per_volt = excess_per_volt(part.values["noise_index"]) * sqrt(part.values["value"] / ohm)
    return element("noisy_resistor", name, (a, b), resistance_ohm=at_ohm, excess_per_volt=per_volt)


def _capacitor(unit: UnitData, part: Part) -> list[Element]:
    a, b = _wired(part, "a", "b")
    return capacitor_elements(part.designator, (a, b), part.values, part.ratings, part.branches)


def _inductor(unit: UnitData, part: Part) -> list[Element]:
    ends, ohm, iron = _wired(part, "a", "b"), part.values["resistance"], core(part.kind, part.values)
    if iron is not None:
        return [element("inductor_core", part.designator, ends, **iron.values(), resistance_ohm=ohm)]
    return [element("inductor", part.designator, ends, inductance_h=part.values["value"], resistance_ohm=ohm)]


def _potentiometer(unit: UnitData, part: Part) -> list[Element]:
    fraction, ohm = track_fraction(unit, part), part.values["value"]
    top, wiper, bottom = _wired(part, "top", "wiper", "bottom")
    return [
        _resistor_element(unit, part, f"{part.designator}.{leg}", start, end, max(share * ohm, SHORTEST_LEG_OHM))
        for leg, start, end, share in (("upper", top, wiper, 1.0 - fraction), ("lower", wiper, bottom, fraction))
    ]


def _rheostat(unit: UnitData, part: Part) -> list[Element]:
    ohm = max(track_fraction(unit, part) * part.values["value"], SHORTEST_LEG_OHM)
    return [_resistor_element(unit, part, part.designator, part.nodes["a"], part.nodes["b"], ohm)]


def _switch(unit: UnitData, part: Part) -> list[Element]:
    ohm = CLOSED_OHM if unit.state_of(part) == "closed" else OPEN_OHM
    poles = range(1, len(part.nodes) // 2 + 1)
    return [
        _resistance(f"{part.designator}.{pole}", part.nodes[f"{pole}a"], part.nodes[f"{pole}b"], ohm)
        for pole in poles
    ]


def _selector(unit: UnitData, part: Part) -> list[Element]:
    return [
        _resistance(f"{part.designator}.{number}{position}", a, b, CLOSED_OHM if closed else OPEN_OHM)
        for number, position, a, b, closed in _contacts(unit, part)
    ]


def _contacts(unit: UnitData, part: Part) -> Iterator[tuple[str, str, str, str, bool]]:
    """Pole, position, its two nodes and whether it is closed, for each fixed contact of a selector."""
    terminals = list(part.nodes)
    for a, b in zip(terminals[::2], terminals[1::2], strict=True):
        pole, _, position = a.partition(" ")
        yield pole[:-1], position, part.nodes[a], part.nodes[b], position == unit.state_of(part)


def _supply(unit: UnitData, part: Part) -> list[Element]:
    ohm, volt = part.values["resistance"], part.values["voltage"]
    return [_source(part.designator, part.nodes["node"], GROUND, ohm, emf_v=volt)]


def _mains(unit: UnitData, part: Part) -> list[Element]:
    made = element("mains", part.designator, _wired(part, "a", "b"), resistance_ohm=part.values["resistance"])
    return [made.driven_by(_mains_input(part))]


def _mains_input(part: Part) -> str:
    """Of the engine, which nobody can name in a file: those names have no spaces."""
    return f"mains {part.designator}"


def _input(unit: UnitData, part: Part) -> list[Element]:
    ohm = part.values["source_resistance"]
    hot, cold = _wired(part, "hot", "cold")
    if not part.balanced:
        sources = [_source(part.designator, hot, cold, ohm, emf_per_input=1.0)]
    else:
        sources = [
            _source(f"{part.designator}.hot", hot, GROUND, ohm / 2.0, emf_per_input=0.5),
            _source(f"{part.designator}.cold", cold, GROUND, ohm / 2.0, emf_per_input=-0.5),
        ]
    return [source.driven_by(unit.driven_by(part)) for source in sources]


def _meter(unit: UnitData, part: Part) -> list[Element]:
    return [_resistance(part.designator, part.nodes["plus"], part.nodes["minus"], part.values["resistance"])]


def _output(unit: UnitData, part: Part) -> list[Element]:
    return [_resistance(part.designator, part.nodes["hot"], part.nodes["cold"], part.values["load"])]


def _amplifier(unit: UnitData, part: Part) -> list[Element]:
    nodes = _wired(part, "out", "reference", "plus", "minus")
    gain, ohm = part.values["gain"], part.values["output_resistance"]
    return [element("amplifier", part.designator, nodes, gain=gain, resistance_ohm=ohm)]


def _transformer(unit: UnitData, part: Part) -> list[Element]:
    v, iron = part.values, core(part.kind, part.values)
    of_core = iron.values() if iron is not None else {
        "magnetising_h": v["magnetising"], "saturation_flux_vs": v["saturation_flux"],
    }  # fmt: skip
    return [
        element(
            "transformer" if iron is None else "transformer_core",
            part.designator,
            _wired(part, "primary1", "primary2", "secondary1", "secondary2"),
            ratio=v["ratio"],
            primary_resistance_ohm=v["primary_resistance"],
            leakage_h=v["leakage"],
            secondary_resistance_ohm=v["secondary_resistance"],
            primary_capacitance_f=v["winding_capacitance"],
            secondary_capacitance_f=v["secondary_capacitance_ratio"] * v["winding_capacitance"],
            **of_core,
        )
    ]


def _winding(unit: UnitData, part: Part) -> list[Element]:
    of, v = unit.parts[part.transformer or ""], part.values
    nodes = [*_wired(part, "a", "b"), f"{of.designator}.core", of.nodes["secondary2"]]
    turns = of.values["ratio"] / v["ratio"]
    return [element("winding", part.designator, nodes, turns=turns, resistance_ohm=v["resistance"],
                    leakage_h=v.get("leakage", 0.0))]  # fmt: skip


def _device(unit: UnitData, part: Part) -> list[Element]:
    assert part.device is not None  # the reader asks for it
    name = kind_name(part.kind, part.device.polarity)
    kind = KINDS[name]
    assert kind.sheet is not None
    celsius = temperature_of(unit, part)
    figures = figures_at(part.device, celsius)
    values = kind.sheet.values(figures, thermal_voltage(celsius))
    return [
        element(name, part.designator, _wired(part, *kind.terminals), **values),
        *(
            element(one.kind, f"{part.designator}.{one.name}", _wired(part, *one.terminals), **one.values)
            for one in kind.sheet.beside(figures, part.device.polarity)
        ),
    ]


def _wired(part: Part, *terminals: str) -> list[str]:
    return [part.nodes[terminal] for terminal in terminals]


def _resistance(name: str, a: str, b: str, ohm: float) -> Element:
    return element("resistor", name, (a, b), resistance_ohm=ohm)


def _source(name: str, a: str, b: str, ohm: float, emf_v: float = 0.0, emf_per_input: float = 0.0) -> Element:
    return element("source", name, (a, b), resistance_ohm=ohm, emf_v=emf_v, emf_per_input=emf_per_input)


def _track_stress(unit: UnitData, part: Part, levels: Mapping[str, float]) -> Stress:
    """As if its largest current ran through all of it: a leg must not carry more than the whole track may (common
    practice, no source)."""
    of_legs = _element_stress(unit, part, levels)
    at = [levels[node] for node in part.nodes.values()]
    return replace(of_legs, volt=max(at) - min(at), watt=of_legs.ampere**2 * part.values["value"])


def _supply_stress(unit: UnitData, part: Part, levels: Mapping[str, float]) -> Stress:
    """Its watts are those that it delivers."""
    of_element = _element_stress(unit, part, levels)
    volt = levels[part.nodes["node"]]
    delivered = part.values["voltage"] * (part.values["voltage"] - volt) / part.values["resistance"]
    return replace(of_element, watt=abs(delivered))


def _element_stress(unit: UnitData, part: Part, levels: Mapping[str, float]) -> Stress:
    """The largest volts and amperes of its elements, and all their watts."""
    found = []
    for made in part_elements(unit, part):
        kind, volts = KINDS[made.kind], made.at(levels)
        found.append(kind.stress_at(kind.ways_at(made.values, volts), volts))
    return Stress(
        volt=max(one.volt for one in found),
        ampere=max(one.ampere for one in found),
        watt=sum(one.watt for one in found),
    )


@dataclass(frozen=True, kw_only=True)
class PartKind:
    """How a kind of part of a unit file is made of elements."""

    build: Callable[[UnitData, Part], list[Element]]
    stress: Callable[[UnitData, Part, Mapping[str, float]], Stress] = _element_stress
    roles: Roles | None = None
    """Where they are not those of its one element."""


PART_KINDS: dict[str, PartKind] = {
    "resistor": PartKind(build=_resistor),
    "capacitor": PartKind(build=_capacitor),
    "inductor": PartKind(build=_inductor),
    **{kind: PartKind(build=_device) for kind in SHEETS},
    "potentiometer": PartKind(build=_potentiometer, stress=_track_stress, roles=Roles(passes_direct=True)),
    "rheostat": PartKind(build=_rheostat, stress=_track_stress, roles=Roles(passes_direct=True)),
    "transformer": PartKind(build=_transformer),
    "winding": PartKind(build=_winding),
    "supply": PartKind(build=_supply, stress=_supply_stress, roles=Roles()),
    "mains": PartKind(build=_mains),
    "input": PartKind(build=_input, roles=Roles(drives=("hot", "cold"))),
    "output": PartKind(build=_output, roles=Roles(listens=("hot", "cold"))),
    "switch": PartKind(build=_switch, roles=Roles(passes_direct=True, passes_signal=True)),
    "selector": PartKind(build=_selector, roles=Roles(passes_direct=True, passes_signal=True)),
    "meter": PartKind(build=_meter, roles=Roles()),
    "amplifier": PartKind(build=_amplifier),
}
"""Every kind of part that a unit file may hold."""
