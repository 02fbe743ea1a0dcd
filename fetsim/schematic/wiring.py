"""From the schematic to the circuit that the engine solves: the one place where the two rooms meet.

Every part always gives the same elements on the same nodes, whatever its value, its control or its switch
says, so a change of values keeps the circuit's topology. Two small departures from the ideal make that
possible: a closed contact is 50 milliohm and an open one 1 teraohm, and each leg of a potentiometer's track
keeps at least 0.5 ohm (the contact resistance of a wiper; of a 10 kohm track it moves the end of travel to
-86 dB).
"""

from collections.abc import Callable

from fetsim.engine.circuit import GROUND, Circuit, Element, element
from fetsim.schematic.model import Part, UnitData
from fetsim.schematic.taper import TAPERS
from fetsim.schematic.temperature import figures_at, thermal_voltage

CLOSED_OHM = 50e-3
OPEN_OHM = 1e12
SHORTEST_LEG_OHM = 0.5
SECONDARY_CAPACITANCE = 0.2  # of the winding capacitance, across the secondary


def build_circuit(unit: UnitData) -> Circuit:
    """All elements of a unit at its present values, controls, switches and temperature."""
    return Circuit(tuple(made for part in unit.parts.values() for made in part_elements(unit, part)))


def part_elements(unit: UnitData, part: Part) -> list[Element]:
    """The elements that one part gives."""
    return _BUILDERS[part.kind](unit, part)


def track_fraction(unit: UnitData, part: Part) -> float:
    """Electrical position of a potentiometer's wiper above the bottom, or the used fraction of a rheostat.

    0 to 1.
    """
    if "fraction" in part.values:
        return part.values["fraction"]
    assert (
        part.control is not None and part.taper is not None
    )  # the reader asks for both where no fraction is given
    position = unit.controls[part.control].position
    return TAPERS[part.taper](1.0 - position if part.direction == "falling" else position)


def _resistor(unit: UnitData, part: Part) -> list[Element]:
    return [_resistance(part.designator, part.nodes["a"], part.nodes["b"], part.values["value"])]


def _capacitor(unit: UnitData, part: Part) -> list[Element]:
    return [element("capacitor", part.designator, _wired(part, "a", "b"), capacitance_f=part.values["value"])]


def _inductor(unit: UnitData, part: Part) -> list[Element]:
    henry, ohm = part.values["value"], part.values["resistance"]
    return [
        element("inductor", part.designator, _wired(part, "a", "b"), inductance_h=henry, resistance_ohm=ohm)
    ]


def _potentiometer(unit: UnitData, part: Part) -> list[Element]:
    fraction, ohm = track_fraction(unit, part), part.values["value"]
    top, wiper, bottom = _wired(part, "top", "wiper", "bottom")
    return [
        _resistance(f"{part.designator}.upper", top, wiper, max((1.0 - fraction) * ohm, SHORTEST_LEG_OHM)),
        _resistance(f"{part.designator}.lower", wiper, bottom, max(fraction * ohm, SHORTEST_LEG_OHM)),
    ]


def _rheostat(unit: UnitData, part: Part) -> list[Element]:
    ohm = max(track_fraction(unit, part) * part.values["value"], SHORTEST_LEG_OHM)
    return [_resistance(part.designator, part.nodes["a"], part.nodes["b"], ohm)]


def _switch(unit: UnitData, part: Part) -> list[Element]:
    assert part.bank is not None  # the reader asks for it
    ohm = CLOSED_OHM if part.designator in unit.banks[part.bank].closed else OPEN_OHM
    poles = range(1, len(part.nodes) // 2 + 1)
    return [
        _resistance(f"{part.designator}.{pole}", part.nodes[f"{pole}a"], part.nodes[f"{pole}b"], ohm)
        for pole in poles
    ]


def _supply(unit: UnitData, part: Part) -> list[Element]:
    ohm, volt = part.values["resistance"], part.values["voltage"]
    return [_source(part.designator, part.nodes["node"], GROUND, ohm, emf_v=volt)]


def _input(unit: UnitData, part: Part) -> list[Element]:
    ohm = part.values["source_resistance"]
    hot, cold = _wired(part, "hot", "cold")
    if not part.balanced:
        return [_source(part.designator, hot, cold, ohm, emf_per_input=1.0)]
    return [
        _source(f"{part.designator}.hot", hot, GROUND, ohm / 2.0, emf_per_input=0.5),
        _source(f"{part.designator}.cold", cold, GROUND, ohm / 2.0, emf_per_input=-0.5),
    ]


def _output(unit: UnitData, part: Part) -> list[Element]:
    return [_resistance(part.designator, part.nodes["hot"], part.nodes["cold"], part.values["load"])]


def _amplifier(unit: UnitData, part: Part) -> list[Element]:
    nodes = _wired(part, "out", "reference", "plus", "minus")
    gain, ohm = part.values["gain"], part.values["output_resistance"]
    return [element("amplifier", part.designator, nodes, gain=gain, resistance_ohm=ohm)]


def _transformer(unit: UnitData, part: Part) -> list[Element]:
    v = part.values
    return [
        element(
            "transformer",
            part.designator,
            _wired(part, "primary1", "primary2", "secondary1", "secondary2"),
            ratio=v["ratio"],
            primary_resistance_ohm=v["primary_resistance"],
            leakage_h=v["leakage"],
            magnetising_h=v["magnetising"],
            saturation_flux_vs=v["saturation_flux"],
            secondary_resistance_ohm=v["secondary_resistance"],
            primary_capacitance_f=v["winding_capacitance"],
            secondary_capacitance_f=SECONDARY_CAPACITANCE * v["winding_capacitance"],
        )
    ]


def _device(unit: UnitData, part: Part) -> list[Element]:
    assert part.device is not None  # the reader asks for it
    figures, kt_q_v = figures_at(part.device, unit.temperature_c), thermal_voltage(unit.temperature_c)
    values = {key: figures[name] for key, name in _FIGURES[part.kind].items()}
    kind, terminals = part.kind, _TERMINALS[part.kind]
    if kind == "jfet":
        kind = f"jfet_{part.device.polarity}"
        values["beta_a_v2"] = figures["i_dss"] / figures["pinch_off_voltage"] ** 2
        values["pinch_off_v"] = -abs(figures["pinch_off_voltage"])  # the engine mirrors a p-channel device
        values["gate_slope_v"] = figures["gate_ideality"] * kt_q_v
    elif kind == "bjt":
        kind = f"bjt_{part.device.polarity}"
        values["thermal_v"] = kt_q_v
    else:
        values["slope_v"] = figures["ideality"] * kt_q_v
    if kind == "zener":
        values["reverse_slope_v"] = figures["dynamic_resistance"] * figures["test_current"]
    return [element(kind, part.designator, _wired(part, *terminals), **values)]


_TERMINALS = {
    "jfet": ("drain", "gate", "source"),
    "bjt": ("collector", "base", "emitter"),
    "diode": ("anode", "cathode"),
    "zener": ("anode", "cathode"),
}

_FIGURES = {  # value of the engine's element -> figure of the sheet
    "jfet": {
        "slope_per_v": "channel_slope",
        "i_gate_sat_a": "gate_saturation_current",
        "capacitance_gs_f": "gate_source_capacitance",
        "capacitance_gd_f": "gate_drain_capacitance",
    },
    "bjt": {
        "i_sat_a": "saturation_current",
        "gain": "current_gain",
        "reverse_gain": "reverse_current_gain",
        "early_v": "early_voltage",
        "capacitance_be_f": "base_emitter_capacitance",
        "capacitance_bc_f": "base_collector_capacitance",
    },
    "diode": {"i_sat_a": "saturation_current", "capacitance_f": "junction_capacitance"},
    "zener": {
        "i_sat_a": "saturation_current",
        "capacitance_f": "junction_capacitance",
        "zener_v": "zener_voltage",
        "i_test_a": "test_current",
    },
}


def _wired(part: Part, *terminals: str) -> list[str]:
    return [part.nodes[terminal] for terminal in terminals]


def _resistance(name: str, a: str, b: str, ohm: float) -> Element:
    return element("resistor", name, (a, b), resistance_ohm=ohm)


def _source(name: str, a: str, b: str, ohm: float, emf_v: float = 0.0, emf_per_input: float = 0.0) -> Element:
    return element("source", name, (a, b), resistance_ohm=ohm, emf_v=emf_v, emf_per_input=emf_per_input)


_BUILDERS: dict[str, Callable[[UnitData, Part], list[Element]]] = {
    "resistor": _resistor,
    "capacitor": _capacitor,
    "inductor": _inductor,
    "diode": _device,
    "zener": _device,
    "jfet": _device,
    "bjt": _device,
    "potentiometer": _potentiometer,
    "rheostat": _rheostat,
    "transformer": _transformer,
    "supply": _supply,
    "input": _input,
    "output": _output,
    "switch": _switch,
    "amplifier": _amplifier,
}
