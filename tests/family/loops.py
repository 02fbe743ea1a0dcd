"""Small feedback loops as unit files: one FET divider, an amplifier, a rectifier, a timing network, in many structures.

Each structure is a handful of stages that meet at the same nodes: ``inp`` and ``dr`` (divider), ``po`` (behind the
amplifier, the output), ``an`` (driven sides of the rectifier), ``rc`` (behind the rectifier), ``ctl`` (control), ``g``
(gate), ``vb`` (bias at rest). Written for an n-channel FET whose control is lifted; with a p-channel one every voltage
and junction is turned round, so that the detector pulls down, or only the gate is, behind an amplifier that inverts.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

RAIL_V = 15.0


class Structure(NamedTuple):
    """What a loop is made of."""

    polarity: str
    """``n`` or ``p``."""
    coupling: str
    """Of the signal to the rectifier: ``capacitor``, ``transformer`` or ``direct``."""
    rectifier: str
    """``half``, ``full``, ``precision`` (operational amplifier) or ``emitter`` (transistor)."""
    timing: str
    """``plain``, ``two stages`` (a second capacitor behind a resistor), ``buffered`` (an amplifier drives the gate) or
    ``inverted`` (one that turns the control round)."""

    @property
    def sign(self) -> float:
        """+1 where the detector lifts the control, -1 where it pulls it down."""
        return 1.0 if (self.polarity == "n") != (self.timing == "inverted") else -1.0

    @property
    def driven(self) -> tuple[str, ...]:
        """Nodes that drive the rectifying junctions."""
        return {"full": ("an", "an2"), "precision": ("ro",)}.get(self.rectifier, ("an",))


STRUCTURES = {
    "half-wave": Structure("n", "capacitor", "half", "plain"),
    "half-wave, pulled down": Structure("p", "capacitor", "half", "two stages"),
    "full-wave": Structure("n", "capacitor", "full", "buffered"),
    "full-wave out of a centre tap": Structure("p", "transformer", "full", "plain"),
    "precision, direct": Structure("n", "direct", "precision", "two stages"),
    "precision, pulled down": Structure("p", "capacitor", "precision", "plain"),
    "emitter": Structure("p", "capacitor", "emitter", "buffered"),
    "half-wave, direct, turned round before the gate": Structure("p", "direct", "half", "inverted"),
}


@dataclass(frozen=True, kw_only=True)
class Values:
    """What the parts of a loop come to."""

    pinch_off_v: float
    """Size of it."""
    on_ohm: float
    """Channel with the gate at the source."""
    series_ratio: float
    """Series resistor over ``on_ohm``."""
    gain: float
    beyond_v: float
    """Of the gate beyond pinch-off at rest; negative: it conducts."""
    delay_v: float
    """What the signal's peak must come to at the rectifier before the control begins to move, less a junction."""
    attack_ohm: float
    release_ohm: float
    timing_f: float

    @property
    def threshold_v(self) -> float:
        """Peak at the source, about, at which something begins to happen: half a volt is the junction's, and a FET that
        conducts at rest takes its share."""
        loss = 1.0 + self.series_ratio * max(-self.beyond_v, 0.0) / self.pinch_off_v
        return (self.delay_v + max(self.beyond_v, 0.0) + 0.5) * loss / self.gain


RANGES = {
    "pinch_off_v": (1.0, 6.0),
    "on_ohm": (50.0, 500.0),
    "series_ratio": (10.0, 80.0),
    "gain": (5.0, 80.0),
    "beyond_v": (-0.2, 1.5),
    "delay_v": (0.5, 4.0),
    "attack_ohm": (100.0, 22e3),
    "release_ohm": (100e3, 3e6),
    "timing_f": (20e-9, 2e-6),
}
"""Least and largest of each."""


def values_at(shares: Mapping[str, float]) -> Values:
    """Values so far along their ranges, 0 to 1: along the logarithm, but for what may be negative; three figures."""
    found = {}
    for key, (least, most) in RANGES.items():
        share = shares[key]
        found[key] = float(f"{least + share * (most - least) if least < 0.0 else least * (most / least) ** share:.3g}")
    return Values(**found)


def unit_text(structure: Structure, values: Values) -> str:
    """The unit file of a loop."""
    sign = structure.sign
    rest_v = -sign * (values.pinch_off_v + values.beyond_v)
    parts = {
        "divider": [
            'IN = { kind = "input", nodes = ["inp", "0"], source_resistance = "50" }',
            _resistor("R1", values.series_ratio * values.on_ohm, "inp", "dr"),
            'J1 = { kind = "jfet", device = "own-fet", nodes = { drain = "dr", gate = "g", source = "0" } }',
        ],
        "amplifier": [
            f'A1 = {{ kind = "amplifier", nodes = {{ out = "po", plus = "dr" }}, gain = {values.gain:.4g}, '
            'output_resistance = "100" }',
            'OUT = { kind = "output", nodes = ["po", "0"], load = "10k" }',
        ],
        "coupling": _coupling(structure, rest_v - sign * values.delay_v),
        "rectifier": _rectifier(structure),
        "timing": [
            _resistor("R3", values.attack_ohm, "rc", "ctl"),
            _capacitor("C2", values.timing_f, "ctl", "0"),
            _resistor("R4", values.release_ohm, "ctl", "vb"),
            *_more_timing(structure, values),
        ],
        "bias": [_supply("V2", rest_v, 100.0, "vb")],
    }
    if any("opamp" in line for lines in parts.values() for line in lines):
        parts["rails"] = [_supply("V8", RAIL_V, 1.0, "vp"), _supply("V9", -RAIL_V, 1.0, "vn")]
    stages = [f"[stages.{name}.parts]\n" + "\n".join(lines) for name, lines in parts.items()]
    head = 'name = "A loop"\n\n[gain_cell]\nfet = "J1"\ncontrol_node = "ctl"\n'
    return "\n\n".join([head, _devices(structure, values), *stages]) + "\n"


def _coupling(structure: Structure, bias_v: float) -> list[str]:
    """From ``po`` to the rectifier's inputs an, and an2 with two of them, which rest at the delay bias."""
    if structure.coupling == "direct":  # inverts, and shifts by what it is biased with
        return [
            _resistor("R5", 10e3, "po", "m"), _resistor("R6", 10e3, "m", "an"), _resistor("R7", 10e3, "m", "vk"),
            _supply("V1", -bias_v, 1.0, "vk"), _opamp("U1", plus="0", minus="m", out="an"),
        ]  # fmt: skip
    if structure.coupling == "transformer":
        return [
            'T1 = { kind = "transformer", ratio = 1, primary_resistance = "60", secondary_resistance = "60", '
            'leakage = "2mH", magnetising = "8H", saturation_flux = "60mVs", winding_capacitance = "100p", '
            'nodes = { primary = ["po", "0"], secondary = ["an", "ct"] } }',
            'W1 = { kind = "winding", transformer = "T1", ratio = 1, resistance = "60", nodes = ["ct", "an2"] }',
            _supply("V1", bias_v, 1e3, "ct"),
        ]
    found = [_capacitor("C1", 1e-6, "po", "an"), _supply("V1", bias_v, 1.0, "vk"), _resistor("R5", 100e3, "an", "vk")]
    if structure.rectifier == "full":
        found += [
            'A2 = { kind = "amplifier", nodes = { out = "no", plus = "0", minus = "po" }, gain = 1, '
            'output_resistance = "100" }',
            _capacitor("C3", 1e-6, "no", "an2"), _resistor("R6", 100e3, "an2", "vk"),
        ]  # fmt: skip
    return found


def _rectifier(structure: Structure) -> list[str]:
    sign = structure.sign
    if structure.rectifier == "precision":  # the amplifier's output is a junction ahead of the node that it holds
        return [_opamp("U2", plus="an", minus="rc", out="ro"), _diode("D1", "ro", "rc", sign)]
    if structure.rectifier == "emitter":
        rail = "vp" if sign > 0.0 else "vn"
        nodes = f'{{ collector = "{rail}", base = "an", emitter = "rc" }}'
        return [
            f'Q1 = {{ kind = "bjt", device = "own-bjt", nodes = {nodes} }}', _supply("V8", sign * RAIL_V, 1.0, rail),
        ]  # fmt: skip
    return [_diode(f"D{k}", node, "rc", sign) for k, node in enumerate(structure.driven, start=1)]


def _more_timing(structure: Structure, values: Values) -> list[str]:
    if structure.timing in ("buffered", "inverted"):
        inputs = 'plus = "ctl"' if structure.timing == "buffered" else 'plus = "0", minus = "ctl"'
        return [f'A3 = {{ kind = "amplifier", nodes = {{ out = "g", {inputs} }}, gain = 1, output_resistance = "1k" }}']
    gate = _resistor("R8", 47e3, "ctl", "g")
    if structure.timing == "plain":
        return [gate]
    more = [_resistor("R9", 0.1 * values.release_ohm, "ctl", "c2"), _capacitor("C4", 3.0 * values.timing_f, "c2", "0")]
    return [gate, *more]


def _devices(structure: Structure, values: Values) -> str:
    head = 'source = "invented"\nreference_temperature_c = 25.0\n'
    pinch_off_v = -values.pinch_off_v if structure.polarity == "n" else values.pinch_off_v
    found = [
        f'[devices.own-fet]\nkind = "jfet"\n{head}polarity = "{structure.polarity}"\n'
        f'i_dss = "{500.0 * values.pinch_off_v / values.on_ohm:.4g}mA"\npinch_off_voltage = "{pinch_off_v:.4g}V"\n'
        'channel_slope = "0.006/V"\ngate_saturation_current = "5fA"\ngate_source_capacitance = "9p"\n'
        'gate_drain_capacitance = "9p"\n'
    ]
    if structure.rectifier == "emitter":
        found.append(
            f'[devices.own-bjt]\nkind = "bjt"\n{head}polarity = "{"npn" if structure.sign > 0.0 else "pnp"}"\n'
            'saturation_current = "10fA"\ncurrent_gain = 300\nreverse_current_gain = 4\nearly_voltage = "80V"\n'
            'base_emitter_capacitance = "18p"\nbase_collector_capacitance = "4p"\n'
        )
    else:
        found.append(
            f'[devices.own-diode]\nkind = "diode"\n{head}saturation_current = "1nA"\nideality = 1.75\n'
            'junction_capacitance = "2p"\n'
        )
    return "\n".join(found)


def _resistor(name: str, ohm: float, one: str, other: str) -> str:
    return f'{name} = {{ kind = "resistor", value = "{ohm:.4g}", nodes = ["{one}", "{other}"] }}'


def _capacitor(name: str, farad: float, one: str, other: str) -> str:
    return f'{name} = {{ kind = "capacitor", value = "{1e9 * farad:.4g}n", nodes = ["{one}", "{other}"] }}'


def _supply(name: str, volt: float, ohm: float, node: str) -> str:
    return f'{name} = {{ kind = "supply", voltage = "{volt:.4g}V", resistance = "{ohm:.4g}", node = "{node}" }}'


def _diode(name: str, anode: str, cathode: str, sign: float) -> str:
    anode, cathode = (anode, cathode) if sign > 0.0 else (cathode, anode)
    nodes = f'{{ anode = "{anode}", cathode = "{cathode}" }}'
    return f'{name} = {{ kind = "diode", device = "own-diode", nodes = {nodes} }}'


def _opamp(name: str, *, plus: str, minus: str, out: str) -> str:
    nodes = f'plus = "{plus}", minus = "{minus}", out = "{out}", positive = "vp", negative = "vn"'
    return f'{name} = {{ kind = "opamp", device = "TL072", nodes = {{ {nodes} }} }}'
