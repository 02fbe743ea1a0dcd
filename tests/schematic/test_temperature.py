"""Device figures against temperature: constants of nature, and drifts that textbooks give (from memory)."""

from math import log

import pytest

from fetsim.devices.sheet import thermal_voltage
from fetsim.schematic.sheets import library_devices
from fetsim.schematic.temperature import figures_at

DEVICES = library_devices()


@pytest.mark.parametrize(
    ("temperature_k", "millivolt"),
    [(290.0, 24.990), (293.15, 25.262), (298.15, 25.693), (300.0, 25.852), (300.15, 25.865)],
)
def test_thermal_voltage(temperature_k, millivolt):
    # kT/q with the exact constants of the SI of 2019
    assert 1e3 * thermal_voltage(temperature_k - 273.15) == pytest.approx(millivolt, abs=5e-4)


def base_emitter_volt(device, temperature_c, current_a=1e-4):
    return thermal_voltage(temperature_c) * log(
        current_a / figures_at(device, temperature_c)["saturation_current"]
    )


@pytest.mark.parametrize("name", [name for name, device in DEVICES.items() if device.kind == "bjt"])
def test_base_emitter_voltage_falls_by_about_2_mv_per_kelvin(name):
    drift_v_k = (base_emitter_volt(DEVICES[name], 35.0) - base_emitter_volt(DEVICES[name], 15.0)) / 20.0
    # textbook range; it holds at a tenth of a milliampere, and is 0.2 mV/K less at ten times the current
    assert -2.3e-3 < drift_v_k < -1.7e-3


def test_a_diodes_forward_voltage_falls_by_about_2_mv_per_kelvin():
    figures = [figures_at(DEVICES["1N4148"], celsius) for celsius in (15.0, 35.0)]
    volt = [
        one["ideality"] * thermal_voltage(celsius) * log(1e-3 / one["saturation_current"])
        for one, celsius in zip(figures, (15.0, 35.0), strict=True)
    ]
    assert -2.3e-3 < (volt[1] - volt[0]) / 20.0 < -1.7e-3


def test_silicon_leakage_rises_about_tenfold_from_25_to_50_degrees_less_in_germanium():
    # saturation current of an n = 1 silicon junction: exp(1.12/kT/q) and T^3, about a factor of 35 over 25 K;
    # textbook rule of thumb "doubles every 5 K" gives 32
    silicon = DEVICES["2N3904"]
    factor = figures_at(silicon, 50.0)["saturation_current"] / figures_at(silicon, 25.0)["saturation_current"]
    assert 25.0 < factor < 50.0
    germanium = DEVICES["1N34A"]
    less = (
        figures_at(germanium, 50.0)["saturation_current"] / figures_at(germanium, 25.0)["saturation_current"]
    )
    assert 3.0 < less < 10.0


def test_current_gain_rises_by_half_a_per_cent_per_kelvin():
    # common practice, no source
    device = DEVICES["BC547B"]
    rise = figures_at(device, 31.85)["current_gain"] / figures_at(device, 21.85)["current_gain"]
    assert rise == pytest.approx(1.05, abs=2e-3)


def drain_current(device, temperature_c, over_v):
    """Saturated drain current at a gate voltage ``over_v`` above the sheet's pinch-off voltage, by the square law."""
    figures = figures_at(device, temperature_c)
    gate_v = abs(device.figures["pinch_off_voltage"]) - over_v
    depth_v = abs(figures["pinch_off_voltage"])
    return figures["i_dss"] / depth_v**2 * (depth_v - gate_v) ** 2


@pytest.mark.parametrize("name", [name for name, device in DEVICES.items() if device.kind == "jfet"])
def test_a_jfet_has_its_point_of_no_drift_0_6_to_0_9_v_above_pinch_off(name):
    # textbook: the drain current at about 0.6 to 0.8 V above pinch-off does not move with temperature;
    # below, it rises with temperature, above, it falls (from memory; ours: 4 mV/K * 300 K / 1.5 = 0.80 V)
    device = DEVICES[name]
    low, high = ([drain_current(device, celsius, over) for celsius in (20.0, 30.0)] for over in (0.6, 0.9))
    assert low[1] > low[0]
    assert high[1] < high[0]


def test_pinch_off_of_n_and_p_channel_moves_away_from_zero():
    device = DEVICES["J112"]
    assert figures_at(device, 36.85)["pinch_off_voltage"] == pytest.approx(-2.2 - 0.02)
    cold_v = DEVICES["J176"].figures["pinch_off_voltage"]
    assert figures_at(DEVICES["J176"], 36.85)["pinch_off_voltage"] == pytest.approx(cold_v + 0.02)


def test_zener_voltage_follows_the_sheets_coefficient():
    device = DEVICES["BZX79-C12"]
    assert figures_at(device, 46.85)["zener_voltage"] == pytest.approx(12.0 + 20 * 8.4e-3)


@pytest.mark.parametrize("name", DEVICES)
def test_at_the_sheets_own_temperature_nothing_changes(name):
    device = DEVICES[name]
    assert figures_at(device, device.reference_temperature_c) == device.figures


@pytest.mark.parametrize("name", DEVICES)
def test_a_fiftieth_of_a_kelvin_hardly_matters(name):
    # 15 % per kelvin of a saturation current is 0.3 % here, less than 0.1 mV of junction voltage
    device = DEVICES[name]
    assert figures_at(device, device.reference_temperature_c - 0.02) == pytest.approx(device.figures, rel=4e-3)


@pytest.mark.parametrize("celsius", [-55.0, 125.0])
@pytest.mark.parametrize("name", DEVICES)
def test_figures_keep_their_signs_at_the_ends_of_the_range(name, celsius):
    before, after = DEVICES[name].figures, figures_at(DEVICES[name], celsius)
    assert all(
        before[key] * after[key] > 0.0 or key == "temperature_coefficient" for key in before if before[key]
    )
