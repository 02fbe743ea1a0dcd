"""Every noise source of a circuit at a state: which rows of its equations it drives, and how strongly.

* Resistors, tracks, contacts, windings and inner resistances of sources: 4 k T / R (Johnson 1928, Nyquist 1928).
  The load counts too, and so does the source resistance of the input.
* The channel of a FET: 4 k T times its conductance at zero drain voltage; away from it the result for the square
  law, 4 k T (4 b / 3) (s^2 + s d + d^2) / (s + d) with s and d how far each end is open, which is two thirds of
  that in saturation (van der Ziel, Proc. IRE 50 (1962) 1808; Klaassen and Prins 1967; both from memory).
* Junctions: shot noise 2 q I, the forward and the reverse current each on its own, so that a junction without
  voltage has the 4 k T g of equilibrium (for an ideality of 1). A transistor has one source for its transport
  current and one for each base current.

Not in the model: 1/f and burst noise, avalanche noise of a zener (shot noise only), thermal noise of a
transistor's base resistance (the device has none; 200 ohm would be 1.8 nV per root Hz in series with the base),
noise on the rails beyond their inner resistance, and whatever an ideal amplifier would add.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from scipy.constants import elementary_charge, k, zero_Celsius

from fetsim.devices.kinds import KINDS
from fetsim.engine.assembly import NO_UNKNOWN, Array
from fetsim.engine.circuit import GROUND, Circuit, Element
from fetsim.measurements.bench.branches import Levels, device_law, port_voltages_v

THERMAL, CHANNEL, SHOT = "thermal", "channel", "shot"


@dataclass(frozen=True)
class NoiseSource:
    """A white source: it leaves row ``start`` and enters row ``end`` (-1 is ground)."""

    element: str
    cause: str
    """``thermal``, ``channel`` or ``shot``."""
    start: int
    end: int
    density: float
    """Mean square per Hz: A^2/Hz in rows of nodes, V^2/Hz in the row of a winding's current."""

    @property
    def designator(self) -> str:
        """The part that the element belongs to."""
        return self.element.partition(".")[0]


def noise_sources(circuit: Circuit, state: Array, index: Mapping[str, int], temperature_k: float) -> list[NoiseSource]:
    """All sources at a state [shape=(n,), unknowns numbered by ``index``]; those of no strength are left out."""
    levels = {GROUND: 0.0, **{name: float(state[row]) for name, row in index.items()}}
    found = []
    for element in circuit.elements:
        of_kind = _OF_KIND.get(element.kind)
        for cause, start, end, density in of_kind(element, levels, 4.0 * k * temperature_k) if of_kind else ():
            if density > 0.0:
                start_row, end_row = (index.get(name, NO_UNKNOWN) for name in (start, end))
                found.append(NoiseSource(element.name, cause, start_row, end_row, density))
    return found


def kelvin(temperature_c: float) -> float:
    """Absolute temperature."""
    return float(temperature_c + zero_Celsius)


_Noise = tuple[str, str, str, float]
"""Cause, unknown that it leaves, unknown that it enters, mean square per Hz."""


def _ohmic(e: Element, levels: Levels, four_kt: float) -> list[_Noise]:
    return [(THERMAL, e.unknowns["a"], e.unknowns["b"], four_kt / e.values["resistance_ohm"])]


def _inductor(e: Element, levels: Levels, four_kt: float) -> list[_Noise]:
    return [(THERMAL, e.unknowns["current"], GROUND, four_kt * e.values["resistance_ohm"])]


def _transformer(e: Element, levels: Levels, four_kt: float) -> list[_Noise]:
    at, v = e.unknowns, e.values
    return [
        (THERMAL, at["current"], GROUND, four_kt * v["primary_resistance_ohm"]),
        (THERMAL, at["core"], at["s1"], four_kt / v["secondary_resistance_ohm"]),
    ]


def _jfet(e: Element, levels: Levels, four_kt: float) -> list[_Noise]:
    v = e.values
    v_gs, v_gd = port_voltages_v(e, levels)
    s, d = (max(volt - v["pinch_off_v"], 0.0) for volt in (v_gs, v_gd))
    rise = 1.0 + v["slope_per_v"] * abs(v_gs - v_gd)
    conductance_s = 4.0 / 3.0 * v["beta_a_v2"] * (s * s + s * d + d * d) / (s + d) * rise if s + d > 0.0 else 0.0
    (drain, source), *junctions = _flows(e)
    return [
        (CHANNEL, drain, source, four_kt * conductance_s),
        *_shot(junctions, _currents_a(e, levels)[1:], [v["i_gate_sat_a"]] * 2),
    ]


def _bjt(e: Element, levels: Levels, four_kt: float) -> list[_Noise]:
    v = e.values
    (collector, emitter), *junctions = _flows(e)
    _, forward_a, reverse_a = _currents_a(e, levels)
    _, v_bc = port_voltages_v(e, levels)
    # both halves of the transport current, each I_S exp(v / V_T), from the base currents I_S (exp - 1) / beta
    halves_a = v["gain"] * forward_a + v["reverse_gain"] * reverse_a + 2.0 * v["i_sat_a"]
    transport_a = halves_a * (1.0 - v_bc / v["early_v"])
    saturation_a = [v["i_sat_a"] / v["gain"], v["i_sat_a"] / v["reverse_gain"]]
    return [
        (SHOT, collector, emitter, 2.0 * elementary_charge * transport_a),
        *_shot(junctions, [forward_a, reverse_a], saturation_a),
    ]


def _diode(e: Element, levels: Levels, four_kt: float) -> list[_Noise]:
    return _shot(_flows(e), _currents_a(e, levels), [e.values["i_sat_a"]])


def _zener(e: Element, levels: Levels, four_kt: float) -> list[_Noise]:
    return _shot(_flows(e), _currents_a(e, levels), [e.values["i_sat_a"], 0.0])


def _shot(flows: list[tuple[str, str]], currents_a: list[float], saturations_a: list[float]) -> list[_Noise]:
    """Junctions of I_S (exp - 1): shot noise of both the forward I_S exp and the reverse I_S."""
    return [
        (SHOT, start, end, 2.0 * elementary_charge * (current + 2.0 * saturation))
        for (start, end), current, saturation in zip(flows, currents_a, saturations_a, strict=True)
    ]


def _flows(e: Element) -> list[tuple[str, str]]:
    """Unknowns between which each current of a device runs."""
    law = KINDS[e.kind].law
    assert law is not None
    return [(e.unknowns[start], e.unknowns[end]) for start, end in law.flows]


def _currents_a(e: Element, levels: Levels) -> list[float]:
    """Each of those currents; the law returns every one followed by its derivatives."""
    law = KINDS[e.kind].law
    assert law is not None
    results = device_law(e, levels)
    places = [sum(1 + len(depends) for depends in law.depends[:n]) for n in range(len(law.depends))]
    return [results[place] for place in places]


_OF_KIND: dict[str, Callable[[Element, Levels, float], list[_Noise]]] = {
    "resistor": _ohmic,
    "source": _ohmic,
    "inductor": _inductor,
    "transformer": _transformer,
    "jfet_n": _jfet,
    "jfet_p": _jfet,
    "bjt_npn": _bjt,
    "bjt_pnp": _bjt,
    "diode": _diode,
    "zener": _zener,
}
