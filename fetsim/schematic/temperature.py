"""Device figures at the unit's temperature.

Sheets hold at their reference temperature, 26.85 C (300 K) by default. One temperature for the whole unit:
self-heating is not modelled. Passive parts do not change with temperature.

* Saturation current of a junction: I_S (T/T0)^(3/n) exp(E_g/(n k) (1/T0 - 1/T)); Sze, Physics of
  Semiconductor Devices (from memory). Gives V_BE about -1.8 mV/K in a silicon transistor at 1 mA.
* Current gain of a bipolar transistor: (T/T0)^1.5, which is +0.5 %/K at room temperature: common practice, no
  source.
* JFET channel: beta as T^-1.5, the mobility of lattice scattering (Sze, from memory; measured exponents run
  to -2.4); the pinch-off voltage moves by 2 mV/K further from zero, as the built-in voltage of the gate
  junction falls (common practice, no source). Together they put the gate voltage of no drift 0.8 V above
  pinch-off; textbooks say 0.6-0.8 V.
* Zener voltage: the sheet's own temperature coefficient, linear.
"""

from collections.abc import Mapping
from math import exp

from fetsim.schematic.model import Device

BOLTZMANN_J_K = 1.380649e-23  # exact, SI 2019
ELEMENTARY_CHARGE_C = 1.602176634e-19  # exact, SI 2019
ZERO_CELSIUS_K = 273.15
SATURATION_EXPONENT = 3.0
GAIN_EXPONENT = 1.5
MOBILITY_EXPONENT = -1.5
PINCH_OFF_DRIFT_V_K = 2e-3


def thermal_voltage(temperature_c: float) -> float:
    """kT/q in volts."""
    return BOLTZMANN_J_K * (temperature_c + ZERO_CELSIUS_K) / ELEMENTARY_CHARGE_C


def figures_at(device: Device, temperature_c: float) -> Mapping[str, float]:
    """The sheet's figures at that temperature, under the same keys."""
    reference_c = device.reference_temperature_c
    figures = dict(device.figures)
    if temperature_c == reference_c:
        return figures
    ratio = (temperature_c + ZERO_CELSIUS_K) / (reference_c + ZERO_CELSIUS_K)

    gap = figures["band_gap"] * (1.0 / thermal_voltage(reference_c) - 1.0 / thermal_voltage(temperature_c))

    def warm(key: str, ideality: float) -> None:
        figures[key] *= ratio ** (SATURATION_EXPONENT / ideality) * exp(gap / ideality)

    match device.kind:
        case "jfet":
            beta = figures["i_dss"] / figures["pinch_off_voltage"] ** 2 * ratio**MOBILITY_EXPONENT
            drift_v = PINCH_OFF_DRIFT_V_K * (temperature_c - reference_c)
            figures["pinch_off_voltage"] += drift_v if device.polarity == "p" else -drift_v
            figures["i_dss"] = beta * figures["pinch_off_voltage"] ** 2
            warm("gate_saturation_current", figures["gate_ideality"])
        case "bjt":
            warm("saturation_current", 1.0)
            figures["current_gain"] *= ratio**GAIN_EXPONENT
            figures["reverse_current_gain"] *= ratio**GAIN_EXPONENT
        case "diode" | "zener":
            warm("saturation_current", figures["ideality"])
            if device.kind == "zener":
                figures["zener_voltage"] += figures["temperature_coefficient"] * (temperature_c - reference_c)
    return figures
