"""Resistor: Ohm's law; with excess noise as a kind of its own, so that the plain one asks for its resistance alone."""

from dataclasses import replace

from fetsim.devices.kind import Kind, Roles, Stamp, conductance, ohmic
from fetsim.devices.law import Values, Volts
from fetsim.devices.noise import Noise, excess, johnson

NOMINAL_C = 25.0
"""At which a resistor has its value (common practice, no source)."""


def _stamp(stamp: Stamp, v: Values) -> None:
    conductance(stamp, "a", "b", 1.0 / v["resistance_ohm"])


def _noisy(v: Values, volts: Volts, temperature_k: float) -> list[Noise]:
    current_a = (volts["a"] - volts["b"]) / v["resistance_ohm"]
    return [
        johnson("a", "b", v["resistance_ohm"], temperature_k),
        excess("a", "b", current_a, v["excess_per_volt"]),
    ]


def resistance_at(ohm: float, coefficient_per_k: float, temperature_c: float) -> float:
    """Resistance at a temperature, of one with a straight temperature law and this value at ``NOMINAL_C``."""
    return ohm if coefficient_per_k == 0.0 else ohm * (1.0 + coefficient_per_k * (temperature_c - NOMINAL_C))


def excess_per_volt(noise_index_db: float) -> float:
    """Rms in a decade over the direct voltage, out of the noise index: 0 dB is a microvolt for each volt."""
    return float(1e-6 * 10.0 ** (noise_index_db / 20.0))


RESISTOR = Kind(
    terminals=("a", "b"),
    typical={"resistance_ohm": 4.7e3},
    linear=_stamp,
    conducts=(("a", "b"),),
    noise=lambda v, volts, temperature_k: [johnson("a", "b", v["resistance_ohm"], temperature_k)],
    ways=lambda v, volts: [ohmic(volts, "", "a", "b", v["resistance_ohm"])],
    roles=Roles(passes_direct=True),
)

NOISY_RESISTOR = replace(RESISTOR, typical={**RESISTOR.typical, "excess_per_volt": 0.1e-6}, noise=_noisy)
"""``excess_per_volt``: rms in a decade of frequency over the direct voltage across it."""
